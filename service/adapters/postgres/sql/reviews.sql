-- name: open
-- Opens the one review a submission may have; no row where it has one already.
INSERT INTO reviews (id, submission_id, reason)
VALUES (%(id)s, %(submission_id)s, %(reason)s)
ON CONFLICT (submission_id) DO NOTHING
RETURNING id, submission_id, state, reason, opened_at

-- name: of_submission
-- A submission's review.
SELECT id, submission_id, state, reason, opened_at FROM reviews WHERE submission_id = %(submission_id)s

-- name: page
-- Reviews in the order they were opened, of one state or of any, after a place in the list.
SELECT id, submission_id, state, reason, opened_at FROM reviews
WHERE (%(state)s::review_state IS NULL OR state = %(state)s::review_state)
  AND (%(after)s::uuid IS NULL OR id > %(after)s::uuid)
ORDER BY id
LIMIT %(limit)s
