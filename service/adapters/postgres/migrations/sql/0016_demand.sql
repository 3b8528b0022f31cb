-- What confirmed cases say of which parts callers have, kept with the version that answers by it. Versions of before say
-- nothing of it: under them each part has the catalogue's own share.

ALTER TABLE engine_versions
    ADD COLUMN demand jsonb NOT NULL DEFAULT '{"callers": {}, "core_spread": 0, "part_spread": 0}'
        CHECK (jsonb_typeof(demand) = 'object');
