-- Constants of the measuring model as they were refitted to confirmed cases: one row a refit that was put to use. None
-- is active before the first, or where the desk went back to the constants of the code.

CREATE TABLE engine_versions (
    number             integer PRIMARY KEY CHECK (number >= 1),
    name               text NOT NULL UNIQUE GENERATED ALWAYS AS ('c' || number::text) STORED,
    code_version       text NOT NULL CHECK (code_version <> ''),
    constants          jsonb NOT NULL CHECK (jsonb_typeof(constants) = 'object'),
    factors            jsonb NOT NULL CHECK (jsonb_typeof(factors) = 'array'),
    catalogue_revision integer NOT NULL REFERENCES catalogue_revision,
    cases              uuid[] NOT NULL CHECK (array_position(cases, NULL) IS NULL),
    fitted             integer NOT NULL CHECK (fitted >= 1),
    held_out           integer NOT NULL CHECK (held_out >= 1),
    score_before       double precision NOT NULL,
    score_after        double precision NOT NULL,
    made_by            text NOT NULL CHECK (made_by <> ''),
    made_at            timestamptz NOT NULL DEFAULT now(),
    active             boolean NOT NULL DEFAULT false
);
CREATE UNIQUE INDEX engine_versions_one_active ON engine_versions (active) WHERE active;

-- Answers are reproduced from these rows, so all but which one is in use stays as it was written. The cases are named by
-- their ids alone and may be erased since: hence no foreign key.
CREATE FUNCTION engine_versions_stay_as_written() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    -- the name follows from the number, and is not worked out yet
    IF TG_OP = 'DELETE' OR to_jsonb(NEW) - '{active,name}'::text[] IS DISTINCT FROM to_jsonb(OLD) - '{active,name}'::text[]
    THEN
        RAISE EXCEPTION 'an engine version stays as it was written' USING ERRCODE = 'insufficient_privilege';
    END IF;
    RETURN NEW;
END;
$$;
CREATE TRIGGER engine_versions_no_rewriting BEFORE UPDATE OR DELETE ON engine_versions
    FOR EACH ROW EXECUTE FUNCTION engine_versions_stay_as_written();
