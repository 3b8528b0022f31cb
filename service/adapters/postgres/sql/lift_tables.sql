-- name: keep
-- Lift tables as they were sent.
INSERT INTO lift_tables (id, submission_id, mail_in_id, key_id, kept_by, sent, stored_form, bench)
VALUES (%(id)s, %(submission_id)s, %(mail_in_id)s, %(key_id)s, %(kept_by)s, %(sent)s, %(stored_form)s,
        %(bench)s)

-- name: find
-- Kept lift tables.
SELECT id, submission_id, mail_in_id, kept_by, kept_at, sent, stored_form, withdrawn_by, withdrawn_at, withdrawn_reason,
    bench
FROM lift_tables WHERE id = %(id)s

-- name: of_submission
-- The lift tables of a submission, first to last.
SELECT id, submission_id, mail_in_id, kept_by, kept_at, sent, stored_form, withdrawn_by, withdrawn_at, withdrawn_reason,
    bench
FROM lift_tables WHERE submission_id = %(submission_id)s ORDER BY id

-- name: of_submissions
-- The lift tables of several submissions, first to last.
SELECT id, submission_id, mail_in_id, kept_by, kept_at, sent, stored_form, withdrawn_by, withdrawn_at, withdrawn_reason,
    bench
FROM lift_tables WHERE submission_id = ANY (%(submission_ids)s) ORDER BY id

-- name: ids_of_mail_in
-- Which lift tables were kept with a posted shaft, first to last.
SELECT id FROM lift_tables WHERE mail_in_id = %(mail_in_id)s ORDER BY id

-- name: give
-- Makes a posted shaft's lift tables those of its new submission too.
UPDATE lift_tables SET submission_id = %(submission_id)s WHERE mail_in_id = %(mail_in_id)s AND submission_id IS NULL

-- name: move
-- Makes the lift tables of one submission another's.
UPDATE lift_tables SET submission_id = %(into_id)s WHERE submission_id = %(from_id)s

-- name: withdraw
-- Lets lift tables count no longer; no row where that was said before.
UPDATE lift_tables
SET withdrawn_at = now(), withdrawn_key = %(key_id)s, withdrawn_by = %(by)s, withdrawn_reason = %(reason)s
WHERE id = %(id)s AND withdrawn_at IS NULL
