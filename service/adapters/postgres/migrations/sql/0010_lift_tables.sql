-- Lift tables kept with a submission, with a posted shaft, or with both: the rows as they were sent, never changed.

CREATE TABLE lift_tables (
    id               uuid PRIMARY KEY,
    submission_id    uuid REFERENCES submissions ON DELETE CASCADE,
    mail_in_id       uuid REFERENCES mail_ins ON DELETE CASCADE,
    key_id           uuid NOT NULL REFERENCES api_keys,
    kept_by          text NOT NULL CHECK (kept_by <> ''),
    kept_at          timestamptz NOT NULL DEFAULT now(),
    sent             jsonb NOT NULL CHECK (jsonb_typeof(sent) = 'object'),
    stored_form      smallint NOT NULL CHECK (stored_form >= 1),
    withdrawn_at     timestamptz,
    withdrawn_key    uuid REFERENCES api_keys,
    withdrawn_by     text CHECK (withdrawn_by <> ''),
    withdrawn_reason text CHECK (withdrawn_reason <> ''),
    CHECK (num_nonnulls(submission_id, mail_in_id) >= 1),
    CHECK (num_nonnulls(withdrawn_at, withdrawn_key, withdrawn_by, withdrawn_reason) IN (0, 4))
);
CREATE INDEX lift_tables_by_submission ON lift_tables (submission_id, id) WHERE submission_id IS NOT NULL;
CREATE INDEX lift_tables_by_mail_in ON lift_tables (mail_in_id, id) WHERE mail_in_id IS NOT NULL;

CREATE FUNCTION lift_tables_stay_as_sent() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NEW.sent IS DISTINCT FROM OLD.sent OR NEW.stored_form IS DISTINCT FROM OLD.stored_form THEN
        RAISE EXCEPTION 'lift tables are kept as they were sent' USING ERRCODE = 'integrity_constraint_violation';
    END IF;
    RETURN NEW;
END $$;
CREATE TRIGGER lift_tables_stay_as_sent BEFORE UPDATE ON lift_tables
    FOR EACH ROW EXECUTE FUNCTION lift_tables_stay_as_sent();
