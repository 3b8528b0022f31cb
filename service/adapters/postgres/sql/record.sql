-- name: confirmed_answers
-- The last answer to every case whose truth is known (null: nobody's), with its candidates' numbers alone.
SELECT truth.submission_id, truth.part_number AS truth, latest.state,
       (SELECT coalesce(jsonb_agg(jsonb_build_object('part_number', candidate -> 'part_number',
                                                     'same_as', candidate -> 'same_as',
                                                     'probability', candidate -> 'probability') ORDER BY place), '[]')
        FROM jsonb_array_elements(latest.answer -> 'candidates') WITH ORDINALITY AS listed (candidate, place)
       ) AS candidates
FROM (SELECT DISTINCT ON (submission_id) submission_id, part_number FROM confirmations ORDER BY submission_id, id DESC
     ) AS truth
CROSS JOIN LATERAL (
    SELECT state, answer FROM submission_rounds WHERE submission_id = truth.submission_id ORDER BY number DESC LIMIT 1
) AS latest
ORDER BY truth.submission_id

-- name: identified_cases
-- How many cases were last answered with each part number alone, and of how many of these the truth is known.
SELECT latest.answer #>> '{candidates,0,part_number}' AS part_number, count(*) AS cases,
       count(*) FILTER (WHERE EXISTS (SELECT FROM confirmations c WHERE c.submission_id = s.id)) AS confirmed
FROM submissions s
CROSS JOIN LATERAL (
    SELECT state, answer FROM submission_rounds WHERE submission_id = s.id ORDER BY number DESC LIMIT 1
) AS latest
WHERE latest.state = 'identified' AND s.closed_why IS DISTINCT FROM 'merged'
GROUP BY part_number
ORDER BY part_number

-- name: confirmed_parts
-- Every case that turned out to be one of our parts, with all its readings.
SELECT s.id, s.reference, truth.part_number AS truth, s.head, found.readings, found.stored_form
FROM (SELECT DISTINCT ON (submission_id) submission_id, part_number FROM confirmations ORDER BY submission_id, id DESC
     ) AS truth
JOIN submissions s ON s.id = truth.submission_id
CROSS JOIN LATERAL (
    SELECT jsonb_agg(entry ORDER BY number, place) FILTER (WHERE entry IS NOT NULL) AS readings,
           (array_agg(stored_form ORDER BY number DESC))[1] AS stored_form
    FROM submission_rounds
    LEFT JOIN LATERAL jsonb_array_elements(readings) WITH ORDINALITY AS entries (entry, place) ON true
    WHERE submission_id = s.id
) AS found
WHERE truth.part_number IS NOT NULL
ORDER BY s.id

-- name: decisions_of_confirmed
-- What people decided of the cases whose truth is known.
SELECT d.submission_id, d.outcome, d.part_number, d.confidence, d.decided_by
FROM decisions d
WHERE EXISTS (SELECT FROM confirmations c WHERE c.submission_id = d.submission_id)
ORDER BY d.id

-- name: second_looks
-- Each second look with the decision before it, if there was one, and otherwise with what the readings had named.
SELECT second.outcome, second.part_number, first.outcome AS first_outcome, first.part_number AS first_part,
       first.decided_by AS first_by, answered.state AS answered_state,
       answered.answer #>> '{candidates,0,part_number}' AS answered_part,
       answered.answer #> '{candidates,0,same_as}' AS answered_same_as
FROM decisions second
LEFT JOIN LATERAL (
    SELECT outcome, part_number, decided_by FROM decisions
    WHERE submission_id = second.submission_id AND id < second.id AND NOT second_look
    ORDER BY id DESC LIMIT 1
) AS first ON true
JOIN submission_rounds answered ON answered.submission_id = second.submission_id AND answered.number = second.round
WHERE second.second_look
ORDER BY second.id
