WITH watched AS (
    SELECT vehicle_id FROM records.inspection_notes
    UNION SELECT vehicle_id FROM records.oil_top_ups
)
SELECT
    site AS item,
    count(*) AS rows_checked,
    count(*) FILTER (vehicle_id NOT IN (SELECT vehicle_id FROM watched)) AS rows_failed
FROM records.vehicles
WHERE vehicle_id IN (SELECT vehicle_id FROM records.work_orders)
GROUP BY site
