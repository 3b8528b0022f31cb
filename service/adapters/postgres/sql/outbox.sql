-- name: add
-- A message that is due at once.
INSERT INTO outbox_messages (id, channel, topic, submission_id, letter_id, endpoint_id, recipient, body)
VALUES (%(id)s, %(channel)s, %(topic)s, %(submission_id)s, %(letter_id)s, %(endpoint_id)s, %(recipient)s, %(body)s)

-- name: take
-- A message that is due and in nobody's hands, held for a while; no row where it is not.
UPDATE outbox_messages
SET attempts = attempts + 1, held_until = now() + make_interval(secs => %(hold_seconds)s)
WHERE id = %(id)s AND state = 'waiting' AND due_at <= now() AND (held_until IS NULL OR held_until <= now())
RETURNING *

-- name: take_next
-- The message that has been due longest, held for a while; those that another transaction is at are left to it.
UPDATE outbox_messages
SET attempts = attempts + 1, held_until = now() + make_interval(secs => %(hold_seconds)s)
WHERE id = (
    SELECT id FROM outbox_messages
    WHERE state = 'waiting' AND due_at <= now() AND (held_until IS NULL OR held_until <= now())
    ORDER BY due_at, id LIMIT 1 FOR UPDATE SKIP LOCKED
)
RETURNING *

-- name: address
-- Where a webhook goes and what it is signed with; no row where nothing is sent there any more.
SELECT url, secret, CASE WHEN old_secret_until > now() THEN old_secret END AS old_secret
FROM webhook_endpoints WHERE id = %(id)s AND disabled_at IS NULL

-- name: sent
-- The other side has acknowledged it. It may have been sent twice: the second time changes nothing.
UPDATE outbox_messages SET state = 'sent', settled_at = now(), held_until = NULL, last_error = NULL
WHERE id = %(id)s AND state <> 'sent'

-- name: put_off
-- It failed and is due again later; no row where it has been settled meanwhile.
UPDATE outbox_messages
SET due_at = now() + make_interval(secs => %(seconds)s), held_until = NULL, last_error = %(error)s
WHERE id = %(id)s AND state = 'waiting'
RETURNING due_at

-- name: bury
-- It failed for good.
UPDATE outbox_messages SET state = 'dead', settled_at = now(), held_until = NULL, last_error = %(error)s
WHERE id = %(id)s AND state = 'waiting'

-- name: replay
-- A settled message is due again, as if it had never been tried.
UPDATE outbox_messages SET state = 'waiting', settled_at = NULL, attempts = 0, due_at = now(), held_until = NULL
WHERE id = %(id)s AND state <> 'waiting'
RETURNING id

-- name: find
-- One message.
SELECT id, channel, topic, submission_id, letter_id, endpoint_id, recipient, state, attempts, due_at, made_at,
    settled_at, last_error
FROM outbox_messages WHERE id = %(id)s

-- name: page
-- Messages in the order they were made, of one state or any, of one submission or any, after a place in the list.
SELECT id, channel, topic, submission_id, letter_id, endpoint_id, recipient, state, attempts, due_at, made_at,
    settled_at, last_error
FROM outbox_messages
WHERE (%(state)s::outbox_state IS NULL OR state = %(state)s::outbox_state)
  AND (%(submission_id)s::uuid IS NULL OR submission_id = %(submission_id)s::uuid)
  AND (%(after)s::uuid IS NULL OR id > %(after)s::uuid)
ORDER BY id
LIMIT %(limit)s

-- name: of_letter
-- The messages that carry a letter, first to last.
SELECT id, channel, topic, submission_id, letter_id, endpoint_id, recipient, state, attempts, due_at, made_at,
    settled_at, last_error
FROM outbox_messages WHERE letter_id = %(letter_id)s ORDER BY id

-- name: forget_sent
-- Clears away some messages that were sent long ago.
DELETE FROM outbox_messages WHERE id IN (
    SELECT id FROM outbox_messages
    WHERE state = 'sent' AND settled_at <= now() - make_interval(days => %(days)s)
    ORDER BY settled_at LIMIT 500 FOR UPDATE SKIP LOCKED
)

-- name: unsent
-- How many messages wait and how many are dead, and for how long the one that is most overdue has been due.
SELECT state, count(*) AS messages,
       greatest(0, extract(epoch FROM now() - min(due_at)))::float8 AS oldest_s
FROM outbox_messages WHERE state IN ('waiting', 'dead') GROUP BY state
