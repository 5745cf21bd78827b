SELECT site AS item, count(*) AS rows_checked, count(*) FILTER (repair_method = 'unstated') AS rows_failed
FROM ledger.cover_work JOIN records.work_orders USING (order_id)
WHERE work = 'repair'
GROUP BY site
