-- name: claim
-- Holds a client's key until the transaction ends; false while another transaction holds it.
SELECT pg_try_advisory_xact_lock(hashtextextended(%(client_key)s, hashtextextended(%(key_id)s::uuid::text, 0))) AS held

-- name: find
-- The reply kept under a client's key, unless it is too old.
SELECT request_hash, status, headers, body FROM idempotent_replies
WHERE key_id = %(key_id)s AND client_key = %(client_key)s
  AND kept_at > now() - make_interval(secs => %(kept_seconds)s)

-- name: keep
-- Keeps a reply, in place of one that was too old to be found.
INSERT INTO idempotent_replies (key_id, client_key, request_hash, status, headers, body)
VALUES (%(key_id)s, %(client_key)s, %(request_hash)s, %(status)s, %(headers)s, %(body)s)
ON CONFLICT (key_id, client_key) DO UPDATE
SET request_hash = excluded.request_hash, status = excluded.status, headers = excluded.headers, body = excluded.body,
    kept_at = now()

-- name: forget_old
-- Clears away a few replies past their time; rows another transaction is at are left to it.
DELETE FROM idempotent_replies WHERE (key_id, client_key) IN (
    SELECT key_id, client_key FROM idempotent_replies
    WHERE kept_at <= now() - make_interval(secs => %(kept_seconds)s)
    ORDER BY kept_at LIMIT 20 FOR UPDATE SKIP LOCKED
)
