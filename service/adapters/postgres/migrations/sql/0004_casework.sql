-- A case worked by people: its reference, the queue that leases reviews, decisions, the truth when it comes out, and a
-- trail of who saw and changed what that can be added to and never rewritten.

ALTER TYPE review_state ADD VALUE 'withdrawn';
ALTER TYPE review_reason ADD VALUE 'reopened';
ALTER TYPE review_reason ADD VALUE 'automatic_sample';
ALTER TYPE review_reason ADD VALUE 'low_confidence';

-- `reference` is what is read aloud; the revision's Python gives one to every case there is. The contact's columns are
-- for finding a case by them: what was said itself lies in `head`, and goes from both when it is erased.
ALTER TABLE submissions
    ADD COLUMN reference text UNIQUE CHECK (reference ~ '^[1-9][0-9]{7}$'),
    ADD COLUMN closed_at timestamptz,
    ADD COLUMN closed_why text CHECK (closed_why IN ('answered', 'ordered', 'merged', 'no_reply', 'withdrawn')),
    ADD COLUMN merged_into uuid REFERENCES submissions ON DELETE SET NULL CHECK (merged_into <> id),
    ADD COLUMN order_reference text CHECK (length(order_reference) BETWEEN 1 AND 100),
    ADD COLUMN reminded_at timestamptz,
    ADD COLUMN erased_at timestamptz,
    ADD COLUMN contact_name tsvector
        GENERATED ALWAYS AS (to_tsvector('simple', coalesce(head #>> '{contact,name}', ''))) STORED,
    ADD COLUMN contact_email text GENERATED ALWAYS AS (lower(head #>> '{contact,email}')) STORED,
    ADD COLUMN contact_phone text
        GENERATED ALWAYS AS (regexp_replace(head #>> '{contact,phone}', '[^0-9]', '', 'g')) STORED,
    ADD CHECK ((closed_at IS NULL) = (closed_why IS NULL));
CREATE INDEX submissions_by_contact_name ON submissions USING gin (contact_name);
CREATE INDEX submissions_by_contact_email ON submissions (contact_email text_pattern_ops)
    WHERE contact_email IS NOT NULL;
CREATE INDEX submissions_by_contact_phone ON submissions (contact_phone) WHERE contact_phone IS NOT NULL;
CREATE INDEX submissions_by_opening ON submissions (opened_at);
CREATE INDEX submissions_left_open ON submissions (changed_at) WHERE closed_at IS NULL;
CREATE INDEX submissions_merged ON submissions (merged_into) WHERE merged_into IS NOT NULL;
CREATE INDEX submission_rounds_by_part ON submission_rounds ((answer #>> '{candidates,0,part_number}'));

-- At any time a case has at most one review that is not settled, and one second look; over time it may have several.
-- `skill` is the core that the review is about; `not_for` is whom a second look is not for. A lease is there exactly
-- while a review is claimed: one that has run out is as good as none, and the next claim takes the review.
ALTER TABLE reviews
    DROP CONSTRAINT reviews_submission_id_key,
    ADD COLUMN row_revision integer NOT NULL DEFAULT 1 CHECK (row_revision >= 1),
    ADD COLUMN second_look boolean NOT NULL DEFAULT false,
    ADD COLUMN priority smallint NOT NULL DEFAULT 1 CHECK (priority BETWEEN 0 AND 2),
    ADD COLUMN skill text CHECK (skill <> ''),
    ADD COLUMN due_at timestamptz NOT NULL DEFAULT now(),
    ADD COLUMN assigned_to text CHECK (length(assigned_to) BETWEEN 1 AND 100),
    ADD COLUMN not_for text,
    ADD COLUMN settled_at timestamptz,
    ADD COLUMN claimed_key uuid REFERENCES api_keys,
    ADD COLUMN claimed_by text CHECK (claimed_by <> ''),
    ADD COLUMN claimed_at timestamptz,
    ADD COLUMN lease_seconds integer CHECK (lease_seconds > 0),
    ADD COLUMN lease_until timestamptz,
    ADD CHECK (num_nonnulls(claimed_key, claimed_by, claimed_at, lease_seconds, lease_until)
               = CASE state WHEN 'claimed' THEN 5 ELSE 0 END),
    ADD CHECK ((settled_at IS NULL) = (state IN ('waiting', 'claimed')));
UPDATE reviews SET due_at = opened_at + interval '1 day';
ALTER TABLE reviews ALTER COLUMN due_at DROP DEFAULT;
CREATE UNIQUE INDEX reviews_one_open ON reviews (submission_id)
    WHERE state IN ('waiting', 'claimed') AND NOT second_look;
CREATE UNIQUE INDEX reviews_one_second_look ON reviews (submission_id)
    WHERE state IN ('waiting', 'claimed') AND second_look;
CREATE INDEX reviews_by_submission ON reviews (submission_id, id);
CREATE INDEX reviews_to_claim ON reviews (priority DESC, due_at, id) WHERE state IN ('waiting', 'claimed');

-- A review as it stands at this moment: a claim whose lease has run out is none, and the review waits again.
CREATE VIEW queue AS
SELECT r.id, r.submission_id, s.reference, s.source, r.row_revision, r.reason, r.second_look, r.priority, r.skill,
       r.opened_at, r.due_at, r.assigned_to, r.not_for, r.settled_at,
       CASE WHEN lapsed.lapsed THEN 'waiting' ELSE r.state END AS state,
       CASE WHEN NOT lapsed.lapsed THEN r.claimed_key END AS claimed_key,
       CASE WHEN NOT lapsed.lapsed THEN r.claimed_by END AS claimed_by,
       CASE WHEN NOT lapsed.lapsed THEN r.claimed_at END AS claimed_at,
       CASE WHEN NOT lapsed.lapsed THEN r.lease_seconds END AS lease_seconds,
       CASE WHEN NOT lapsed.lapsed THEN r.lease_until END AS lease_until,
       CASE WHEN lapsed.lapsed THEN r.claimed_key END AS lapsed_key
FROM reviews r
JOIN submissions s ON s.id = r.submission_id
CROSS JOIN LATERAL (SELECT r.state = 'claimed' AND r.lease_until <= clock_timestamp() AS lapsed) AS lapsed;

-- What a person decided of a case: for a review, or in mid-call for none. The newest holds. One review, one decision.
CREATE TABLE decisions (
    id                 uuid PRIMARY KEY,
    submission_id      uuid NOT NULL REFERENCES submissions ON DELETE CASCADE,
    review_id          uuid UNIQUE REFERENCES reviews ON DELETE CASCADE,
    second_look        boolean NOT NULL DEFAULT false,
    round              integer NOT NULL CHECK (round >= 1),
    outcome            text NOT NULL CHECK (outcome IN ('part', 'not_in_catalogue', 'cannot_tell')),
    part_number        text CHECK (part_number <> ''),
    catalogue_revision integer NOT NULL REFERENCES catalogue_revision (number),
    confidence         text NOT NULL CHECK (confidence IN ('sure', 'likely', 'guess')),
    reason             text NOT NULL,
    decided_key        uuid NOT NULL REFERENCES api_keys,
    decided_by         text NOT NULL CHECK (decided_by <> ''),
    decided_at         timestamptz NOT NULL DEFAULT now(),
    CHECK ((outcome = 'part') = (part_number IS NOT NULL))
);
CREATE INDEX decisions_by_submission ON decisions (submission_id, id);
CREATE INDEX decisions_by_part ON decisions (part_number);

CREATE TABLE case_notes (
    id            uuid PRIMARY KEY,
    submission_id uuid NOT NULL REFERENCES submissions ON DELETE CASCADE,
    text          text NOT NULL CHECK (text <> ''),
    written_key   uuid NOT NULL REFERENCES api_keys,
    written_by    text NOT NULL CHECK (written_by <> ''),
    written_at    timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX case_notes_by_submission ON case_notes (submission_id, id);

-- A customer's way back to a case without a key of their own: kept by its SHA-256, and only for a while.
CREATE TABLE return_links (
    digest        bytea PRIMARY KEY CHECK (length(digest) = 32),
    submission_id uuid NOT NULL REFERENCES submissions ON DELETE CASCADE,
    made_at       timestamptz NOT NULL DEFAULT now(),
    lapses_at     timestamptz NOT NULL
);
CREATE INDEX return_links_by_submission ON return_links (submission_id);
CREATE INDEX return_links_by_lapse ON return_links (lapses_at);

-- The truth about a case, when it comes out. The newest holds.
CREATE TABLE confirmations (
    id            uuid PRIMARY KEY,
    submission_id uuid NOT NULL REFERENCES submissions ON DELETE CASCADE,
    source        text NOT NULL CHECK (source IN ('box_found', 'bench_measured', 'customer_returned', 'other')),
    outcome       text NOT NULL CHECK (outcome IN ('part', 'not_in_catalogue')),
    part_number   text CHECK (part_number <> ''),
    note          text,
    confirmed_key uuid NOT NULL REFERENCES api_keys,
    confirmed_by  text NOT NULL CHECK (confirmed_by <> ''),
    confirmed_at  timestamptz NOT NULL DEFAULT now(),
    CHECK ((outcome = 'part') = (part_number IS NOT NULL))
);
CREATE INDEX confirmations_by_submission ON confirmations (submission_id, id);

-- Who saw and changed what. It names cases and never says what is in them, so it may outlive their erasure: hence no
-- foreign key. `details` holds the words of states and codes, never anything a customer wrote.
CREATE TABLE audit_trail (
    id            bigint PRIMARY KEY GENERATED ALWAYS AS IDENTITY,
    at            timestamptz NOT NULL DEFAULT clock_timestamp(),
    key_id        uuid,
    who           text NOT NULL CHECK (who <> ''),
    action        text NOT NULL CHECK (action <> ''),
    submission_id uuid,
    details       jsonb NOT NULL DEFAULT '{}' CHECK (jsonb_typeof(details) = 'object')
);
CREATE INDEX audit_trail_by_submission ON audit_trail (submission_id, id) WHERE submission_id IS NOT NULL;

CREATE FUNCTION audit_trail_is_only_added_to() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the audit trail is only added to' USING ERRCODE = 'insufficient_privilege';
END;
$$;
CREATE TRIGGER audit_trail_no_rewriting BEFORE UPDATE OR DELETE ON audit_trail
    FOR EACH ROW EXECUTE FUNCTION audit_trail_is_only_added_to();
CREATE TRIGGER audit_trail_no_emptying BEFORE TRUNCATE ON audit_trail
    FOR EACH STATEMENT EXECUTE FUNCTION audit_trail_is_only_added_to();
REVOKE UPDATE, DELETE, TRUNCATE ON audit_trail FROM PUBLIC;
