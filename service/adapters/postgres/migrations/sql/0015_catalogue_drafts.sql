-- A catalogue that was uploaded, to be looked at, and then published or discarded: what was found in its files, and where
-- it could be read the catalogue itself. `document` is its JSON and `corrected` the sheets as they should be, both deflated.

CREATE TABLE catalogue_draft (
    id         uuid PRIMARY KEY,
    name       text NOT NULL CHECK (name <> ''),
    made_key   uuid NOT NULL REFERENCES api_keys,
    made_by    text NOT NULL,
    made_at    timestamptz NOT NULL DEFAULT now(),
    cores      integer,
    parts      integer,
    findings   jsonb NOT NULL,
    document   bytea,
    corrected  bytea NOT NULL,
    CHECK ((document IS NULL) = (cores IS NULL)),
    CHECK ((document IS NULL) = (parts IS NULL))
);
ALTER TABLE catalogue_draft ALTER COLUMN document SET STORAGE EXTERNAL, ALTER COLUMN corrected SET STORAGE EXTERNAL;
