DELETE FROM landing.vehicle_changes
WHERE vehicle_id IN (SELECT key FROM touched WHERE key_name = 'vehicle_id');
INSERT INTO landing.vehicle_changes BY NAME
SELECT DISTINCT key AS vehicle_id, $change AS change FROM touched WHERE key_name = 'vehicle_id';
