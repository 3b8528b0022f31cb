-- name: add
-- A new instrument; no row where one in use has that name.
INSERT INTO bench_instruments (id, name, serial, kind, resolution, scale, key_id, added_by)
VALUES (%(id)s, %(name)s, %(serial)s, %(kind)s, %(resolution)s, %(scale)s, %(key_id)s, %(by)s)
ON CONFLICT (name) WHERE retired_at IS NULL DO NOTHING
RETURNING id

-- name: find
-- An instrument with its latest calibration.
SELECT i.id, i.name, i.serial, i.kind, i.resolution, i.scale, i.retired_at IS NOT NULL AS retired,
    c.calibrated_on, c.due_on, c.calibrated_by, c.certificate
FROM bench_instruments i
LEFT JOIN LATERAL (
    SELECT * FROM instrument_calibrations WHERE instrument_id = i.id ORDER BY calibrated_on DESC, id DESC LIMIT 1
) c ON true
WHERE i.id = %(id)s

-- name: page
-- Instruments in the order they came, each with its latest calibration; after a place in the list.
SELECT i.id, i.name, i.serial, i.kind, i.resolution, i.scale, i.retired_at IS NOT NULL AS retired,
    c.calibrated_on, c.due_on, c.calibrated_by, c.certificate
FROM bench_instruments i
LEFT JOIN LATERAL (
    SELECT * FROM instrument_calibrations WHERE instrument_id = i.id ORDER BY calibrated_on DESC, id DESC LIMIT 1
) c ON true
WHERE %(after)s::uuid IS NULL OR i.id > %(after)s::uuid
ORDER BY i.id
LIMIT %(limit)s

-- name: calibrations
-- Every calibration of an instrument, latest first.
SELECT calibrated_on, due_on, calibrated_by, certificate, recorded_by, recorded_at
FROM instrument_calibrations WHERE instrument_id = %(id)s ORDER BY calibrated_on DESC, id DESC

-- name: calibrate
-- A calibration of an instrument.
INSERT INTO instrument_calibrations
    (id, instrument_id, calibrated_on, due_on, calibrated_by, certificate, key_id, recorded_by)
VALUES (%(id)s, %(instrument_id)s, %(calibrated_on)s, %(due_on)s, %(by)s, %(certificate)s, %(key_id)s, %(recorded_by)s)

-- name: retire
-- Takes an instrument out of use; no row where that was done before.
UPDATE bench_instruments
SET retired_at = now(), retired_key = %(key_id)s, retired_by = %(by)s, retired_reason = %(reason)s
WHERE id = %(id)s AND retired_at IS NULL
