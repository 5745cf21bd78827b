WITH counts AS (
    SELECT
        load_id,
        count(*) FILTER (outcome = 'accepted') AS accepted,
        count(*) FILTER (outcome = 'refused') AS refused,
        count(*) FILTER (outcome = 'duplicate') AS duplicate,
        count(*) FILTER (outcome = 'superseded') AS superseded
    FROM landing.outcomes
    GROUP BY load_id
), keyed AS (
    SELECT 'engine_families' AS kind, engine_family AS key, load_id, row_number FROM typed.engine_families
    UNION ALL SELECT 'vehicles', vehicle_id, load_id, row_number FROM typed.vehicles
    UNION ALL SELECT 'engine_fitments', concat_ws('|', vehicle_id, engine_id, fitted_on), load_id, row_number
    FROM typed.engine_fitments
    UNION ALL SELECT 'work_orders', order_id, load_id, row_number FROM typed.work_orders
    UNION ALL SELECT 'repair_records', concat_ws('|', order_id, cover_position), load_id, row_number
    FROM typed.repair_records
    UNION ALL SELECT 'inspection_notes', note_id, load_id, row_number FROM typed.inspection_notes
), late AS (
    SELECT keyed.*, loaded_at
    FROM keyed
    JOIN landing.outcomes USING (load_id, row_number)
    JOIN landing.loads USING (load_id)
    WHERE outcome = 'superseded'
), standing AS (
    SELECT told.kind, told.key, loaded_at
    FROM (FROM keyed SEMI JOIN late USING (kind, key)) AS told
    JOIN landing.outcomes USING (load_id, row_number)
    JOIN landing.loads USING (load_id)
    WHERE outcome = 'accepted'
), overruled_rows AS (
    SELECT load_id, count(*) AS overruled
    FROM late
    SEMI JOIN standing
        ON late.kind = standing.kind AND late.key = standing.key AND standing.loaded_at < late.loaded_at
    GROUP BY load_id
), landed AS (
    SELECT load_id, sum(row_count)::BIGINT AS rows_read FROM landing.pieces GROUP BY load_id
), set_aside AS (
    -- loads whose content another map reads today
    SELECT load_id, rows_read AS superseded_whole FROM landed ANTI JOIN landing.typed_loads USING (load_id)
)
SELECT
    loads.* EXCLUDE (header, source_map, sheets_alike),
    coalesce(rows_read, 0) AS rows_read,
    coalesce(accepted, 0) AS accepted,
    coalesce(refused, 0) AS refused,
    coalesce(duplicate, 0) AS duplicate,
    coalesce(overruled, 0) AS overruled,
    coalesce(superseded_whole, superseded, 0) AS superseded
FROM landing.loads
LEFT JOIN counts USING (load_id)
LEFT JOIN landed USING (load_id)
LEFT JOIN set_aside USING (load_id)
LEFT JOIN overruled_rows USING (load_id);
