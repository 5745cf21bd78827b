SELECT * FROM refused_rows
ORDER BY file, row_number
LIMIT $limit;
