-- name: find
-- A revision as an engine version reads it, member by member.
SELECT name, form, shape, value FROM engine_tables
WHERE catalogue_revision = %(revision)s AND engine_version = %(engine_version)s AND table_form = %(table_form)s

-- name: is_kept
-- Whether that is there.
SELECT EXISTS (
    SELECT FROM engine_tables
    WHERE catalogue_revision = %(revision)s AND engine_version = %(engine_version)s AND table_form = %(table_form)s
) AS kept

-- name: keep
-- A member of one; where two made it at once, the first stays.
INSERT INTO engine_tables (catalogue_revision, engine_version, table_form, name, form, shape, value)
VALUES (%(revision)s, %(engine_version)s, %(table_form)s, %(name)s, %(form)s, %(shape)s, %(value)s)
ON CONFLICT DO NOTHING

-- name: forget_others
-- Those of other revisions: they are seldom asked for, and made again then.
DELETE FROM engine_tables WHERE catalogue_revision <> %(revision)s
