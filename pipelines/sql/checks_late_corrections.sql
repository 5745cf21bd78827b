SELECT
    format('{} ({} rows)', file, overruled) AS item,
    accepted + superseded AS rows_checked,
    overruled AS rows_failed
FROM audit.loads
WHERE accepted + superseded > 0
