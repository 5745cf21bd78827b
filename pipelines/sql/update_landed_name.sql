UPDATE landing.loads
SET
    file = least(file, $file),
    also_named = CASE WHEN file < $file THEN concat_ws(', ', also_named, $file) ELSE also_named END
WHERE load_id = $load_id AND file <> $file;
