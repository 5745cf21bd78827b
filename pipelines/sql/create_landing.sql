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
ALTER TABLE landing.loads ADD COLUMN IF NOT EXISTS also_named VARCHAR;
ALTER TABLE landing.loads ADD COLUMN IF NOT EXISTS sheets_alike VARCHAR[]; -- a workbook's sheets with the load's header
CREATE TABLE IF NOT EXISTS landing.pieces (
    load_id VARCHAR NOT NULL,
    row_count BIGINT NOT NULL,
    whole BLOB, -- Parquet: row_number and a column of text for each place of the header
    ragged BLOB -- Parquet: row_number and the list of cells of rows with another number of cells than the header
);
CREATE TABLE IF NOT EXISTS landing.typed_loads (
    load_id VARCHAR NOT NULL,
    reading VARCHAR NOT NULL
);
CREATE TABLE IF NOT EXISTS landing.outcomes (
    load_id VARCHAR NOT NULL,
    row_number BIGINT NOT NULL,
    outcome VARCHAR NOT NULL,
    column_name VARCHAR,
    value VARCHAR,
    reason VARCHAR
);
CREATE TABLE IF NOT EXISTS landing.vehicle_changes (
    vehicle_id VARCHAR NOT NULL,
    change BIGINT NOT NULL
);
CREATE TABLE IF NOT EXISTS landing.built_tables (
    table_name VARCHAR NOT NULL,
    made_by VARCHAR NOT NULL,
    change BIGINT NOT NULL,
    as_of DATE NOT NULL
);
