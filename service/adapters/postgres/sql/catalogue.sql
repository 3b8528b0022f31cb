-- name: active_revision
-- The number of the active revision.
SELECT number FROM catalogue_revision WHERE state = 'active'

-- name: allow_time
-- An import may take longer than a request, may wait for another import to end, and thinks long between statements.
SELECT set_config('statement_timeout', '600s', true), set_config('lock_timeout', '60s', true),
    set_config('idle_in_transaction_session_timeout', '600s', true)

-- name: take_turns
-- One import at a time; readers are not held up.
LOCK TABLE catalogue_revision IN SHARE ROW EXCLUSIVE MODE

-- name: begin_revision
-- A revision that takes rows, numbered after the last.
INSERT INTO catalogue_revision (number, state, made_by, reason, cores, parts)
SELECT coalesce(max(number), 0) + 1, 'loading', %(made_by)s, %(reason)s, %(cores)s, %(parts)s FROM catalogue_revision
RETURNING number

-- name: copy_cores
-- The rows of a revision come by COPY, here and below.
COPY catalogue_core (revision, place, code, name, unit, engine_families, gear_teeth, overall_length_mm) FROM STDIN

-- name: copy_journals
-- Journals of the cores.
COPY catalogue_journal (revision, core, position, place, diameter_mm, minus_mm, plus_mm) FROM STDIN

-- name: copy_parts
-- Parts, in any order: successors are looked for at the end.
COPY catalogue_part
    (revision, place, part_number, core, unit, title, status, superseded_by, units_sold, lobe_separation_cam_deg)
FROM STDIN

-- name: copy_lobes
-- Lobes of the parts.
COPY catalogue_lobe
    (revision, part_number, lobe, lift_mm, base_circle_mm, lash_mm, rocker_ratio,
     lift_minus_mm, lift_plus_mm, base_circle_minus_mm, base_circle_plus_mm)
FROM STDIN

-- name: copy_durations
-- Durations of the lobes.
COPY catalogue_duration (revision, part_number, lobe, checking_lift_mm, crank_deg) FROM STDIN

-- name: copy_lift_tables
-- Lift tables of the lobes.
COPY catalogue_lift_table (revision, part_number, lobe, follower, roller_radius_mm, cam_deg, lift_mm) FROM STDIN

-- name: repeat_cores
-- What a revision has from one that is there already comes from it without leaving the database, here and below: all
-- cores but those named. Rows keep their places, so that what was taken out leaves a gap, which says nothing.
INSERT INTO catalogue_core (revision, place, code, name, unit, engine_families, gear_teeth, overall_length_mm)
SELECT %(revision)s, place, code, name, unit, engine_families, gear_teeth, overall_length_mm
FROM catalogue_core WHERE revision = %(old)s AND code <> ALL (%(others)s::text[])

-- name: repeat_journals
-- Journals of all cores but those named.
INSERT INTO catalogue_journal (revision, core, position, place, diameter_mm, minus_mm, plus_mm)
SELECT %(revision)s, core, position, place, diameter_mm, minus_mm, plus_mm
FROM catalogue_journal WHERE revision = %(old)s AND core <> ALL (%(others)s::text[])

-- name: repeat_parts
-- All parts but those named.
INSERT INTO catalogue_part
    (revision, place, part_number, core, unit, title, status, superseded_by, units_sold, lobe_separation_cam_deg)
SELECT %(revision)s, place, part_number, core, unit, title, status, superseded_by, units_sold, lobe_separation_cam_deg
FROM catalogue_part WHERE revision = %(old)s AND part_number <> ALL (%(others)s::text[])

-- name: repeat_lobes
-- Lobes of all parts but those named.
INSERT INTO catalogue_lobe
    (revision, part_number, lobe, lift_mm, base_circle_mm, lash_mm, rocker_ratio,
     lift_minus_mm, lift_plus_mm, base_circle_minus_mm, base_circle_plus_mm)
SELECT %(revision)s, part_number, lobe, lift_mm, base_circle_mm, lash_mm, rocker_ratio,
       lift_minus_mm, lift_plus_mm, base_circle_minus_mm, base_circle_plus_mm
FROM catalogue_lobe WHERE revision = %(old)s AND part_number <> ALL (%(others)s::text[])

-- name: repeat_durations
-- Durations of all parts but those named.
INSERT INTO catalogue_duration (revision, part_number, lobe, checking_lift_mm, crank_deg)
SELECT %(revision)s, part_number, lobe, checking_lift_mm, crank_deg
FROM catalogue_duration WHERE revision = %(old)s AND part_number <> ALL (%(others)s::text[])

-- name: repeat_lift_tables
-- Lift tables of all parts but those named.
INSERT INTO catalogue_lift_table (revision, part_number, lobe, follower, roller_radius_mm, cam_deg, lift_mm)
SELECT %(revision)s, part_number, lobe, follower, roller_radius_mm, cam_deg, lift_mm
FROM catalogue_lift_table WHERE revision = %(old)s AND part_number <> ALL (%(others)s::text[])

-- name: core_places
-- The places of the cores named, and after them the first that is free.
SELECT code, place FROM catalogue_core WHERE revision = %(old)s AND code = ANY (%(names)s::text[])
UNION ALL SELECT NULL, max(place) + 1 FROM catalogue_core WHERE revision = %(old)s

-- name: part_places
-- The places of the parts named, and after them the first that is free.
SELECT part_number, place FROM catalogue_part WHERE revision = %(old)s AND part_number = ANY (%(names)s::text[])
UNION ALL SELECT NULL, max(place) + 1 FROM catalogue_part WHERE revision = %(old)s

-- name: tell_planner
-- How many rows there are now; without the tables' ownership this does nothing but warn.
ANALYZE catalogue_core, catalogue_journal, catalogue_part, catalogue_lobe, catalogue_duration, catalogue_lift_table

-- name: retire_active
-- The revision that was active is so no longer.
UPDATE catalogue_revision SET state = 'retired' WHERE state = 'active'

-- name: activate
-- The revision just loaded becomes the active one; refused by the database where it does not hang together.
UPDATE catalogue_revision SET state = 'active' WHERE number = %(revision)s AND state = 'loading'

-- name: revision
-- One revision: who made it, when and why.
SELECT number, state, made_by, reason, made_at, cores, parts FROM catalogue_revision WHERE number = %(revision)s

-- name: revisions
-- Revisions, newest first, those older than `before`.
SELECT number, state, made_by, reason, made_at, cores, parts FROM catalogue_revision
WHERE %(before)s::integer IS NULL OR number < %(before)s::integer
ORDER BY number DESC
LIMIT %(limit)s

-- name: cores
-- The cores of a revision, as stated.
SELECT code, name, unit, engine_families, gear_teeth, overall_length_mm::float8
FROM catalogue_core WHERE revision = %(revision)s ORDER BY place

-- name: journals
-- The journals of a revision's cores.
SELECT core, position, diameter_mm::float8, minus_mm::float8, plus_mm::float8
FROM catalogue_journal WHERE revision = %(revision)s ORDER BY place

-- name: parts
-- The parts of a revision, all of them or those named.
SELECT part_number, core, unit, title, status, superseded_by, units_sold, lobe_separation_cam_deg::float8
FROM catalogue_part
WHERE revision = %(revision)s AND (%(numbers)s::text[] IS NULL OR part_number = ANY (%(numbers)s::text[]))
ORDER BY place

-- name: lobes
-- The lobes of a revision's parts, all of them or of those named; a part's intake lobe first.
SELECT part_number, lobe, lift_mm::float8, base_circle_mm::float8, lash_mm::float8, rocker_ratio::float8,
    lift_minus_mm::float8, lift_plus_mm::float8, base_circle_minus_mm::float8, base_circle_plus_mm::float8
FROM catalogue_lobe
WHERE revision = %(revision)s AND (%(numbers)s::text[] IS NULL OR part_number = ANY (%(numbers)s::text[]))
ORDER BY lobe DESC

-- name: durations
-- The durations of a revision's lobes, all of them or of the parts named, by rising checking lift.
SELECT part_number, lobe, checking_lift_mm::float8, crank_deg::float8
FROM catalogue_duration
WHERE revision = %(revision)s AND (%(numbers)s::text[] IS NULL OR part_number = ANY (%(numbers)s::text[]))
ORDER BY part_number, lobe, checking_lift_mm

-- name: lift_tables
-- The lift tables of a revision's lobes, all of them or of the parts named.
SELECT part_number, lobe, follower, roller_radius_mm::float8, cam_deg::float8[], lift_mm::float8[]
FROM catalogue_lift_table
WHERE revision = %(revision)s AND (%(numbers)s::text[] IS NULL OR part_number = ANY (%(numbers)s::text[]))

-- name: find_parts
-- A page of a revision's part numbers in the supplier's order: of a core, of a status, beginning so; after a place.
SELECT place, part_number FROM catalogue_part
WHERE revision = %(revision)s AND place > %(after)s
  AND (%(core)s::text IS NULL OR core = %(core)s::text)
  AND (%(status)s::text IS NULL OR status = %(status)s::text)
  AND (%(beginning)s::text IS NULL OR upper(part_number) COLLATE "C" ^@ upper(%(beginning)s::text))
ORDER BY place
LIMIT %(limit)s
