SELECT
    kind,
    column_name,
    reason,
    count(*) AS refused,
    count(DISTINCT file) AS files
FROM refused_rows
GROUP BY kind, column_name, reason
ORDER BY refused DESC, kind, column_name, reason;
