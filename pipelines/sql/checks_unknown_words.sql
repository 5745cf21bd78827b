WITH newest AS (
    SELECT source, text
    FROM records.inspection_notes JOIN audit.loads USING (load_id)
    QUALIFY row_number() OVER (PARTITION BY source ORDER BY noted_at DESC, note_id DESC) <= 1_000
), said AS (
    SELECT source, unnest(regexp_extract_all(lower(text), '\p{L}{3,}')) AS word FROM newest
)
SELECT
    source AS item,
    count(*) AS rows_checked,
    count(*) FILTER (word NOT IN (SELECT word FROM known_words)) AS rows_failed
FROM said
GROUP BY source
