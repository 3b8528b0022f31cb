-- The bench's measuring instruments, their calibrations, and the conditions that lift tables were taken under.

CREATE TABLE bench_instruments (
    id             uuid PRIMARY KEY,
    name           text NOT NULL CHECK (length(name) BETWEEN 1 AND 100),
    serial         text CHECK (length(serial) BETWEEN 1 AND 100),
    kind           text NOT NULL CHECK (kind IN ('digital_caliper', 'dial_caliper', 'vernier_caliper',
        'outside_micrometer', 'dial_indicator', 'degree_wheel', 'protractor', 'bench')),
    resolution     numeric NOT NULL CHECK (resolution > 0),
    scale          text NOT NULL CHECK (scale IN ('in', 'mm', 'deg')),
    key_id         uuid NOT NULL REFERENCES api_keys,
    added_by       text NOT NULL CHECK (added_by <> ''),
    added_at       timestamptz NOT NULL DEFAULT now(),
    retired_at     timestamptz,
    retired_key    uuid REFERENCES api_keys,
    retired_by     text CHECK (retired_by <> ''),
    retired_reason text CHECK (retired_reason <> ''),
    CHECK ((scale = 'deg') = (kind IN ('degree_wheel', 'protractor'))),
    CHECK (num_nonnulls(retired_at, retired_key, retired_by, retired_reason) IN (0, 4))
);
CREATE UNIQUE INDEX bench_instruments_in_use ON bench_instruments (name) WHERE retired_at IS NULL;

CREATE TABLE instrument_calibrations (
    id            uuid PRIMARY KEY,
    instrument_id uuid NOT NULL REFERENCES bench_instruments,
    calibrated_on date NOT NULL,
    due_on        date NOT NULL,
    calibrated_by text NOT NULL CHECK (calibrated_by <> ''),
    certificate   text CHECK (certificate <> ''),
    key_id        uuid NOT NULL REFERENCES api_keys,
    recorded_by   text NOT NULL CHECK (recorded_by <> ''),
    recorded_at   timestamptz NOT NULL DEFAULT now(),
    CHECK (due_on > calibrated_on)
);
CREATE INDEX instrument_calibrations_latest ON instrument_calibrations (instrument_id, calibrated_on DESC, id DESC);

CREATE FUNCTION calibrations_are_only_added_to() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'a calibration is never changed' USING ERRCODE = 'integrity_constraint_violation';
END $$;
CREATE TRIGGER calibrations_are_only_added_to BEFORE UPDATE OR DELETE ON instrument_calibrations
    FOR EACH ROW EXECUTE FUNCTION calibrations_are_only_added_to();

ALTER TABLE lift_tables ADD COLUMN bench jsonb CHECK (jsonb_typeof(bench) = 'object');
CREATE OR REPLACE FUNCTION lift_tables_stay_as_sent() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.sent IS DISTINCT FROM OLD.sent OR NEW.stored_form IS DISTINCT FROM OLD.stored_form
        OR NEW.bench IS DISTINCT FROM OLD.bench THEN
        RAISE EXCEPTION 'lift tables are kept as they were sent' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END $$;
