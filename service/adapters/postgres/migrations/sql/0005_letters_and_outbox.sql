-- Letters as they were issued, where webhooks go, and the outbox: what is to leave the house, from the transaction that
-- makes what it tells until the other side has acknowledged it.

CREATE TABLE letters (
    id            uuid PRIMARY KEY,
    submission_id uuid NOT NULL REFERENCES submissions ON DELETE CASCADE,
    mail_in_id    uuid,
    round         integer NOT NULL CHECK (round >= 1),
    subject       text NOT NULL CHECK (subject <> ''),
    addressee     text,
    html          text NOT NULL,
    plain         text NOT NULL,
    pdf           bytea NOT NULL,
    issued_key    uuid NOT NULL REFERENCES api_keys,
    issued_by     text NOT NULL CHECK (issued_by <> ''),
    issued_at     timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX letters_by_submission ON letters (submission_id, id);

CREATE FUNCTION letters_stay_as_issued() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'a letter is never changed once it is issued' USING ERRCODE = 'integrity_constraint_violation';
END $$;
CREATE TRIGGER letters_stay_as_issued BEFORE UPDATE ON letters
    FOR EACH ROW EXECUTE FUNCTION letters_stay_as_issued();

-- The secret is kept as it is, since every message is signed with it. The old one still signs for a while after a
-- change. An address that has said "gone", or that was taken off, is kept and nothing is sent there.
CREATE TABLE webhook_endpoints (
    id               uuid PRIMARY KEY,
    url              text NOT NULL CHECK (length(url) BETWEEN 1 AND 500),
    secret           text NOT NULL CHECK (secret LIKE 'whsec\_%'),
    old_secret       text CHECK (old_secret LIKE 'whsec\_%'),
    old_secret_until timestamptz,
    topics           text[] NOT NULL DEFAULT '{}' CHECK (array_position(topics, NULL) IS NULL),
    key_id           uuid REFERENCES api_keys,
    note             text NOT NULL DEFAULT '',
    made_at          timestamptz NOT NULL DEFAULT now(),
    disabled_at      timestamptz,
    disabled_why     text,
    CHECK ((old_secret IS NULL) = (old_secret_until IS NULL)),
    CHECK ((disabled_at IS NULL) = (disabled_why IS NULL))
);

CREATE TYPE outbox_channel AS ENUM ('email', 'webhook');
CREATE TYPE outbox_state AS ENUM ('waiting', 'sent', 'dead');

-- `id` is what a careful receiver tells a repeated message by: it never changes, whatever is tried how often. While a
-- worker has the message `held_until` lies ahead; one whose worker was killed is taken by another when that has passed.
CREATE TABLE outbox_messages (
    id            uuid PRIMARY KEY,
    channel       outbox_channel NOT NULL,
    topic         text NOT NULL CHECK (topic <> ''),
    submission_id uuid REFERENCES submissions ON DELETE CASCADE,
    letter_id     uuid REFERENCES letters ON DELETE CASCADE,
    endpoint_id   uuid REFERENCES webhook_endpoints,
    recipient     text CHECK (recipient <> ''),
    body          text CHECK (body <> ''),
    state         outbox_state NOT NULL DEFAULT 'waiting',
    attempts      integer NOT NULL DEFAULT 0 CHECK (attempts >= 0),
    due_at        timestamptz NOT NULL DEFAULT now(),
    held_until    timestamptz,
    last_error    text,
    made_at       timestamptz NOT NULL DEFAULT now(),
    settled_at    timestamptz,
    CHECK (CASE channel
        WHEN 'email' THEN num_nonnulls(letter_id, recipient) = 2 AND num_nonnulls(endpoint_id, body) = 0
        ELSE num_nonnulls(endpoint_id, body) = 2 AND recipient IS NULL END),
    CHECK ((state = 'waiting') = (settled_at IS NULL)),
    CHECK (held_until IS NULL OR state = 'waiting')
);
CREATE INDEX outbox_messages_due ON outbox_messages (due_at, id) WHERE state = 'waiting';
CREATE INDEX outbox_messages_by_state ON outbox_messages (state, id);
CREATE INDEX outbox_messages_by_submission ON outbox_messages (submission_id, id);
CREATE INDEX outbox_messages_by_letter ON outbox_messages (letter_id, id);
CREATE INDEX outbox_messages_sent ON outbox_messages (settled_at) WHERE state = 'sent';
