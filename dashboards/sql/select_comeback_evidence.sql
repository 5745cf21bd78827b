WITH shown AS (
    SELECT episode_id, evidence_ids
    FROM episodes
    WHERE comeback
    ORDER BY ended_at DESC, episode_id
    LIMIT $limit
),
cited AS (
    SELECT episode_id, unnest(evidence_ids) AS evidence_id FROM shown
)
SELECT
    cited.episode_id,
    evidence.*,
    CASE evidence.origin_field
        WHEN 'text' THEN inspection_notes.text
        WHEN 'complaint' THEN work_orders.complaint
        ELSE work_orders.work_done
    END AS full_text
FROM cited
INNER JOIN evidence USING (evidence_id)
LEFT JOIN inspection_notes
    ON evidence.origin_kind = 'inspection_notes' AND evidence.origin_id = inspection_notes.note_id
LEFT JOIN work_orders
    ON evidence.origin_kind = 'work_orders' AND evidence.origin_id = work_orders.order_id
ORDER BY cited.episode_id, evidence.noted_at, evidence.origin_id, evidence.origin_field, evidence.span_start;
