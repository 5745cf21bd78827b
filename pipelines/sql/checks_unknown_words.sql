WITH newest AS (
    SELECT source, unnest(max_by(text, (noted_at, note_id), 1_000)) AS text
    FROM records.inspection_notes JOIN audit.loads USING (load_id)
    GROUP BY source
), said AS (
    SELECT source, unnest(regexp_extract_all(lower(text), '\p{L}{3,}')) AS word FROM newest
)
SELECT
    source AS item,
    count(*) AS rows_checked,
    count(*) FILTER (word NOT IN (SELECT word FROM known_words)) AS rows_failed
FROM said
GROUP BY source
