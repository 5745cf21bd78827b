SELECT
    plan.*,
    flags.probability,
    flags.horizon_days,
    flags.priority,
    flags.rules,
    flags.reasons
FROM plan
LEFT JOIN flags USING (vehicle_id, cover_position)
ORDER BY plan.week_start NULLS LAST, plan.site, flags.priority, plan.vehicle_id, plan.cover_position;
