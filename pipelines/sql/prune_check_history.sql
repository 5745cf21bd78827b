DELETE FROM audit.check_history AS kept
WHERE change <= (
    SELECT max(change) - $changes_kept FROM audit.check_history AS other
    WHERE other.table_name = kept.table_name AND other.check_name = kept.check_name
)
