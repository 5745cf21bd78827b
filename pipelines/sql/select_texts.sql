-- Every text that is read for statements, with the record and the column it stands in.
SELECT 'note' AS kind, note_id AS record_id, 'text' AS column_name, text
FROM inspection_notes
UNION ALL
SELECT 'order', order_id, 'complaint', complaint
FROM work_orders
WHERE complaint <> ''
UNION ALL
SELECT 'order', order_id, 'work_done', work_done
FROM work_orders
WHERE work_done <> ''
ORDER BY ALL
