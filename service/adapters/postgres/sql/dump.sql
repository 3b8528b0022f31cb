-- name: tables
-- How many tables of ours the database holds.
SELECT count(*) FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p')
