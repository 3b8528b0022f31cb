-- Who may call, what they sent, what was answered, and what waits for a person.

CREATE TYPE key_role AS ENUM ('widget', 'desk', 'bench', 'admin');

-- A key is kept by its SHA-256 and recognised by its last characters; the key itself is nowhere.
CREATE TABLE api_keys (
    id           uuid PRIMARY KEY,
    digest       bytea NOT NULL UNIQUE CHECK (length(digest) = 32),
    ending       text NOT NULL CHECK (length(ending) = 4),
    role         key_role NOT NULL,
    name         text NOT NULL CHECK (length(name) BETWEEN 1 AND 100),
    created_at   timestamptz NOT NULL DEFAULT now(),
    last_used_at timestamptz,
    revoked_at   timestamptz
);

CREATE TYPE answer_state AS ENUM ('identified', 'ambiguous', 'not_in_catalogue', 'more_readings_needed');

-- A submission's head; its readings and answers lie in its rounds. `head` is the stored form of everything that was
-- said once: unit, tools, condition, markings, contact. `row_revision` goes up with every change a client can see.
CREATE TABLE submissions (
    id           uuid PRIMARY KEY,
    key_id       uuid NOT NULL REFERENCES api_keys,
    row_revision integer NOT NULL DEFAULT 1 CHECK (row_revision >= 1),
    source       text NOT NULL CHECK (source IN ('phone', 'counter', 'web', 'mail_in')),
    state        answer_state NOT NULL,
    ask_person   boolean NOT NULL,
    head         jsonb NOT NULL,
    opened_at    timestamptz NOT NULL DEFAULT now(),
    changed_at   timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX submissions_by_key ON submissions (key_id);

-- Append-only: one row for each time the engine was asked. `readings` are those added in this round, `answer` rests on
-- them and on all before them, under exactly one catalogue revision and engine version.
CREATE TABLE submission_rounds (
    submission_id      uuid NOT NULL REFERENCES submissions ON DELETE CASCADE,
    number             integer NOT NULL CHECK (number >= 1),
    readings           jsonb NOT NULL CHECK (jsonb_typeof(readings) = 'array'),
    state              answer_state NOT NULL,
    answer             jsonb NOT NULL,
    stored_form        smallint NOT NULL CHECK (stored_form >= 1),
    engine_version     text NOT NULL CHECK (engine_version <> ''),
    catalogue_revision bigint NOT NULL CHECK (catalogue_revision >= 1),
    answered_at        timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (submission_id, number)
);

CREATE TYPE review_state AS ENUM ('waiting', 'claimed', 'decided');
CREATE TYPE review_reason AS ENUM ('ambiguous', 'not_in_catalogue', 'person_asked_for');

-- A case put before a person: exactly one for a submission, however often it is answered. Ids are in time's order.
CREATE TABLE reviews (
    id            uuid PRIMARY KEY,
    submission_id uuid NOT NULL UNIQUE REFERENCES submissions ON DELETE CASCADE,
    state         review_state NOT NULL DEFAULT 'waiting',
    reason        review_reason NOT NULL,
    opened_at     timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX reviews_by_state ON reviews (state, id);

-- Replies kept for requests that may be sent again.
CREATE TABLE idempotent_replies (
    key_id       uuid NOT NULL REFERENCES api_keys ON DELETE CASCADE,
    client_key   text NOT NULL CHECK (length(client_key) BETWEEN 1 AND 200),
    request_hash bytea NOT NULL CHECK (length(request_hash) = 32),
    status       smallint NOT NULL CHECK (status BETWEEN 200 AND 299),
    headers      jsonb NOT NULL,
    body         bytea NOT NULL,
    kept_at      timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (key_id, client_key)
);
CREATE INDEX idempotent_replies_by_age ON idempotent_replies (kept_at);
