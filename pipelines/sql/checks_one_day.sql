WITH daily AS (
    SELECT load_id, on_day, count(*) AS rows_of_day
    FROM (
        SELECT load_id, opened_on AS on_day FROM records.work_orders
        UNION ALL SELECT load_id, topped_up_on FROM records.oil_top_ups
        UNION ALL SELECT load_id, noted_on FROM records.inspection_notes
        UNION ALL SELECT load_id, read_on FROM records.odometer_readings
    )
    GROUP BY load_id, on_day
)
SELECT
    format('{} ({})', file, arg_max(on_day, (rows_of_day, on_day))) AS item,
    sum(rows_of_day)::BIGINT AS rows_checked,
    max(rows_of_day) AS rows_failed
FROM daily JOIN audit.loads USING (load_id)
GROUP BY load_id, file
HAVING count(*) >= 20
