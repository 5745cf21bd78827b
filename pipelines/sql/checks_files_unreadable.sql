SELECT
    coalesce(array_to_string((list(file ORDER BY file) FILTER (problem IS NOT NULL))[1:5], ', '), '') AS item,
    count(*) AS rows_checked,
    count(problem) AS rows_failed
FROM audit.loads
