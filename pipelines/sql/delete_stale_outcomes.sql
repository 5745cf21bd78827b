DELETE FROM landing.outcomes WHERE load_id IN (SELECT load_id FROM stale_loads);
DELETE FROM landing.outcomes AS outcomes
USING late_rows AS again
WHERE outcomes.load_id = again.load_id AND outcomes.row_number = again.row_number;
