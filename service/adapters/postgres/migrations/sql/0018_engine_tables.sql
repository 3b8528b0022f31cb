-- A catalogue revision as the engine reads it, made once and read by every process: one array, or one list, a row.
-- Nothing is in it that could not be made again.

CREATE TABLE engine_tables (
    catalogue_revision integer NOT NULL REFERENCES catalogue_revision ON DELETE CASCADE,
    engine_version     text NOT NULL CHECK (engine_version <> ''),
    table_form         integer NOT NULL,
    name               text NOT NULL CHECK (name <> ''),
    form               text NOT NULL,
    shape              bigint[] NOT NULL,
    value              bytea NOT NULL,
    PRIMARY KEY (catalogue_revision, engine_version, table_form, name)
);
ALTER TABLE engine_tables ALTER COLUMN value SET STORAGE EXTERNAL;
