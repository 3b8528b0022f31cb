-- name: decide
-- Keeps a decision; a second one for the same review breaks the table's rule.
INSERT INTO decisions
    (id, submission_id, review_id, second_look, round, outcome, part_number, confidence, reason, catalogue_revision,
     decided_key, decided_by)
VALUES
    (%(id)s, %(submission_id)s, %(review_id)s, %(second_look)s, %(round)s, %(outcome)s, %(part_number)s,
     %(confidence)s, %(reason)s, %(catalogue_revision)s, %(key_id)s, %(by)s)
RETURNING id, review_id, second_look, round, outcome, part_number, confidence, reason, catalogue_revision, decided_by,
          decided_at

-- name: decisions
-- A case's decisions, first to last.
SELECT id, review_id, second_look, round, outcome, part_number, confidence, reason, catalogue_revision, decided_by,
       decided_at
FROM decisions WHERE submission_id = %(submission_id)s ORDER BY id

-- name: note
-- Something written down about a case.
INSERT INTO case_notes (id, submission_id, text, written_key, written_by)
VALUES (%(id)s, %(submission_id)s, %(text)s, %(key_id)s, %(by)s)
RETURNING id, text, written_by, written_at

-- name: notes
-- A case's notes, first to last.
SELECT id, text, written_by, written_at FROM case_notes WHERE submission_id = %(submission_id)s ORDER BY id

-- name: confirm
-- What a shaft turned out to be.
INSERT INTO confirmations (id, submission_id, source, outcome, part_number, note, confirmed_key, confirmed_by)
VALUES (%(id)s, %(submission_id)s, %(source)s, %(outcome)s, %(part_number)s, %(note)s, %(key_id)s, %(by)s)
RETURNING id, source, part_number, note, confirmed_by, confirmed_at

-- name: confirmations
-- What a case's shaft turned out to be, first to last.
SELECT id, source, part_number, note, confirmed_by, confirmed_at
FROM confirmations WHERE submission_id = %(submission_id)s ORDER BY id

-- name: close
-- Closes a case; no row where it is closed.
UPDATE submissions
SET closed_at = now(), closed_why = %(why)s, merged_into = %(merged_into)s,
    order_reference = coalesce(%(order_reference)s, order_reference), row_revision = row_revision + 1,
    changed_at = now()
WHERE id = %(id)s AND closed_at IS NULL
RETURNING id

-- name: reopen
-- Opens a closed case again, as one that nobody has been reminded of; no row where it is open, or was merged.
UPDATE submissions
SET closed_at = NULL, closed_why = NULL, reminded_at = NULL, row_revision = row_revision + 1, changed_at = now()
WHERE id = %(id)s AND closed_at IS NOT NULL AND closed_why <> 'merged'
RETURNING id

-- name: search
-- Cases that fit all that is known, newest first.
SELECT s.id, s.reference, s.source, s.state, s.head #>> '{contact,name}' AS name,
       s.head #>> '{contact,email}' AS email, s.head #>> '{contact,phone}' AS phone,
       latest.leading_part, decided.part_number AS decided, s.opened_at, s.changed_at, s.closed_at, s.closed_why
FROM submissions s
CROSS JOIN LATERAL (
    SELECT answer #>> '{candidates,0,part_number}' AS leading_part,
           jsonb_typeof(answer -> 'next_reading') = 'object' AS asks
    FROM submission_rounds WHERE submission_id = s.id ORDER BY number DESC LIMIT 1
) AS latest
LEFT JOIN LATERAL (
    SELECT id, part_number FROM decisions WHERE submission_id = s.id ORDER BY id DESC LIMIT 1
) AS decided ON true
WHERE (%(reference)s::text IS NULL OR s.reference = %(reference)s)
  AND (%(names)s::text IS NULL OR s.contact_name @@ to_tsquery('simple', %(names)s))
  AND (%(email)s::text IS NULL OR s.contact_email = lower(%(email)s))
  AND (%(phone)s::text IS NULL OR s.contact_phone = %(phone)s)
  AND (%(part_number)s::text IS NULL OR s.id IN (
        SELECT submission_id FROM submission_rounds WHERE answer #>> '{candidates,0,part_number}' = %(part_number)s
        UNION ALL
        SELECT submission_id FROM decisions WHERE part_number = %(part_number)s))
  AND (%(opened_from)s::timestamptz IS NULL OR s.opened_at >= %(opened_from)s)
  AND (%(opened_before)s::timestamptz IS NULL OR s.opened_at < %(opened_before)s)
  AND (%(is_open)s::boolean IS NULL OR (s.closed_at IS NULL) = %(is_open)s)
  AND (%(left_half_done)s::boolean IS NULL OR %(left_half_done)s = (
        s.closed_at IS NULL AND s.state <> 'identified' AND decided.id IS NULL
        AND NOT EXISTS (SELECT FROM reviews WHERE submission_id = s.id AND state IN ('waiting', 'claimed'))
        AND latest.asks))
  AND (%(before)s::uuid IS NULL OR s.id < %(before)s)
ORDER BY s.id DESC
LIMIT %(limit)s

-- name: others_of
-- Other cases of whoever this one is for, by e-mail address or telephone number, newest first.
SELECT s.id, s.reference, s.source, s.state, s.head #>> '{contact,name}' AS name,
       s.head #>> '{contact,email}' AS email, s.head #>> '{contact,phone}' AS phone,
       latest.leading_part, decided.part_number AS decided, s.opened_at, s.changed_at, s.closed_at, s.closed_why
FROM submissions this
JOIN submissions s
  ON s.id <> this.id AND (s.contact_email = this.contact_email OR s.contact_phone = nullif(this.contact_phone, ''))
CROSS JOIN LATERAL (
    SELECT answer #>> '{candidates,0,part_number}' AS leading_part
    FROM submission_rounds WHERE submission_id = s.id ORDER BY number DESC LIMIT 1
) AS latest
LEFT JOIN LATERAL (
    SELECT part_number FROM decisions WHERE submission_id = s.id ORDER BY id DESC LIMIT 1
) AS decided ON true
WHERE this.id = %(submission_id)s
ORDER BY s.id DESC
LIMIT %(limit)s

-- name: add_link
-- A customer's way back to a case, for a while.
INSERT INTO return_links (digest, submission_id, lapses_at)
VALUES (%(digest)s, %(submission_id)s, now() + %(lasts)s::interval)
RETURNING lapses_at

-- name: find_link
-- Where a link leads that has not lapsed, and with which key that case was opened.
SELECT l.submission_id, s.key_id FROM return_links l JOIN submissions s ON s.id = l.submission_id
WHERE l.digest = %(digest)s AND l.lapses_at > now()

-- name: silent
-- Open cases, not identified and not reminded of, to which nothing has been added for so many days; longest first, after
-- a place in that order.
SELECT changed_at, id FROM submissions
WHERE closed_at IS NULL AND reminded_at IS NULL AND state <> 'identified'
  AND changed_at < now() - make_interval(days => %(days)s)
  AND (changed_at, id) > (coalesce(%(after_at)s::timestamptz, '-infinity'),
                          coalesce(%(after_id)s::uuid, '00000000-0000-0000-0000-000000000000'))
ORDER BY changed_at, id
LIMIT %(limit)s

-- name: take_half_done
-- Marks a few of these as reminded whose callers were asked for a reading and are waited for by nobody.
UPDATE submissions SET reminded_at = now()
WHERE id IN (
    SELECT s.id FROM submissions s
    WHERE s.id = ANY (%(silent)s::uuid[])
      AND s.closed_at IS NULL AND s.reminded_at IS NULL AND s.state <> 'identified'
      AND s.changed_at < now() - make_interval(days => %(days)s)
      AND NOT EXISTS (SELECT FROM decisions WHERE submission_id = s.id)
      AND NOT EXISTS (SELECT FROM reviews WHERE submission_id = s.id AND state IN ('waiting', 'claimed'))
      AND (SELECT jsonb_typeof(answer -> 'next_reading') = 'object'
           FROM submission_rounds WHERE submission_id = s.id ORDER BY number DESC LIMIT 1)
    ORDER BY s.changed_at LIMIT 20 FOR UPDATE SKIP LOCKED
)
RETURNING id, key_id

-- name: close_half_done
-- Closes a few cases whose callers were reminded so many days ago and have not come back.
UPDATE submissions
SET closed_at = now(), closed_why = 'no_reply', row_revision = row_revision + 1, changed_at = now()
WHERE id IN (
    SELECT s.id FROM submissions s
    WHERE s.closed_at IS NULL AND s.reminded_at IS NOT NULL AND s.changed_at <= s.reminded_at
      AND s.reminded_at < now() - make_interval(days => %(days)s)
      AND NOT EXISTS (SELECT FROM reviews WHERE submission_id = s.id AND state IN ('waiting', 'claimed'))
    ORDER BY s.reminded_at LIMIT 100 FOR UPDATE SKIP LOCKED
)
RETURNING id
