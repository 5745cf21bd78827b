CREATE TEMP TABLE stale_loads AS
SELECT load_id, readings.reading
FROM readings
FULL JOIN landing.typed_loads AS typed USING (load_id)
WHERE readings.reading IS DISTINCT FROM typed.reading;
CREATE TEMP TABLE late_rows AS
SELECT load_id, row_number
FROM landing.outcomes
ANTI JOIN stale_loads USING (load_id)
WHERE starts_with(reason, $late) AND $as_of > (SELECT as_of FROM landing.built_tables WHERE table_name = 'records');
