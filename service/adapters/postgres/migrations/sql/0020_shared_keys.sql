-- Keys at which several people sit: what is done with one has to say by whom.

ALTER TABLE api_keys
    ADD COLUMN shared boolean NOT NULL DEFAULT false,
    ADD CHECK (NOT (shared AND role = 'widget'));
