WITH reasons AS (
    SELECT vehicle_id, 1 AS rank, NULL AS repaired_at FROM flags
    UNION ALL SELECT vehicle_id, 1, NULL FROM leaks_out_of_sight
    UNION ALL SELECT vehicle_id, 2, repaired_at FROM episodes
)
SELECT vehicle_id
FROM reasons
GROUP BY vehicle_id
ORDER BY min(rank), max(repaired_at) DESC, vehicle_id
LIMIT $limit;
