SELECT loads.* EXCLUDE (header, source_map), coalesce(counted.rows_read, 0) AS rows_read
FROM landing.loads
LEFT JOIN (SELECT load_id, count(*) AS rows_read FROM landing.rows GROUP BY load_id) AS counted USING (load_id);
