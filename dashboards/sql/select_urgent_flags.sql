SELECT
    flags.*,
    plan.week_start,
    plan.placed,
    plan.reason
FROM flags
LEFT JOIN plan USING (vehicle_id, cover_position)
WHERE list_contains(flags.rules, 'smell_or_drops')
ORDER BY flags.priority, flags.vehicle_id, flags.cover_position;
