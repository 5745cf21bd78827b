WITH aged AS (
    SELECT
        file, source, rows_read,
        row_number() OVER (PARTITION BY source, kind ORDER BY loaded_at DESC, file DESC, load_id DESC) AS age,
        median(rows_read) OVER before AS usual,
        count(*) OVER before AS loads_before
    FROM audit.loads
    WHERE problem IS NULL
    WINDOW before AS (
        PARTITION BY source, kind ORDER BY loaded_at, file, load_id
        ROWS BETWEEN $loads_compared PRECEDING AND 1 PRECEDING
    )
)
SELECT
    format('{} ({} rows where {} are usual of {})', file, rows_read, round(usual)::BIGINT, source) AS item,
    greatest(rows_read, round(usual)::BIGINT) AS rows_checked,
    abs(rows_read - round(usual)::BIGINT) AS rows_failed
FROM aged
WHERE age = 1 AND loads_before >= 2
