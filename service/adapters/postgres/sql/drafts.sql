-- name: keep
-- A catalogue that was uploaded.
INSERT INTO catalogue_draft
    (id, name, made_key, made_by, cores, parts, findings, document, corrected, stated, stated_by)
VALUES (%(id)s, %(name)s, %(key_id)s, %(by)s, %(cores)s, %(parts)s, %(findings)s, %(document)s, %(corrected)s,
        %(stated)s, %(stated_by)s)

-- name: take_turns
-- One upload at a time, so that no more are kept than may be.
SELECT pg_advisory_xact_lock(hashtext('catalogue_draft'))

-- name: all
-- What is kept, newest first.
SELECT id, name, made_by, made_at, cores, parts, findings FROM catalogue_draft ORDER BY id DESC

-- name: find
-- One of them.
SELECT id, name, made_by, made_at, cores, parts, findings FROM catalogue_draft WHERE id = %(id)s

-- name: hold
-- The same, held until the transaction ends.
SELECT id, name, made_by, made_at, cores, parts, findings FROM catalogue_draft WHERE id = %(id)s FOR UPDATE

-- name: document
-- The catalogue in it.
SELECT document FROM catalogue_draft WHERE id = %(id)s

-- name: stated
-- The same as the code `stated_by` holds it; no row where other code kept it.
SELECT stated FROM catalogue_draft WHERE id = %(id)s AND stated_by = %(stated_by)s

-- name: corrected
-- Its sheets as they should be.
SELECT corrected FROM catalogue_draft WHERE id = %(id)s

-- name: remove
-- It is published, or discarded.
DELETE FROM catalogue_draft WHERE id = %(id)s RETURNING id
