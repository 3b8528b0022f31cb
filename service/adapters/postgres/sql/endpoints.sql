-- name: add
-- A new address.
INSERT INTO webhook_endpoints (id, url, secret, topics, key_id, note)
VALUES (%(id)s, %(url)s, %(secret)s, %(topics)s, %(key_id)s, %(note)s)
RETURNING id, url, topics, key_id, note, made_at, disabled_at, disabled_why

-- name: all
-- Every address, oldest first.
SELECT id, url, topics, key_id, note, made_at, disabled_at, disabled_why FROM webhook_endpoints ORDER BY id

-- name: find
-- One address.
SELECT id, url, topics, key_id, note, made_at, disabled_at, disabled_why FROM webhook_endpoints WHERE id = %(id)s

-- name: wanting
-- The addresses that want to hear of a topic in a case opened with a key.
SELECT id, url, topics, key_id, note, made_at, disabled_at, disabled_why FROM webhook_endpoints
WHERE disabled_at IS NULL
  AND (cardinality(topics) = 0 OR %(topic)s::text = ANY (topics))
  AND (key_id IS NULL OR key_id = %(key_id)s::uuid)
ORDER BY id

-- name: change_secret
-- A new secret; the one there was signs along for a day.
UPDATE webhook_endpoints
SET old_secret = secret, old_secret_until = now() + interval '1 day', secret = %(secret)s
WHERE id = %(id)s
RETURNING id

-- name: disable
-- Nothing is sent there any more.
UPDATE webhook_endpoints SET disabled_at = now(), disabled_why = %(why)s
WHERE id = %(id)s AND disabled_at IS NULL
RETURNING id

-- name: secrets_in_use
-- The secrets of every address that anything is sent to.
SELECT secret, old_secret FROM webhook_endpoints WHERE disabled_at IS NULL

-- name: hold_secrets
-- Every address's secrets, held so that nobody changes one meanwhile.
SELECT id, secret, old_secret FROM webhook_endpoints ORDER BY id FOR UPDATE

-- name: keep_secrets
-- The same secrets of an address, kept another way.
UPDATE webhook_endpoints SET secret = %(secret)s, old_secret = %(old_secret)s WHERE id = %(id)s
