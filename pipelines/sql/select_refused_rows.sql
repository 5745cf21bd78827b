SELECT load_id, file, row_number, kind, column_name, value, reason
FROM landing.outcomes
JOIN landing.loads USING (load_id)
WHERE outcome = 'refused';
