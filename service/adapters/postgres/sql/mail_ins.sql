-- name: announce
-- A new shaft; no row where another has that reference.
INSERT INTO mail_ins (id, reference, key_id, submission_id, unit, contact, send_back_to, note, due_at)
VALUES (%(id)s, %(reference)s, %(key_id)s, %(submission_id)s, %(unit)s, %(contact)s, %(send_back_to)s, %(note)s,
        %(due_at)s)
ON CONFLICT (reference) DO NOTHING
RETURNING id

-- name: hold
-- Keeps others from changing a shaft's record until the transaction ends.
SELECT id FROM mail_ins WHERE id = %(id)s FOR UPDATE

-- name: find
-- A shaft.
SELECT id, reference, key_id, submission_id, row_revision, state, place, unit, contact, send_back_to, note, consented,
    state_since, due_at, announced_at, coalesce(due_at < now(), false) AS overdue
FROM mail_ins WHERE id = %(id)s

-- name: events
-- What happened to a shaft, first to last.
SELECT number, kind, at, recorded_at, who, place, condition, note, details
FROM mail_in_events WHERE mail_in_id = %(id)s ORDER BY number

-- name: open_of
-- The shaft of a submission that is on its way or here.
SELECT id FROM mail_ins
WHERE submission_id = %(submission_id)s AND state IN ('announced', 'received', 'measured', 'reported')

-- name: hold_of
-- Keeps others from changing the records of these submissions' shafts until the transaction ends.
SELECT id FROM mail_ins WHERE submission_id = ANY (%(submission_ids)s::uuid[]) ORDER BY id FOR UPDATE

-- name: move
-- Makes the shafts of one submission another's.
UPDATE mail_ins SET submission_id = %(into)s, row_revision = row_revision + 1 WHERE submission_id = %(submission_id)s

-- name: page
-- Shafts in the order they were announced: of a state, overdue or not, with a reference; after a place in the list.
SELECT id, reference, key_id, submission_id, row_revision, state, place, unit, contact, send_back_to, note, consented,
    state_since, due_at, announced_at, coalesce(due_at < now(), false) AS overdue
FROM mail_ins
WHERE (%(state)s::mail_in_state IS NULL OR state = %(state)s::mail_in_state)
  AND (%(overdue)s::boolean IS NULL OR coalesce(due_at < now(), false) = %(overdue)s::boolean)
  AND (%(reference)s::text IS NULL OR reference = %(reference)s::text)
  AND (%(after)s::uuid IS NULL OR id > %(after)s::uuid)
ORDER BY id
LIMIT %(limit)s

-- name: note
-- Something that happened.
INSERT INTO mail_in_events (mail_in_id, number, kind, at, key_id, who, place, condition, note, details)
VALUES (%(mail_in_id)s, %(number)s, %(kind)s, %(at)s, %(key_id)s, %(who)s, %(place)s, %(condition)s, %(note)s,
        %(details)s)

-- name: stand
-- Where a shaft stands after an event; no row where somebody was quicker.
UPDATE mail_ins
SET row_revision = row_revision + 1, place = %(place)s, due_at = %(due_at)s, submission_id = %(submission_id)s,
    consented = %(consented)s, state_since = CASE WHEN state = %(state)s THEN state_since ELSE now() END,
    state = %(state)s
WHERE id = %(id)s AND row_revision = %(row_revision)s
RETURNING row_revision

-- name: touch
-- Counts a change that a client can see and that is no event.
UPDATE mail_ins SET row_revision = row_revision + 1 WHERE id = %(id)s
