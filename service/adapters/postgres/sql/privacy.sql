-- name: cases_of
-- The cases of whoever has this e-mail address or telephone number, oldest first.
SELECT id FROM submissions
WHERE contact_email = lower(%(email)s::text) OR (contact_phone = %(phone)s::text AND contact_phone <> '')
ORDER BY id

-- name: everything
-- All that is kept of one case, its photos with it. What only the machine reads (search columns, a
-- letter's PDF) is left out.
SELECT to_jsonb(s) - '{contact_name,contact_email,contact_phone}'::text[] AS submission,
       (SELECT coalesce(jsonb_agg(to_jsonb(r) - 'submission_id' ORDER BY number), '[]')
        FROM submission_rounds r WHERE submission_id = s.id) AS rounds,
       (SELECT coalesce(jsonb_agg(to_jsonb(r) - 'submission_id' ORDER BY id), '[]')
        FROM reviews r WHERE submission_id = s.id) AS reviews,
       (SELECT coalesce(jsonb_agg(to_jsonb(d) - 'submission_id' ORDER BY id), '[]')
        FROM decisions d WHERE submission_id = s.id) AS decisions,
       (SELECT coalesce(jsonb_agg(to_jsonb(n) - 'submission_id' ORDER BY id), '[]')
        FROM case_notes n WHERE submission_id = s.id) AS notes,
       (SELECT coalesce(jsonb_agg(to_jsonb(c) - 'submission_id' ORDER BY id), '[]')
        FROM confirmations c WHERE submission_id = s.id) AS confirmations,
       (SELECT coalesce(jsonb_agg(to_jsonb(l) - '{submission_id,html,pdf}'::text[] ORDER BY issued_at), '[]')
        FROM letters l WHERE submission_id = s.id) AS letters,
       (SELECT coalesce(jsonb_agg(to_jsonb(m) - 'submission_id' ORDER BY made_at), '[]')
        FROM outbox_messages m WHERE submission_id = s.id) AS messages,
       (SELECT coalesce(jsonb_agg((to_jsonb(m) - 'submission_id') || jsonb_build_object('events', (
            SELECT coalesce(jsonb_agg(to_jsonb(e) - '{mail_in_id,key_id}'::text[] ORDER BY number), '[]')
            FROM mail_in_events e WHERE mail_in_id = m.id)) ORDER BY announced_at), '[]')
        FROM mail_ins m WHERE submission_id = s.id) AS shafts,
       (SELECT coalesce(jsonb_agg(to_jsonb(t) - 'submission_id' ORDER BY id), '[]')
        FROM lift_tables t WHERE submission_id = s.id) AS lift_tables,
       (SELECT coalesce(jsonb_agg(jsonb_build_object('id', p.id, 'added_by', p.added_by, 'added_at', p.added_at,
                                                     'jpeg_base64', translate(encode(p.image, 'base64'), E'\n', ''))
                                  ORDER BY p.added_at), '[]')
        FROM photos p
        WHERE p.submission_id = s.id OR p.mail_in_id IN (SELECT id FROM mail_ins WHERE submission_id = s.id)
       ) AS photos,
       (SELECT coalesce(jsonb_agg(to_jsonb(t) - '{submission_id,key_id}'::text[] ORDER BY id), '[]')
        FROM audit_trail t WHERE submission_id = s.id) AS trail
FROM submissions s WHERE s.id = %(id)s

-- name: erase_head
-- Takes out of a case's head whom it is for, what they wrote, and what is etched on their shaft.
UPDATE submissions
SET head = head || '{"contact": null, "note": null, "markings": []}', order_reference = NULL, erased_at = now(),
    row_revision = row_revision + 1
WHERE id = %(id)s

-- name: erase_notes
-- Takes a case's notes away.
DELETE FROM case_notes WHERE submission_id = %(id)s

-- name: erase_reasons
-- Takes what was written about a case out of its decisions; what was decided stays.
UPDATE decisions SET reason = 'erased' WHERE submission_id = %(id)s AND reason <> 'erased'

-- name: erase_confirmation_notes
-- Takes what was written about a case out of its confirmations; what was confirmed stays.
UPDATE confirmations SET note = NULL WHERE submission_id = %(id)s AND note IS NOT NULL

-- name: erase_links
-- Takes the customer's ways back away.
DELETE FROM return_links WHERE submission_id = %(id)s

-- name: erase_letters
-- Takes a case's letters away, and with them whatever waits to mail them.
DELETE FROM letters WHERE submission_id = %(id)s

-- name: erase_shafts
-- Takes the customer out of a posted shaft, or out of those of a case.
UPDATE mail_ins SET contact = NULL, send_back_to = '{}', note = NULL, row_revision = row_revision + 1
WHERE id = %(id)s OR submission_id = %(id)s

-- name: erase_events
-- Takes out of what happened to a shaft, or to those of a case, whatever was written, and the numbers of carriers; that
-- it happened stays.
UPDATE mail_in_events SET note = NULL, details = details - 'tracking'
WHERE mail_in_id IN (SELECT id FROM mail_ins WHERE id = %(id)s OR submission_id = %(id)s)
  AND (note IS NOT NULL OR details ? 'tracking')

-- name: erase_withdrawals
-- Takes what was written about a case or a shaft out of its withdrawn lift tables; the tables stay, and are nobody's.
UPDATE lift_tables SET withdrawn_reason = 'erased'
WHERE (submission_id = %(id)s OR mail_in_id = %(id)s) AND withdrawn_reason IS NOT NULL

-- name: erase_photos
-- Takes the photos of a shaft away, or those of a case and of its shafts.
DELETE FROM photos
WHERE submission_id = %(id)s
   OR mail_in_id IN (SELECT id FROM mail_ins WHERE id = %(id)s OR submission_id = %(id)s)

-- name: erase_replies
-- Takes the replies away that are kept for sending again and speak of a case or a shaft, or of anything that belongs to
-- it; before that is gone itself.
DELETE FROM idempotent_replies WHERE EXISTS (
    SELECT FROM (
        SELECT %(id)s::uuid AS id
        UNION ALL SELECT id FROM reviews WHERE submission_id = %(id)s::uuid
        UNION ALL SELECT id FROM case_notes WHERE submission_id = %(id)s::uuid
        UNION ALL SELECT id FROM decisions WHERE submission_id = %(id)s::uuid
        UNION ALL SELECT id FROM confirmations WHERE submission_id = %(id)s::uuid
        UNION ALL SELECT id FROM letters WHERE submission_id = %(id)s::uuid
        UNION ALL SELECT id FROM outbox_messages WHERE submission_id = %(id)s::uuid
        UNION ALL SELECT id FROM mail_ins WHERE submission_id = %(id)s::uuid
        UNION ALL SELECT id FROM lift_tables WHERE submission_id = %(id)s::uuid OR mail_in_id = %(id)s::uuid
    ) AS its
    WHERE position(convert_to(its.id::text, 'UTF8') IN body) > 0
)

-- name: forget_contacts
-- Takes the customer out of a few cases that nothing has happened to for so long.
UPDATE submissions
SET head = head || '{"contact": null, "note": null}', erased_at = now(), row_revision = row_revision + 1
WHERE id IN (
    SELECT id FROM submissions
    WHERE changed_at < now() - make_interval(days => %(days)s)
      AND (jsonb_typeof(head -> 'contact') = 'object' OR jsonb_typeof(head -> 'note') = 'string')
    ORDER BY changed_at LIMIT 100 FOR UPDATE SKIP LOCKED
)
RETURNING id

-- name: forget_letters_of
-- Takes the letters of a case away whose customer has been forgotten.
DELETE FROM letters WHERE submission_id = ANY (%(ids)s)

-- name: forget_markings
-- Takes the markings out of a few cases that nothing has happened to for so long.
UPDATE submissions
SET head = head || '{"markings": []}', row_revision = row_revision + 1
WHERE id IN (
    SELECT id FROM submissions
    WHERE changed_at < now() - make_interval(days => %(days)s) AND jsonb_array_length(head -> 'markings') > 0
    ORDER BY changed_at LIMIT 100 FOR UPDATE SKIP LOCKED
)
RETURNING id

-- name: forget_notes
-- Takes a few old notes away.
DELETE FROM case_notes WHERE id IN (
    SELECT id FROM case_notes WHERE written_at < now() - make_interval(days => %(days)s)
    ORDER BY written_at LIMIT 100 FOR UPDATE SKIP LOCKED
)

-- name: forget_cases
-- Takes a few cases away that nothing has happened to for so long, with all that belongs to them.
DELETE FROM submissions WHERE id IN (
    SELECT id FROM submissions WHERE changed_at < now() - make_interval(days => %(days)s)
    ORDER BY changed_at LIMIT 100 FOR UPDATE SKIP LOCKED
)
RETURNING id

-- name: forget_links
-- Takes a few lapsed links away.
DELETE FROM return_links WHERE digest IN (
    SELECT digest FROM return_links WHERE lapses_at <= now() ORDER BY lapses_at LIMIT 100 FOR UPDATE SKIP LOCKED
)

-- name: forget_photos
-- Takes a few old photos away.
DELETE FROM photos WHERE id IN (
    SELECT id FROM photos WHERE added_at < now() - make_interval(days => %(days)s)
    ORDER BY added_at LIMIT 20 FOR UPDATE SKIP LOCKED
)

-- name: shafts_of
-- The posted shafts of whoever has this e-mail address or telephone number, beside those of the cases given.
SELECT id FROM mail_ins
WHERE (submission_id IS NULL OR submission_id <> ALL (%(case_ids)s::uuid[]))
  AND (lower(contact ->> 'email') = lower(%(email)s::text)
       OR (regexp_replace(coalesce(contact ->> 'phone', ''), '[^0-9]', '', 'g') = %(phone)s::text
           AND %(phone)s::text <> ''))
ORDER BY id

-- name: everything_of_shaft
-- All that is kept of one posted shaft, its lift tables and photos with it.
SELECT to_jsonb(m) AS shaft,
       (SELECT coalesce(jsonb_agg(to_jsonb(e) - '{mail_in_id,key_id}'::text[] ORDER BY number), '[]')
        FROM mail_in_events e WHERE mail_in_id = m.id) AS events,
       (SELECT coalesce(jsonb_agg(to_jsonb(t) - 'mail_in_id' ORDER BY id), '[]')
        FROM lift_tables t WHERE mail_in_id = m.id) AS lift_tables,
       (SELECT coalesce(jsonb_agg(jsonb_build_object('id', p.id, 'added_by', p.added_by, 'added_at', p.added_at,
                                                     'jpeg_base64', translate(encode(p.image, 'base64'), E'\n', ''))
                                  ORDER BY p.added_at), '[]')
        FROM photos p WHERE p.mail_in_id = m.id) AS photos
FROM mail_ins m WHERE m.id = %(id)s

-- name: forget_shaft_contacts
-- Takes the customer out of a few posted shafts to which, and to whose cases, nothing has happened for so long.
UPDATE mail_ins SET contact = NULL, send_back_to = '{}', note = NULL, row_revision = row_revision + 1
WHERE id IN (
    SELECT m.id FROM mail_ins m LEFT JOIN submissions s ON s.id = m.submission_id
    WHERE greatest(m.state_since, coalesce(s.changed_at, m.state_since)) < now() - make_interval(days => %(days)s)
      AND (jsonb_typeof(m.contact) = 'object' OR m.send_back_to <> '{}' OR m.note IS NOT NULL
           OR EXISTS (SELECT FROM mail_in_events
                      WHERE mail_in_id = m.id AND (mail_in_events.note IS NOT NULL OR details ? 'tracking')))
    ORDER BY m.state_since LIMIT 100 FOR UPDATE OF m SKIP LOCKED
)
RETURNING id

-- name: forget_shafts
-- Takes a few posted shafts away, with what happened to them, whose journey ended so long ago and whose case is gone.
DELETE FROM mail_ins WHERE id IN (
    SELECT m.id FROM mail_ins m
    WHERE m.submission_id IS NULL AND m.state IN ('returned', 'scrapped', 'withdrawn')
      AND m.state_since < now() - make_interval(days => %(days)s)
      AND NOT EXISTS (SELECT FROM letters WHERE mail_in_id = m.id)
    ORDER BY m.state_since LIMIT 100 FOR UPDATE SKIP LOCKED
)
RETURNING id
