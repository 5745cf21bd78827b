CREATE TABLE IF NOT EXISTS landing.loads (
    load_id VARCHAR PRIMARY KEY,
    source VARCHAR NOT NULL,
    file VARCHAR NOT NULL,
    kind VARCHAR,
    loaded_at TIMESTAMPTZ NOT NULL,
    content_digest VARCHAR NOT NULL,
    header VARCHAR[],
    source_map JSON,
    problem VARCHAR
);
CREATE TABLE IF NOT EXISTS landing.rows (
    load_id VARCHAR NOT NULL,
    row_number BIGINT NOT NULL,
    cells VARCHAR[]
);
