WITH held AS (
    SELECT load_id, count(*) AS rows_held
    FROM audit.refused_rows
    WHERE contains(reason, 'held until it arrives')
    GROUP BY load_id
), aged AS (
    SELECT *, row_number() OVER (PARTITION BY source, kind ORDER BY loaded_at DESC, file DESC, load_id DESC) AS age
    FROM audit.loads
)
SELECT file AS item, rows_read AS rows_checked, refused - coalesce(rows_held, 0) AS rows_failed
FROM aged LEFT JOIN held USING (load_id)
WHERE age = 1
