-- name: add
-- A new key; fails on a digest that is there already, which 192 random bits do not bring about.
INSERT INTO api_keys (id, digest, ending, role, name, origins, expires_at, shared)
VALUES (%(id)s, %(digest)s, %(ending)s, %(role)s, %(name)s, %(origins)s, %(expires_at)s, %(shared)s)

-- name: find
-- The key that works and has this digest; its use is noted at most once a minute, so that reading stays reading.
WITH found AS (
    SELECT id, role, name, origins, shared, last_used_at FROM api_keys
    WHERE digest = %(digest)s AND revoked_at IS NULL AND (expires_at IS NULL OR expires_at > now())
), noted AS (
    UPDATE api_keys SET last_used_at = now()
    FROM found
    WHERE api_keys.id = found.id
      AND (found.last_used_at IS NULL OR found.last_used_at < now() - interval '1 minute')
)
SELECT id, role, name, origins, shared FROM found

-- name: named
-- The key with this id, whether it works or not.
SELECT id, role, name, origins, shared FROM api_keys WHERE id = %(id)s

-- name: all
-- Every key, oldest first.
SELECT id, role, name, origins, shared, ending, created_at, last_used_at, expires_at, revoked_at FROM api_keys
ORDER BY created_at, id

-- name: entry
-- One key as it is listed, held until the transaction ends.
SELECT id, role, name, origins, shared, ending, created_at, last_used_at, expires_at, revoked_at FROM api_keys
WHERE id = %(id)s FOR UPDATE

-- name: hold_admins
-- Holds every admin key that works and does not expire, so that two of them cannot be stopped at once.
SELECT id FROM api_keys WHERE role = 'admin' AND revoked_at IS NULL AND expires_at IS NULL ORDER BY id FOR UPDATE

-- name: expire
-- Lets a key work so long and no longer; what would have expired before that still does.
UPDATE api_keys SET expires_at = least(expires_at, now() + %(after)s) WHERE id = %(id)s

-- name: revoke
-- Stops a key; no row where it does not work any more.
UPDATE api_keys SET revoked_at = now()
WHERE id = %(id)s AND revoked_at IS NULL AND (expires_at IS NULL OR expires_at > now()) RETURNING id
