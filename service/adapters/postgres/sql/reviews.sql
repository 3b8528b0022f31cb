-- name: open
-- Opens the one unsettled review of its sort that a submission may have; no row where there is one already.
INSERT INTO reviews (id, submission_id, reason, second_look, priority, skill, due_at, not_for)
VALUES (%(review_id)s, %(submission_id)s, %(reason)s, %(second_look)s, %(priority)s, %(skill)s,
        now() + %(due_in)s::interval, %(not_for)s)
ON CONFLICT DO NOTHING
RETURNING id, submission_id, (SELECT reference FROM submissions WHERE id = submission_id) AS reference,
          (SELECT source FROM submissions WHERE id = submission_id) AS source, row_revision, reason, second_look,
          priority, skill, opened_at, due_at, assigned_to, not_for, settled_at, state, claimed_key, NULL AS lapsed_key

-- name: open_of
-- A submission's unsettled review of one sort.
SELECT * FROM queue
WHERE submission_id = %(submission_id)s AND second_look = %(second_look)s AND state IN ('waiting', 'claimed')

-- name: latest_of
-- A submission's newest review that is no second look.
SELECT * FROM queue WHERE submission_id = %(submission_id)s AND NOT second_look ORDER BY id DESC LIMIT 1

-- name: latest_before
-- A submission's newest review that is no second look, of those that were open before an answer was given.
SELECT * FROM queue
WHERE submission_id = %(submission_id)s AND NOT second_look
  AND opened_at < (SELECT answered_at FROM submission_rounds
                   WHERE submission_id = %(submission_id)s AND number = %(round)s)
ORDER BY id DESC LIMIT 1

-- name: find
-- One review as it stands.
SELECT * FROM queue WHERE id = %(id)s

-- name: page
-- Reviews in the order they were opened, after a place in the list.
SELECT * FROM queue
WHERE id > coalesce(%(after)s::uuid, '00000000-0000-0000-0000-000000000000')
ORDER BY id
LIMIT %(limit)s

-- name: page_of_state
-- The same of one state. One whose lease has run out waits: both sorts are looked up by the state the table has.
SELECT * FROM queue
WHERE id IN (
    (SELECT id FROM reviews
     WHERE state = %(state)s::review_state
       AND (%(state)s::review_state <> 'claimed' OR lease_until > clock_timestamp())
       AND id > coalesce(%(after)s::uuid, '00000000-0000-0000-0000-000000000000')
     ORDER BY id LIMIT %(limit)s)
    UNION ALL
    (SELECT id FROM reviews
     WHERE %(state)s::review_state = 'waiting' AND state = 'claimed' AND lease_until <= clock_timestamp()
       AND id > coalesce(%(after)s::uuid, '00000000-0000-0000-0000-000000000000')
     ORDER BY id LIMIT %(limit)s)
)
ORDER BY id
LIMIT %(limit)s

-- name: next
-- Keeps the next review there is for this person: urgent before not, then the one that is owed first. Rows another
-- transaction is at are passed over, so that of many claimers at once none waits and no two get the same.
SELECT id FROM reviews
WHERE state IN ('waiting', 'claimed')
  AND (state = 'waiting' OR lease_until <= clock_timestamp())
  AND (assigned_to IS NULL OR assigned_to = %(by)s::text)
  AND (not_for IS NULL OR not_for <> %(by)s::text)
ORDER BY priority DESC, due_at, id
LIMIT 1
FOR UPDATE SKIP LOCKED

-- name: next_of_skills
-- The same of those about cores this person knows, or about none: the first of the first few of each, so that nothing
-- is read of other cores'. No row where so many of each are somebody's at this moment.
WITH first_few AS (
    SELECT few.id, few.priority, few.due_at
    FROM (SELECT DISTINCT unnest(array_append(%(skills)s::text[], '')) AS skill) AS known
    CROSS JOIN LATERAL (
        SELECT id, priority, due_at FROM reviews
        WHERE state IN ('waiting', 'claimed')
          AND coalesce(reviews.skill, '') = known.skill
          AND (state = 'waiting' OR lease_until <= clock_timestamp())
          AND (assigned_to IS NULL OR assigned_to = %(by)s::text)
          AND (not_for IS NULL OR not_for <> %(by)s::text)
        ORDER BY priority DESC, due_at, id
        LIMIT %(few)s
    ) AS few
)
SELECT reviews.id
FROM first_few JOIN reviews ON reviews.id = first_few.id
WHERE reviews.state IN ('waiting', 'claimed')
  AND (reviews.state = 'waiting' OR reviews.lease_until <= clock_timestamp())
  AND (reviews.assigned_to IS NULL OR reviews.assigned_to = %(by)s::text)
  AND (reviews.not_for IS NULL OR reviews.not_for <> %(by)s::text)
ORDER BY first_few.priority DESC, first_few.due_at, first_few.id
LIMIT 1
FOR UPDATE OF reviews SKIP LOCKED

-- name: this_one
-- Keeps one review if this person may have it; no row where not, or where another transaction is at it.
SELECT id FROM reviews
WHERE id = %(id)s
  AND state IN ('waiting', 'claimed')
  AND (state = 'waiting' OR lease_until <= clock_timestamp())
  AND (assigned_to IS NULL OR assigned_to = %(by)s::text)
  AND (not_for IS NULL OR not_for <> %(by)s::text)
FOR UPDATE SKIP LOCKED

-- name: lease
-- Leases a review that this transaction keeps.
UPDATE reviews
SET state = 'claimed', claimed_key = %(key_id)s, claimed_by = %(by)s, claimed_at = clock_timestamp(),
    lease_seconds = %(lease_s)s::integer, lease_until = clock_timestamp() + make_interval(secs => %(lease_s)s::integer),
    row_revision = reviews.row_revision + 1
FROM submissions
WHERE reviews.id = %(id)s AND submissions.id = reviews.submission_id
RETURNING reviews.*, submissions.reference, submissions.source, NULL AS lapsed_key

-- name: extend
-- Lets a claim run its whole time again from now; no row where it is not held, or has run out.
UPDATE reviews
SET lease_until = clock_timestamp() + make_interval(secs => lease_seconds)
WHERE id = %(id)s AND state = 'claimed' AND claimed_key = %(key_id)s AND lease_until > clock_timestamp()
RETURNING id

-- name: extend_of
-- The same for whatever this key has in hand of a case.
UPDATE reviews
SET lease_until = clock_timestamp() + make_interval(secs => lease_seconds)
WHERE submission_id = %(submission_id)s AND state = 'claimed' AND claimed_key = %(key_id)s
  AND lease_until > clock_timestamp()

-- name: release
-- Puts a claimed review back; no row where it is in other hands.
UPDATE reviews
SET state = 'waiting', claimed_key = NULL, claimed_by = NULL, claimed_at = NULL, lease_seconds = NULL,
    lease_until = NULL, row_revision = row_revision + 1
WHERE id = %(id)s AND state = 'claimed' AND ((claimed_key = %(key_id)s AND claimed_by = %(by)s) OR %(anybodys)s)
  AND (%(row_revision)s::integer IS NULL OR row_revision = %(row_revision)s::integer)
RETURNING id

-- name: settle
-- Ends a review that is in these hands and whose lease runs; no row where it does not, or the review has changed.
UPDATE reviews
SET state = 'decided', settled_at = now(), claimed_key = NULL, claimed_by = NULL, claimed_at = NULL,
    lease_seconds = NULL, lease_until = NULL, row_revision = row_revision + 1
WHERE id = %(id)s AND state = 'claimed' AND claimed_key = %(key_id)s AND claimed_by = %(by)s
  AND lease_until > clock_timestamp()
  AND (%(row_revision)s::integer IS NULL OR row_revision = %(row_revision)s::integer)
RETURNING id

-- name: settle_unheld
-- Ends a review that nobody else holds: decided in mid-call, or withdrawn with its case. No row where another has it.
UPDATE reviews
SET state = %(state)s, settled_at = now(), claimed_key = NULL, claimed_by = NULL, claimed_at = NULL,
    lease_seconds = NULL, lease_until = NULL, row_revision = row_revision + 1
WHERE id = %(id)s
  AND (state = 'waiting'
       OR (state = 'claimed'
           AND ((claimed_key = %(key_id)s AND claimed_by = %(by)s) OR lease_until <= clock_timestamp())))
RETURNING id

-- name: change
-- Another priority, day or person for a review that is not settled; no row where it is, or has changed.
UPDATE reviews
SET priority = coalesce(%(priority)s, priority), due_at = coalesce(%(due_at)s, due_at),
    assigned_to = CASE WHEN %(assign)s THEN %(assigned_to)s ELSE assigned_to END, row_revision = row_revision + 1
WHERE id = %(id)s AND state IN ('waiting', 'claimed')
  AND (%(row_revision)s::integer IS NULL OR row_revision = %(row_revision)s::integer)
RETURNING id

-- name: case_changed
-- A case has been added to: whoever decides on what was there before is told.
UPDATE reviews SET row_revision = row_revision + 1
WHERE submission_id = %(submission_id)s AND state IN ('waiting', 'claimed')

-- name: put_back_lapsed
-- Puts the reviews back whose claims have run out, so that the table says what the queue says.
UPDATE reviews
SET state = 'waiting', claimed_key = NULL, claimed_by = NULL, claimed_at = NULL, lease_seconds = NULL,
    lease_until = NULL, row_revision = row_revision + 1
WHERE id IN (
    SELECT id FROM reviews WHERE state = 'claimed' AND lease_until <= clock_timestamp()
    ORDER BY id LIMIT 100 FOR UPDATE SKIP LOCKED
)
RETURNING id, submission_id

-- name: counts
-- How many reviews there are in each state, by how long ago they were opened. One whose lease has run out waits. Each
-- band of a state is a range of `reviews_counted`, so that nothing is read but as much of that index as is counted.
WITH ends AS (
    SELECT array_agg(now() - make_interval(secs => bound) ORDER BY bound) AS opened
    FROM unnest(%(bounds_s)s::float8[]) AS bound
), bands AS (
    SELECT age, coalesce(opened[age + 1], '-infinity') AS since, coalesce(opened[age], 'infinity') AS until
    FROM ends CROSS JOIN LATERAL generate_series(0, cardinality(opened)) AS age
), counted AS (
    SELECT kind.state, age, reviews, overdue, oldest
    FROM unnest(ARRAY['waiting', 'decided', 'withdrawn']::review_state[]) AS kind (state)
    CROSS JOIN bands
    CROSS JOIN LATERAL (
        SELECT count(*) AS reviews, count(*) FILTER (WHERE kind.state = 'waiting' AND due_at < now()) AS overdue,
               min(opened_at) AS oldest
        FROM reviews WHERE reviews.state = kind.state AND opened_at >= since AND opened_at < until
    ) AS of_band
    UNION ALL
    SELECT CASE WHEN lease_until <= clock_timestamp() THEN 'waiting' ELSE state END, age, 1, (due_at < now())::integer,
           opened_at
    FROM reviews JOIN bands ON opened_at >= since AND opened_at < until WHERE state = 'claimed'
)
SELECT state, age, sum(reviews)::bigint AS reviews, sum(overdue)::bigint AS overdue, min(oldest) AS oldest
FROM counted WHERE reviews > 0
GROUP BY state, age
ORDER BY state, age

-- name: unsettled
-- How many reviews wait and how many are claimed, how many of them are overdue, and for how long the oldest has waited.
WITH counted AS (
    SELECT state, opened_at, due_at FROM reviews WHERE state = 'waiting'
    UNION ALL
    SELECT CASE WHEN lease_until <= clock_timestamp() THEN 'waiting' ELSE state END, opened_at, due_at
    FROM reviews WHERE state = 'claimed'
)
SELECT state, count(*) AS reviews, count(*) FILTER (WHERE due_at < now()) AS overdue,
       extract(epoch FROM now() - min(opened_at))::float8 AS oldest_s
FROM counted GROUP BY state
