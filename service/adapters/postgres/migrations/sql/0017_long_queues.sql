-- What a queue of a million reviews is claimed, listed and counted by, and its half-done cases minded. Made while old and
-- new code go on working, outside a transaction. The way back is to drop them; code that does not know them needs none.

-- Claiming about some cores: '' is no core.
DROP INDEX CONCURRENTLY IF EXISTS reviews_to_claim_by_skill;
CREATE INDEX CONCURRENTLY reviews_to_claim_by_skill ON reviews (coalesce(skill, ''), priority DESC, due_at, id)
    WHERE state IN ('waiting', 'claimed');

-- Counting by age, without the table.
DROP INDEX CONCURRENTLY IF EXISTS reviews_counted;
CREATE INDEX CONCURRENTLY reviews_counted ON reviews (state, opened_at) INCLUDE (due_at);

-- Callers who were asked for a reading, and those who were reminded.
DROP INDEX CONCURRENTLY IF EXISTS submissions_silent;
CREATE INDEX CONCURRENTLY submissions_silent ON submissions (changed_at, id)
    WHERE closed_at IS NULL AND reminded_at IS NULL AND state <> 'identified';
DROP INDEX CONCURRENTLY IF EXISTS submissions_reminded;
CREATE INDEX CONCURRENTLY submissions_reminded ON submissions (reminded_at)
    WHERE closed_at IS NULL AND reminded_at IS NOT NULL AND changed_at <= reminded_at;
