SELECT loads.file, remarks.row_number, remarks.kind, remarks.record_id, remarks.vehicle_id, remarks.remark
FROM remarks
LEFT JOIN loads USING (load_id)
ORDER BY remarks.remark, loads.file, remarks.row_number, remarks.record_id
LIMIT $limit;
