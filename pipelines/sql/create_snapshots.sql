CREATE TABLE IF NOT EXISTS audit.snapshots (
    snapshot_id VARCHAR PRIMARY KEY,
    published_at TIMESTAMPTZ NOT NULL,
    as_of DATE NOT NULL,
    settings_json VARCHAR NOT NULL,
    input_digest VARCHAR NOT NULL
);
