-- name: keep
-- A letter as it was issued.
INSERT INTO letters
    (id, submission_id, mail_in_id, round, subject, addressee, html, plain, pdf, issued_key, issued_by, issued_at)
VALUES
    (%(id)s, %(submission_id)s, %(mail_in_id)s, %(round)s, %(subject)s, %(addressee)s, %(html)s, %(plain)s, %(pdf)s,
     %(issued_key)s, %(issued_by)s, %(issued_at)s)

-- name: find
-- A letter.
SELECT id, submission_id, mail_in_id, round, subject, addressee, html, plain, pdf, issued_by, issued_at
FROM letters WHERE id = %(id)s

-- name: of_submission
-- The letters of a submission, newest first.
SELECT id, submission_id, mail_in_id, round, subject, addressee, html, plain, pdf, issued_by, issued_at
FROM letters WHERE submission_id = %(submission_id)s ORDER BY id DESC LIMIT 50
