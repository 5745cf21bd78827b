WITH dated AS (
    SELECT load_id, opened_on AS on_day FROM records.work_orders
    UNION ALL SELECT load_id, topped_up_on FROM records.oil_top_ups
    UNION ALL SELECT load_id, noted_on FROM records.inspection_notes
    UNION ALL SELECT load_id, read_on FROM records.odometer_readings
)
SELECT file AS item, count(*) AS rows_checked, count(*) FILTER (day(on_day) <= 12) AS rows_failed
FROM dated JOIN audit.loads USING (load_id)
GROUP BY load_id, file
HAVING count(DISTINCT on_day) >= 20 AND max(on_day) - min(on_day) >= 60
