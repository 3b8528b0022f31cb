-- name: overtake
-- A run that is not finished ends where a newer revision becomes active: that one's run asks the same cases.
UPDATE reidentifications SET finished_at = now(), overtaken = true WHERE finished_at IS NULL

-- name: begin
-- A revision has become active: what was identified under others is to be asked again.
INSERT INTO reidentifications (catalogue_revision) VALUES (%(revision)s)

-- name: unfinished
-- The revision of the run there is to do, if there is one.
SELECT catalogue_revision FROM reidentifications WHERE finished_at IS NULL

-- name: take
-- The run there is to do, held until the transaction ends; no row where another worker is at it this moment.
UPDATE reidentifications
SET begun_at = coalesce(begun_at, now()),
    recent_since = coalesce(recent_since, now() - make_interval(days => %(recent_days)s))
WHERE catalogue_revision = (
    SELECT catalogue_revision FROM reidentifications WHERE finished_at IS NULL FOR UPDATE SKIP LOCKED
)
RETURNING catalogue_revision

-- name: next_case
-- The next case of a run: open, or closed with an answer and changed recently; nobody waits for one that was withdrawn.
-- The order of ids is that in which cases were opened.
SELECT s.id
FROM submissions s JOIN reidentifications r ON r.catalogue_revision = %(revision)s
WHERE s.id > coalesce(r.reached, '00000000-0000-0000-0000-000000000000'::uuid)
  AND (s.closed_at IS NULL OR (s.closed_why NOT IN ('merged', 'withdrawn') AND s.changed_at >= r.recent_since))
ORDER BY s.id LIMIT 1

-- name: next_late
-- A case whose last answer rests on an older revision and was given after the run's became active.
SELECT s.id
FROM submissions s JOIN reidentifications r ON r.catalogue_revision = %(revision)s
CROSS JOIN LATERAL (
    SELECT catalogue_revision, answered_at FROM submission_rounds
    WHERE submission_id = s.id ORDER BY number DESC LIMIT 1
) AS latest
WHERE s.changed_at >= r.made_at AND (s.closed_why IS NULL OR s.closed_why NOT IN ('merged', 'withdrawn'))
  AND latest.answered_at >= r.made_at AND latest.catalogue_revision < r.catalogue_revision
ORDER BY s.id LIMIT 1

-- name: reach
-- A case of a run has been dealt with, in the same transaction.
UPDATE reidentifications SET reached = %(case_id)s, done = done + 1
WHERE catalogue_revision = %(revision)s AND (reached IS NULL OR reached < %(case_id)s)

-- name: keep_change
-- A case's answer became another.
INSERT INTO changed_answers
    (catalogue_revision, submission_id, round_before, round_after, told_otherwise, review_id)
VALUES
    (%(revision)s, %(case_id)s, %(before)s, %(after)s, %(told_otherwise)s, %(review_id)s)

-- name: finish
-- A run with no case left is finished, once every process must have turned to its revision; no row before that.
UPDATE reidentifications SET finished_at = now()
WHERE catalogue_revision = %(revision)s AND made_at <= now() - make_interval(secs => %(settle_s)s)
RETURNING catalogue_revision

-- name: progress
-- How far a run has come; `remaining` is known once it has begun.
SELECT r.catalogue_revision, r.made_at, r.begun_at, r.finished_at, r.overtaken, r.done,
       coalesce(found.changed, 0) AS changed, coalesce(found.told_otherwise, 0) AS told_otherwise, rest.remaining
FROM reidentifications r
CROSS JOIN LATERAL (
    SELECT count(*) AS changed, count(*) FILTER (WHERE told_otherwise) AS told_otherwise
    FROM changed_answers c WHERE c.catalogue_revision = r.catalogue_revision
) AS found
CROSS JOIN LATERAL (
    SELECT CASE WHEN r.finished_at IS NOT NULL THEN 0 WHEN r.begun_at IS NOT NULL THEN (
        SELECT count(*) FROM submissions s
        WHERE s.id > coalesce(r.reached, '00000000-0000-0000-0000-000000000000'::uuid)
          AND (s.closed_at IS NULL OR (s.closed_why NOT IN ('merged', 'withdrawn') AND s.changed_at >= r.recent_since))
    ) END AS remaining
) AS rest
WHERE r.catalogue_revision = %(revision)s

-- name: changes
-- Answers that became others in a run, in the order their cases were opened, after a case: what was said, and is.
SELECT c.submission_id, s.reference, c.told_otherwise, c.review_id, c.changed_at, s.closed_at IS NULL AS is_open,
       b.state AS state_before, b.catalogue_revision AS revision_before,
       b.answer #>> '{candidates,0,part_number}' AS part_before,
       a.state AS state_after, a.catalogue_revision AS revision_after,
       a.answer #>> '{candidates,0,part_number}' AS part_after
FROM changed_answers c
JOIN submissions s ON s.id = c.submission_id
JOIN submission_rounds b ON b.submission_id = c.submission_id AND b.number = c.round_before
JOIN submission_rounds a ON a.submission_id = c.submission_id AND a.number = c.round_after
WHERE c.catalogue_revision = %(revision)s
  AND (%(after)s::uuid IS NULL OR c.submission_id > %(after)s::uuid)
ORDER BY c.submission_id
LIMIT %(limit)s
