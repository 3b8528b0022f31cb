-- name: active
-- The name of the version in use; no row while that is the code's own constants.
SELECT name FROM engine_versions WHERE active

-- name: find
-- One version, by its name.
SELECT name, code_version, constants, factors, catalogue_revision, cases, fitted, held_out, score_before, score_after,
       made_by, made_at, active, demand
FROM engine_versions WHERE name = %(name)s

-- name: all
-- Every version, newest first.
SELECT name, code_version, constants, factors, catalogue_revision, cases, fitted, held_out, score_before, score_after,
       made_by, made_at, active, demand
FROM engine_versions ORDER BY number DESC

-- name: take_turns
-- One change of versions at a time; readers are not held up.
LOCK TABLE engine_versions IN SHARE ROW EXCLUSIVE MODE

-- name: add
-- A version, numbered after the last; not in use yet.
INSERT INTO engine_versions
    (number, code_version, constants, factors, catalogue_revision, cases, fitted, held_out, score_before, score_after,
     made_by, demand)
SELECT coalesce(max(number), 0) + 1, %(code_version)s, %(constants)s, %(factors)s, %(catalogue_revision)s, %(cases)s,
       %(fitted)s, %(held_out)s, %(score_before)s, %(score_after)s, %(made_by)s,
       %(demand)s
FROM engine_versions
RETURNING name

-- name: retire
-- The version in use is so no longer.
UPDATE engine_versions SET active = false WHERE active

-- name: activate
-- This version is in use; no row where there is none of that name.
UPDATE engine_versions SET active = true WHERE name = %(name)s RETURNING name
