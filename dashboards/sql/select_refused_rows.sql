WITH newest AS (
    SELECT load_id
    FROM loads
    WHERE problem IS NULL
    QUALIFY loaded_at = max(loaded_at) OVER (PARTITION BY file, source)
)

SELECT
    *,
    load_id NOT IN (FROM newest) AS is_replaced
FROM refused_rows
ORDER BY is_replaced, file, row_number
LIMIT $limit;
