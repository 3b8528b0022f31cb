-- name: add
-- One thing somebody saw or changed.
INSERT INTO audit_trail (key_id, who, action, submission_id, details)
VALUES (%(key_id)s, %(who)s, %(action)s, %(submission_id)s, %(details)s)

-- name: page
-- What was seen and done of one case, or of all, newest first.
SELECT id, at, who, action, submission_id, details FROM audit_trail
WHERE (%(submission_id)s::uuid IS NULL OR submission_id = %(submission_id)s::uuid)
  AND (%(before)s::bigint IS NULL OR id < %(before)s::bigint)
ORDER BY id DESC
LIMIT %(limit)s
