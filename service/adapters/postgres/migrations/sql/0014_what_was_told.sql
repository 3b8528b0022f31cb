-- An answer that became another under a new catalogue stays out of its customer's sight while it waits for a person: the
-- round they go on seeing, NULL where that is the last one.

ALTER TABLE submissions ADD COLUMN told_round integer CHECK (told_round >= 1);

-- Cases whose change waits for a person already: what was said before the first such change is what was told.
UPDATE submissions s SET told_round = told.round
FROM (
    SELECT c.submission_id, min(c.round_before) AS round
    FROM changed_answers c JOIN reviews r ON r.id = c.review_id
    WHERE c.told_otherwise AND r.state IN ('waiting', 'claimed')
    GROUP BY c.submission_id
) AS told
WHERE told.submission_id = s.id
  AND NOT EXISTS (SELECT FROM submission_rounds a
                  WHERE a.submission_id = s.id AND a.number > told.round AND jsonb_array_length(a.readings) > 0);
