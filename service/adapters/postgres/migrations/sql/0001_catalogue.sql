-- The catalogue: revisions that are never changed once made, of which exactly one is active.
-- Lengths are exact millimetres (an inch of 8 decimals times 25.4 has 9); `unit` is the one they were stated in.

CREATE DOMAIN length_unit AS text CHECK (VALUE IN ('in', 'mm'));

CREATE TABLE catalogue_revision (
    number integer PRIMARY KEY CHECK (number > 0),
    state text NOT NULL CHECK (state IN ('loading', 'active', 'retired')),
    made_by text NOT NULL CHECK (made_by <> ''),
    reason text NOT NULL,
    made_at timestamptz NOT NULL DEFAULT now(),
    cores integer NOT NULL CHECK (cores > 0),
    parts integer NOT NULL CHECK (parts > 0)
);
CREATE UNIQUE INDEX catalogue_revision_one_active ON catalogue_revision (state) WHERE state = 'active';

CREATE TABLE catalogue_core (
    revision integer NOT NULL REFERENCES catalogue_revision (number),
    code text NOT NULL CHECK (code <> ''),
    place integer NOT NULL CHECK (place >= 0),
    name text NOT NULL CHECK (name <> ''),
    unit length_unit NOT NULL,
    engine_families text[] NOT NULL CHECK (array_position(engine_families, NULL) IS NULL),
    gear_teeth integer CHECK (gear_teeth > 0),
    overall_length_mm numeric(13, 9) CHECK (overall_length_mm > 0),
    PRIMARY KEY (revision, code),
    UNIQUE (revision, place)
);

CREATE TABLE catalogue_journal (
    revision integer NOT NULL,
    core text NOT NULL,
    position text NOT NULL CHECK (position IN ('front', 'middle', 'rear')),
    place integer NOT NULL CHECK (place >= 0),
    diameter_mm numeric(13, 9) NOT NULL CHECK (diameter_mm > 0),
    minus_mm numeric(13, 9) CHECK (minus_mm >= 0 AND minus_mm < diameter_mm),
    plus_mm numeric(13, 9) CHECK (plus_mm >= 0),
    PRIMARY KEY (revision, core, position),
    FOREIGN KEY (revision, core) REFERENCES catalogue_core (revision, code),
    CHECK ((minus_mm IS NULL) = (plus_mm IS NULL))
);

CREATE TABLE catalogue_part (
    revision integer NOT NULL,
    part_number text NOT NULL CHECK (part_number <> ''),
    place integer NOT NULL CHECK (place >= 0),
    core text NOT NULL,
    unit length_unit NOT NULL,
    title text NOT NULL,
    status text NOT NULL CHECK (status IN ('current', 'superseded', 'discontinued')),
    superseded_by text CHECK (superseded_by <> part_number),
    units_sold integer CHECK (units_sold >= 0),
    lobe_separation_cam_deg numeric(6, 3) CHECK (lobe_separation_cam_deg > 0 AND lobe_separation_cam_deg < 360),
    PRIMARY KEY (revision, part_number),
    UNIQUE (revision, place),
    FOREIGN KEY (revision, core) REFERENCES catalogue_core (revision, code),
    FOREIGN KEY (revision, superseded_by) REFERENCES catalogue_part (revision, part_number)
        DEFERRABLE INITIALLY DEFERRED,
    CHECK (superseded_by IS NULL OR status = 'superseded')
);
CREATE INDEX catalogue_part_by_core ON catalogue_part (revision, core, part_number);
CREATE INDEX catalogue_part_by_beginning ON catalogue_part (revision, upper(part_number) COLLATE "C");

CREATE TABLE catalogue_lobe (
    revision integer NOT NULL,
    part_number text NOT NULL,
    lobe text NOT NULL CHECK (lobe IN ('intake', 'exhaust')),
    lift_mm numeric(13, 9) NOT NULL CHECK (lift_mm > 0),
    base_circle_mm numeric(13, 9) NOT NULL CHECK (base_circle_mm > 0),
    height_mm numeric(13, 9) NOT NULL GENERATED ALWAYS AS (base_circle_mm + lift_mm) STORED,
    lash_mm numeric(13, 9) CHECK (lash_mm >= 0),
    rocker_ratio numeric(8, 5) CHECK (rocker_ratio > 0),
    lift_minus_mm numeric(13, 9) CHECK (lift_minus_mm >= 0 AND lift_minus_mm < lift_mm),
    lift_plus_mm numeric(13, 9) CHECK (lift_plus_mm >= 0),
    base_circle_minus_mm numeric(13, 9) CHECK (base_circle_minus_mm >= 0 AND base_circle_minus_mm < base_circle_mm),
    base_circle_plus_mm numeric(13, 9) CHECK (base_circle_plus_mm >= 0),
    PRIMARY KEY (revision, part_number, lobe),
    FOREIGN KEY (revision, part_number) REFERENCES catalogue_part (revision, part_number),
    CHECK (lift_mm < height_mm),
    CHECK (lift_mm < base_circle_mm),
    CHECK ((lift_minus_mm IS NULL) = (lift_plus_mm IS NULL)),
    CHECK ((base_circle_minus_mm IS NULL) = (base_circle_plus_mm IS NULL))
);

CREATE TABLE catalogue_duration (
    revision integer NOT NULL,
    part_number text NOT NULL,
    lobe text NOT NULL,
    checking_lift_mm numeric(13, 9) NOT NULL CHECK (checking_lift_mm > 0),
    crank_deg numeric(6, 3) NOT NULL CHECK (crank_deg > 0 AND crank_deg < 720),
    PRIMARY KEY (revision, part_number, lobe, checking_lift_mm),
    FOREIGN KEY (revision, part_number, lobe) REFERENCES catalogue_lobe (revision, part_number, lobe)
);

CREATE TABLE catalogue_lift_table (
    revision integer NOT NULL,
    part_number text NOT NULL,
    lobe text NOT NULL,
    follower text NOT NULL CHECK (follower IN ('flat', 'roller', 'point')),
    roller_radius_mm numeric(13, 9) CHECK (roller_radius_mm > 0),
    cam_deg numeric(7, 4)[] NOT NULL CHECK (array_position(cam_deg, NULL) IS NULL),
    lift_mm numeric(13, 9)[] NOT NULL CHECK (array_position(lift_mm, NULL) IS NULL),
    PRIMARY KEY (revision, part_number, lobe),
    FOREIGN KEY (revision, part_number, lobe) REFERENCES catalogue_lobe (revision, part_number, lobe),
    CHECK ((follower = 'roller') = (roller_radius_mm IS NOT NULL)),
    CHECK (cardinality(cam_deg) >= 2 AND cardinality(cam_deg) = cardinality(lift_mm)),
    CHECK (array_position(cam_deg, 0) IS NOT NULL)
);

-- What no constraint on one row can say is checked when a revision is made active. The rows have only just come, so the
-- planner knows nothing of their number and must be kept from joining them row by row.
CREATE FUNCTION catalogue_revision_guard() RETURNS trigger LANGUAGE plpgsql SET enable_nestloop = off AS $$
DECLARE
    wrong text;
BEGIN
    IF TG_OP = 'DELETE' THEN
        RAISE EXCEPTION 'a catalogue revision is never deleted' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF (OLD.number, OLD.made_by, OLD.reason, OLD.made_at, OLD.cores, OLD.parts)
        IS DISTINCT FROM (NEW.number, NEW.made_by, NEW.reason, NEW.made_at, NEW.cores, NEW.parts)
        OR (OLD.state <> NEW.state AND NEW.state = 'loading') THEN
        RAISE EXCEPTION 'a catalogue revision is never changed' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    IF OLD.state = 'loading' AND NEW.state <> 'loading' THEN
        IF (SELECT count(*) FROM catalogue_core WHERE revision = NEW.number) <> NEW.cores
            OR (SELECT count(*) FROM catalogue_part WHERE revision = NEW.number) <> NEW.parts THEN
            wrong := 'it has other numbers of cores or parts than it states';
        ELSIF (SELECT count(DISTINCT part_number) FROM catalogue_lobe WHERE revision = NEW.number) <> NEW.parts THEN
            wrong := 'a part has no lobe';
        ELSIF (SELECT count(DISTINCT core) FROM catalogue_journal WHERE revision = NEW.number) <> NEW.cores THEN
            wrong := 'a core has no journal';
        ELSIF EXISTS (
            SELECT FROM catalogue_duration d JOIN catalogue_lobe l USING (revision, part_number, lobe)
            WHERE revision = NEW.number AND d.checking_lift_mm >= l.lift_mm
        ) THEN
            wrong := 'a checking lift is not below the lift';
        ELSIF EXISTS (
            SELECT FROM (
                SELECT crank_deg - lag(crank_deg) OVER (PARTITION BY part_number, lobe ORDER BY checking_lift_mm) AS rise
                FROM catalogue_duration WHERE revision = NEW.number
            ) AS steps WHERE rise >= 0
        ) THEN
            wrong := 'a duration does not fall as its checking lift rises';
        END IF;
        IF wrong IS NOT NULL THEN
            RAISE EXCEPTION 'this catalogue revision cannot be made active: %', wrong
                USING ERRCODE = 'integrity_constraint_violation';
        END IF;
    END IF;
    RETURN NEW;
END $$;

CREATE TRIGGER catalogue_revision_guard BEFORE UPDATE OR DELETE ON catalogue_revision
    FOR EACH ROW EXECUTE FUNCTION catalogue_revision_guard();

CREATE FUNCTION catalogue_rows_stay() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'rows of the catalogue are never changed; import a new revision'
        USING ERRCODE = 'integrity_constraint_violation';
END $$;

CREATE FUNCTION catalogue_rows_come_while_loading() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (
        SELECT FROM (SELECT DISTINCT revision FROM added) AS a JOIN catalogue_revision r ON r.number = a.revision
        WHERE r.state <> 'loading'
    ) THEN
        RAISE EXCEPTION 'a catalogue revision takes no rows once it has been active'
            USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NULL;
END $$;

DO $$
DECLARE
    t text;
BEGIN
    FOREACH t IN ARRAY ARRAY['core', 'journal', 'part', 'lobe', 'duration', 'lift_table'] LOOP
        EXECUTE format(
            'CREATE TRIGGER catalogue_%1$s_stays BEFORE UPDATE OR DELETE ON catalogue_%1$s
             FOR EACH ROW EXECUTE FUNCTION catalogue_rows_stay()', t);
        EXECUTE format(
            'CREATE TRIGGER catalogue_%1$s_comes_while_loading AFTER INSERT ON catalogue_%1$s
             REFERENCING NEW TABLE AS added FOR EACH STATEMENT EXECUTE FUNCTION catalogue_rows_come_while_loading()', t);
    END LOOP;
END $$;
