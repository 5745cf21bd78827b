WITH turned AS (
    SELECT
        table_name, check_name, change, checked_at, passed, detail,
        passed IS DISTINCT FROM lag(passed) OVER (PARTITION BY table_name, check_name ORDER BY change) AS is_turn
    FROM check_history
), told AS (
    SELECT
        table_name,
        check_name,
        max(checked_at) FILTER (is_turn) AS since,
        max(change) FILTER (is_turn) AS turned_at_change,
        min(change) AS first_kept_change,
        list({'checked_at': checked_at, 'passed': passed, 'detail': detail} ORDER BY change DESC)[2:11] AS earlier
    FROM turned
    GROUP BY table_name, check_name
)
SELECT
    checks.*,
    since,
    coalesce(first_kept_change > 1 AND turned_at_change = first_kept_change, false) AS is_since_before,
    coalesce(earlier, []) AS earlier
FROM checks LEFT JOIN told USING (table_name, check_name)
ORDER BY passed, is_blocking DESC, threshold = 0, layer, table_name, check_name
