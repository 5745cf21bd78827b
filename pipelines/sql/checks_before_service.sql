WITH dated AS (
    SELECT 'work orders' AS kind, vehicle_id, opened_on AS on_day FROM records.work_orders
    UNION ALL SELECT 'top-ups', vehicle_id, topped_up_on FROM records.oil_top_ups
    UNION ALL SELECT 'notes', vehicle_id, noted_on FROM records.inspection_notes
)
SELECT kind AS item, count(*) AS rows_checked, count(*) FILTER (on_day < in_service_on) AS rows_failed
FROM dated JOIN records.vehicles USING (vehicle_id)
GROUP BY kind
