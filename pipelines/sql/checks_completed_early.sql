SELECT site AS item, count(*) AS rows_checked, count(*) FILTER (completed_on < opened_on) AS rows_failed
FROM records.work_orders
WHERE completed_on IS NOT NULL
GROUP BY site
