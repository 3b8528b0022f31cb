-- The look-alike map of a catalogue revision to whoever has a caliper, under one version of the engine: worked out once.
-- It can be worked out again at any time, so a map may go.

CREATE TABLE look_alike_maps (
    catalogue_revision integer NOT NULL REFERENCES catalogue_revision ON DELETE CASCADE,
    engine_version     text NOT NULL CHECK (engine_version <> ''),
    pairs              jsonb NOT NULL CHECK (jsonb_typeof(pairs) = 'array'),
    made_at            timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (catalogue_revision, engine_version)
);
