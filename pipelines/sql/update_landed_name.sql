UPDATE landing.loads
SET file = $file
WHERE load_id = $load_id AND $file < file;
