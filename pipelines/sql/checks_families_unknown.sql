SELECT
    coalesce(array_to_string(min(DISTINCT engine_family, 5) FILTER (is_unknown), ', '), '') AS item,
    count(*) AS rows_checked,
    count(*) FILTER (is_unknown) AS rows_failed
FROM (
    SELECT engine_family, engine_family NOT IN (SELECT engine_family FROM records.engine_families) AS is_unknown
    FROM records.vehicles
)
