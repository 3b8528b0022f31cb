-- name: add
-- A photo, of a case or of a posted shaft.
INSERT INTO photos (id, submission_id, mail_in_id, width, height, image, key_id, added_by)
VALUES (%(id)s, %(submission_id)s, %(mail_in_id)s, %(width)s, %(height)s, %(image)s, %(key_id)s, %(added_by)s)
RETURNING id, width, height, added_by, added_at

-- name: of_case
-- The photos of a case, without the pictures, first to last.
SELECT id, width, height, added_by, added_at FROM photos WHERE submission_id = %(submission_id)s ORDER BY id

-- name: of_mail_in
-- The photos of a posted shaft, without the pictures, first to last.
SELECT id, width, height, added_by, added_at FROM photos WHERE mail_in_id = %(mail_in_id)s ORDER BY id

-- name: image
-- A photo, if it is of this case or of this posted shaft.
SELECT image FROM photos
WHERE id = %(id)s AND (submission_id = %(of)s OR mail_in_id = %(of)s)

-- name: move
-- Makes the photos of one case another's.
UPDATE photos SET submission_id = %(into)s WHERE submission_id = %(submission_id)s
