-- After a catalogue revision is made active, open and recent cases are asked again under it: how far that has come, and
-- which answers became others. Answers themselves lie with all others, in `submission_rounds`.

ALTER TYPE review_reason ADD VALUE 'answer_changed';

CREATE TABLE reidentifications (
    catalogue_revision integer PRIMARY KEY REFERENCES catalogue_revision,
    made_at            timestamptz NOT NULL DEFAULT now(),
    begun_at           timestamptz,
    recent_since       timestamptz,
    reached            uuid,
    done               integer NOT NULL DEFAULT 0 CHECK (done >= 0),
    finished_at        timestamptz,
    overtaken          boolean NOT NULL DEFAULT false,
    CHECK ((begun_at IS NULL) = (recent_since IS NULL)),
    CHECK (done = 0 OR reached IS NOT NULL),
    CHECK (NOT overtaken OR finished_at IS NOT NULL)
);
CREATE UNIQUE INDEX reidentifications_one_unfinished ON reidentifications ((finished_at IS NULL))
    WHERE finished_at IS NULL;

CREATE TABLE changed_answers (
    catalogue_revision integer NOT NULL REFERENCES reidentifications,
    submission_id      uuid NOT NULL REFERENCES submissions ON DELETE CASCADE,
    round_before       integer NOT NULL,
    round_after        integer NOT NULL CHECK (round_after > round_before),
    told_otherwise     boolean NOT NULL,
    review_id          uuid REFERENCES reviews ON DELETE SET NULL,
    changed_at         timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (catalogue_revision, submission_id)
);
CREATE INDEX changed_answers_by_submission ON changed_answers (submission_id);
