SELECT replace(origin_kind, '_', ' ') AS item, count(*) AS rows_checked, count(*) FILTER (NOT is_used) AS rows_failed
FROM ledger.odometer_curve
GROUP BY origin_kind
