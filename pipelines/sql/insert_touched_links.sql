INSERT INTO touched
SELECT '{key_name}', {key_name}
FROM typed.{kind}
WHERE vehicle_id IN (SELECT key FROM touched WHERE key_name = 'vehicle_id') AND {key_name} IS NOT NULL
EXCEPT FROM touched;
INSERT INTO touched
SELECT 'vehicle_id', vehicle_id
FROM typed.{kind}
WHERE {key_name} IN (SELECT key FROM touched WHERE key_name = '{key_name}')
EXCEPT FROM touched;
