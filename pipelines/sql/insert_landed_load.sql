INSERT OR IGNORE INTO landing.loads BY NAME
SELECT
    $load_id AS load_id,
    $source AS source,
    $file AS file,
    $kind AS kind,
    $loaded_at AS loaded_at,
    $content_digest AS content_digest,
    $header AS header,
    $source_map AS source_map,
    $problem AS problem,
    $sheets_alike AS sheets_alike;
