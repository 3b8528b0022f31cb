-- name: open
-- A new submission's head, its first round, and its review where it needs one: one statement, and so a transaction by
-- itself. No row where another case has that reference, a row without a review where there is no id for one.
WITH opened AS (
    INSERT INTO submissions (id, key_id, reference, source, state, ask_person, head)
    VALUES (%(id)s, %(key_id)s, %(reference)s, %(source)s, %(state)s, %(ask_person)s, %(head)s)
    ON CONFLICT (reference) DO NOTHING
    RETURNING id, row_revision, opened_at
), answered AS (
    INSERT INTO submission_rounds
        (submission_id, number, readings, state, answer, stored_form, engine_version, catalogue_revision)
    SELECT id, 1, %(readings)s, %(state)s, %(answer)s, %(stored_form)s, %(engine_version)s, %(catalogue_revision)s
    FROM opened
    RETURNING answered_at
), asked AS (
    INSERT INTO reviews (id, submission_id, reason, second_look, priority, skill, due_at, not_for)
    SELECT %(review_id)s, id, %(reason)s, %(second_look)s, %(priority)s, %(skill)s, now() + %(due_in)s::interval,
           %(not_for)s
    FROM opened WHERE %(review_id)s::uuid IS NOT NULL
    RETURNING id, submission_id, row_revision, reason, second_look, priority, skill, opened_at, due_at, assigned_to,
              not_for, settled_at, state, claimed_key, NULL AS lapsed_key
)
SELECT opened.row_revision AS case_revision, opened.opened_at AS case_opened_at, answered_at,
       %(reference)s AS reference, %(source)s AS source, asked.*
FROM opened CROSS JOIN answered LEFT JOIN asked ON true

-- name: add_answer
-- One round: the readings that came with it and the answer to all of them.
INSERT INTO submission_rounds
    (submission_id, number, readings, state, answer, stored_form, engine_version, catalogue_revision)
VALUES
    (%(submission_id)s, %(number)s, %(readings)s, %(state)s, %(answer)s, %(stored_form)s, %(engine_version)s,
     %(catalogue_revision)s)

-- name: find
-- A submission with all its readings and its latest answer.
SELECT s.id, s.key_id, s.reference, s.row_revision, s.head, s.opened_at, s.closed_at, s.closed_why, s.merged_into,
       s.order_reference, s.told_round, readings.readings,
       latest.number, latest.answer, latest.stored_form, latest.catalogue_revision, latest.answered_at
FROM submissions s
CROSS JOIN LATERAL (
    SELECT jsonb_agg(entry ORDER BY number, place) AS readings
    FROM submission_rounds, jsonb_array_elements(readings) WITH ORDINALITY AS entries (entry, place)
    WHERE submission_id = s.id
) AS readings
CROSS JOIN LATERAL (
    SELECT * FROM submission_rounds WHERE submission_id = s.id ORDER BY number DESC LIMIT 1
) AS latest
WHERE s.id = %(id)s

-- name: told
-- The answer a customer goes on seeing while a later one waits for a person.
SELECT number, answer, stored_form, catalogue_revision, answered_at
FROM submission_rounds WHERE submission_id = %(id)s AND number = %(round)s

-- name: hold
-- Keeps others from changing a submission until the transaction ends.
SELECT id FROM submissions WHERE id = %(id)s FOR UPDATE

-- name: add_round
-- The head after another round; no row where somebody was quicker.
UPDATE submissions
SET row_revision = row_revision + 1, state = %(state)s, ask_person = %(ask_person)s, head = %(head)s,
    changed_at = now(), told_round = %(told_round)s
WHERE id = %(id)s AND row_revision = %(row_revision)s
RETURNING row_revision

-- name: answer_again
-- The head after the same readings were answered anew, which changes nothing of when it was last added to.
UPDATE submissions SET row_revision = row_revision + 1, state = %(state)s, told_round = %(told_round)s
WHERE id = %(id)s AND row_revision = %(row_revision)s
RETURNING row_revision

-- name: touch
-- Counts a change a client can see that was made beside the submission, such as a review's.
UPDATE submissions SET row_revision = row_revision + 1, changed_at = now() WHERE id = %(id)s RETURNING row_revision

-- name: let_out
-- Shows the customer the last answer from now on; no row where they see it anyway.
UPDATE submissions SET told_round = NULL, row_revision = row_revision + 1
WHERE id = %(id)s AND told_round IS NOT NULL
RETURNING row_revision

-- name: rounds
-- Every round, first to last.
SELECT number, jsonb_array_length(readings) AS readings, answer, stored_form, catalogue_revision, answered_at
FROM submission_rounds WHERE submission_id = %(id)s ORDER BY number
