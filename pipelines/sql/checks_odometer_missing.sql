WITH readings AS (
    SELECT load_id, odometer_km FROM records.work_orders
    UNION ALL SELECT load_id, odometer_km FROM records.oil_top_ups
    UNION ALL SELECT load_id, odometer_km FROM records.inspection_notes
)
SELECT source AS item, count(*) AS rows_checked, count(*) FILTER (odometer_km IS NULL) AS rows_failed
FROM readings JOIN audit.loads USING (load_id)
GROUP BY source
