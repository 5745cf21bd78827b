WITH arrived AS (
    SELECT kind, sum(rows_read)::BIGINT AS rows_read FROM audit.loads WHERE kind IS NOT NULL GROUP BY kind
), held AS (
    SELECT kind, count(*) AS rows_held, min(DISTINCT value, 3) AS examples
    FROM audit.refused_rows
    WHERE contains(reason, 'held until it arrives')
    GROUP BY kind
)
SELECT
    kind || coalesce(' (' || array_to_string(examples, ', ') || ')', '') AS item,
    rows_read AS rows_checked,
    coalesce(rows_held, 0) AS rows_failed
FROM arrived LEFT JOIN held USING (kind)
