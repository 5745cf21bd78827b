SELECT
    episodes.*,
    work_orders.work_done,
    work_orders.complaint
FROM episodes
LEFT JOIN work_orders USING (order_id)
WHERE episodes.comeback
ORDER BY episodes.ended_at DESC, episodes.episode_id
LIMIT $limit;
