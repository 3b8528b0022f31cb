-- Shafts that are posted in: one row a shaft, one append-only row for everything that happened to it, and photos.

CREATE TYPE mail_in_state AS ENUM
    ('announced', 'received', 'measured', 'reported', 'returned', 'scrapped', 'withdrawn');
CREATE TYPE mail_in_event AS ENUM
    ('announced', 'received', 'moved', 'measured', 'reported', 'consented', 'returned', 'scrapped', 'withdrawn');

-- `place` is where the shaft lies, and is there exactly while it lies here: a shaft has one place or none.
CREATE TABLE mail_ins (
    id            uuid PRIMARY KEY,
    reference     text NOT NULL UNIQUE CHECK (reference ~ '^[1-9][0-9]{7}$'),
    key_id        uuid NOT NULL REFERENCES api_keys,
    submission_id uuid REFERENCES submissions ON DELETE SET NULL,
    row_revision  integer NOT NULL DEFAULT 1 CHECK (row_revision >= 1),
    state         mail_in_state NOT NULL DEFAULT 'announced',
    place         text CHECK (length(place) BETWEEN 1 AND 100),
    unit          length_unit NOT NULL,
    contact       jsonb,
    send_back_to  text[] NOT NULL DEFAULT '{}' CHECK (array_position(send_back_to, NULL) IS NULL),
    note          text,
    consented     boolean NOT NULL DEFAULT false,
    state_since   timestamptz NOT NULL DEFAULT now(),
    due_at        timestamptz,
    announced_at  timestamptz NOT NULL DEFAULT now(),
    CHECK ((place IS NOT NULL) = (state IN ('received', 'measured', 'reported'))),
    CHECK ((due_at IS NULL) = (state IN ('returned', 'scrapped', 'withdrawn'))),
    CHECK (state <> 'scrapped' OR consented)
);
-- One shaft, one journey: a submission has no second shaft on its way or in the house.
CREATE UNIQUE INDEX mail_ins_one_journey ON mail_ins (submission_id)
    WHERE state IN ('announced', 'received', 'measured', 'reported');
CREATE INDEX mail_ins_by_submission ON mail_ins (submission_id);
CREATE INDEX mail_ins_by_state ON mail_ins (state, id);
CREATE INDEX mail_ins_by_key ON mail_ins (key_id, id);
CREATE INDEX mail_ins_due ON mail_ins (due_at) WHERE due_at IS NOT NULL;

-- Who, when, where. An event is told after it happened, give or take a clock that runs a little fast.
CREATE TABLE mail_in_events (
    mail_in_id  uuid NOT NULL REFERENCES mail_ins ON DELETE CASCADE,
    number      integer NOT NULL CHECK (number >= 1),
    kind        mail_in_event NOT NULL,
    at          timestamptz NOT NULL,
    recorded_at timestamptz NOT NULL DEFAULT now(),
    key_id      uuid NOT NULL REFERENCES api_keys,
    who         text NOT NULL CHECK (who <> ''),
    place       text NOT NULL CHECK (place <> ''),
    condition   text[] NOT NULL DEFAULT '{}',
    note        text,
    details     jsonb NOT NULL DEFAULT '{}' CHECK (jsonb_typeof(details) = 'object'),
    PRIMARY KEY (mail_in_id, number),
    CHECK (at <= recorded_at + interval '5 minutes')
);

CREATE FUNCTION mail_in_events_are_only_added_to() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'INSERT' THEN
        IF NEW.number <> (SELECT coalesce(max(number), 0) + 1 FROM mail_in_events WHERE mail_in_id = NEW.mail_in_id)
            OR NEW.at < (SELECT max(at) FROM mail_in_events WHERE mail_in_id = NEW.mail_in_id) THEN
            RAISE EXCEPTION 'an event comes after those before it' USING ERRCODE = 'integrity_constraint_violation';
        END IF;
        RETURN NEW;
    END IF;
    RAISE EXCEPTION 'an event of a shaft is never changed' USING ERRCODE = 'integrity_constraint_violation';
END $$;
CREATE TRIGGER mail_in_events_are_only_added_to BEFORE INSERT OR UPDATE ON mail_in_events
    FOR EACH ROW EXECUTE FUNCTION mail_in_events_are_only_added_to();

ALTER TABLE letters ADD FOREIGN KEY (mail_in_id) REFERENCES mail_ins;
CREATE INDEX letters_by_mail_in ON letters (mail_in_id) WHERE mail_in_id IS NOT NULL;

-- Photos as they were made anew here, without what the camera wrote into them. Of a shaft, of a submission, or both.
CREATE TABLE photos (
    id            uuid PRIMARY KEY,
    mail_in_id    uuid REFERENCES mail_ins ON DELETE CASCADE,
    submission_id uuid REFERENCES submissions ON DELETE CASCADE,
    width         integer NOT NULL CHECK (width > 0),
    height        integer NOT NULL CHECK (height > 0),
    image         bytea NOT NULL CHECK (length(image) > 0),
    key_id        uuid NOT NULL REFERENCES api_keys,
    added_by      text NOT NULL CHECK (added_by <> ''),
    added_at      timestamptz NOT NULL DEFAULT now(),
    CHECK (num_nonnulls(mail_in_id, submission_id) = 1)
);
CREATE INDEX photos_by_mail_in ON photos (mail_in_id, id) WHERE mail_in_id IS NOT NULL;
CREATE INDEX photos_by_submission ON photos (submission_id, id) WHERE submission_id IS NOT NULL;
