INSERT INTO landing.rows BY NAME
SELECT $load_id AS load_id, row_number, cells FROM batch;
