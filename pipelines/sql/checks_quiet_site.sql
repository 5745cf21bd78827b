WITH newest AS (
    SELECT max(opened_on) - $recent_days::INTEGER AS recent_after FROM records.work_orders
), counted AS (
    SELECT
        site,
        count(*) FILTER (opened_on > recent_after) AS orders,
        round(
            count(*) FILTER (opened_on <= recent_after AND opened_on > recent_after - 365) * $recent_days / 365
        )::BIGINT AS usual
    FROM records.work_orders, newest
    GROUP BY site
    HAVING min(opened_on) <= any_value(recent_after) - 365
)
SELECT site AS item, usual AS rows_checked, greatest(usual - orders, 0) AS rows_failed
FROM counted
WHERE site IN (SELECT site FROM records.vehicles WHERE out_of_service_on IS NULL)
