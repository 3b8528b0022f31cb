-- name: is_kept
-- Whether there is a map of a revision under a version.
SELECT EXISTS (
    SELECT FROM look_alike_maps WHERE catalogue_revision = %(revision)s AND engine_version = %(engine_version)s
) AS kept

-- name: find
-- The map of a revision under a version.
SELECT pairs FROM look_alike_maps WHERE catalogue_revision = %(revision)s AND engine_version = %(engine_version)s

-- name: keep
-- A map; where two worked it out at once, the first stays.
INSERT INTO look_alike_maps (catalogue_revision, engine_version, pairs)
VALUES (%(revision)s, %(engine_version)s, %(pairs)s)
ON CONFLICT DO NOTHING

-- name: forget_others
-- Maps under other versions, of every revision: they are not asked for any more.
DELETE FROM look_alike_maps WHERE engine_version <> %(engine_version)s
