UPDATE landing.loads
SET
    file = CASE WHEN $is_first THEN $file ELSE file END,
    also_named = CASE WHEN $is_first THEN NULL ELSE concat_ws(', ', also_named, $file) END
WHERE load_id = $load_id;
