WITH counts AS (
    SELECT
        load_id,
        count(*) AS rows_read,
        count(*) FILTER (outcome = 'accepted') AS accepted,
        count(*) FILTER (outcome = 'refused') AS refused,
        count(*) FILTER (outcome = 'duplicate') AS duplicate,
        count(*) FILTER (outcome = 'superseded') AS superseded
    FROM landing.outcomes
    GROUP BY load_id
), landed AS (
    SELECT load_id, count(*) AS rows_landed FROM landing.rows GROUP BY load_id
)
SELECT
    loads.* EXCLUDE (header, source_map),
    coalesce(rows_read, rows_landed, 0) AS rows_read,
    coalesce(accepted, 0) AS accepted,
    coalesce(refused, 0) AS refused,
    coalesce(duplicate, 0) AS duplicate,
    coalesce(superseded, rows_landed, 0) AS superseded -- all of a load whose content another map reads today
FROM landing.loads
LEFT JOIN counts USING (load_id)
LEFT JOIN landed USING (load_id);
