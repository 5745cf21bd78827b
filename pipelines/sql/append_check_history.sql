INSERT INTO audit.check_history BY NAME
WITH latest AS (
    SELECT * FROM audit.check_history
    QUALIFY row_number() OVER (PARTITION BY table_name, check_name ORDER BY change DESC) = 1
)
SELECT
    new.table_name,
    new.check_name,
    coalesce(latest.change, 0) + 1 AS change,
    $checked_at AS checked_at,
    new.passed,
    new.is_blocking,
    new.figure,
    new.detail
FROM new_checks AS new LEFT JOIN latest USING (table_name, check_name)
WHERE latest.change IS NULL OR new.passed <> latest.passed OR new.figure IS DISTINCT FROM latest.figure
ORDER BY new.table_name, new.check_name
