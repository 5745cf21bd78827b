WITH newest AS (
    SELECT load_id
    FROM loads
    WHERE problem IS NULL
    QUALIFY loaded_at = max(loaded_at) OVER (PARTITION BY file, source)
)

SELECT
    kind,
    column_name,
    reason,
    count(*) AS refused,
    count(*) FILTER (WHERE load_id NOT IN (FROM newest)) AS replaced,
    count(DISTINCT file) AS files
FROM refused_rows
GROUP BY kind, column_name, reason
ORDER BY refused - replaced DESC, refused DESC, kind, column_name, reason;
