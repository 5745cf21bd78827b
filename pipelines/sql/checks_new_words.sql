WITH newest_first AS (
    SELECT text, row_number() OVER (ORDER BY noted_at DESC, note_id DESC) AS age
    FROM (FROM records.inspection_notes ORDER BY noted_at DESC, note_id DESC LIMIT 22_000)
), said AS (
    SELECT age <= 2_000 AS is_new, unnest(regexp_extract_all(lower(text), '\p{L}{3,}')) AS word FROM newest_first
), heard AS (
    SELECT word FROM said WHERE NOT is_new
    UNION SELECT word FROM known_words
)
SELECT
    coalesce('words like ' || array_to_string(min(DISTINCT word, 5) FILTER (is_unheard), ', '), '') AS item,
    count(*) AS rows_checked,
    count(*) FILTER (is_unheard) AS rows_failed
FROM (SELECT word, word NOT IN (SELECT word FROM heard) AS is_unheard FROM said WHERE is_new)
WHERE (SELECT count(*) FROM newest_first) >= 4_000
