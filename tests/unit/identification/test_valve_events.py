"""Valve events as evidence: what they say of a shaft, whatever the wheel's zero and however the shaft was fitted."""

from decimal import Decimal

import numpy as np
import pytest
from scipy import integrate, stats

from service.domain.readings import At, Event, Feature, Instrument, Reading, Source, Submission, Written
from service.domain.units import LengthUnit
from service.identification.catalogue_table.table import LOBES
from service.identification.entries.entries import Truth
from service.identification.entries.valve_events import weighed_events
from service.identification.measuring.model import DEFAULT_MODEL, spread_of_mean

NAMES = (Event.INTAKE_OPENS, Event.INTAKE_CLOSES, Event.EXHAUST_OPENS, Event.EXHAUST_CLOSES)


def event(name, *values, lift="0.050", at=At.LOBE):
    written = tuple(Written.parse(str(value)) for value in values)
    return Reading(
        Feature.VALVE_EVENT, written, Instrument.DEGREE_WHEEL, checking_lift=Decimal(lift), at=at, event=name
    )


def told(*readings):
    return Submission(Source.PHONE, LengthUnit.INCH, readings)


def events_of(duration_in, duration_ex, separation, phase):
    """The events of a nominal shaft, its intake centre `separation` - `phase` after top dead centre."""
    centre_in, centre_ex = separation - phase, separation + phase
    return np.array(
        [duration_in / 2 - centre_in, centre_in + duration_in / 2 - 180, centre_ex + duration_ex / 2 - 180,
         duration_ex / 2 - centre_ex]
    )  # fmt: skip


def by_name(found):
    return {(each.truth, each.group[1] if each.truth is Truth.DURATION else None): each for each in found.entries}


def test_four_events_say_what_a_cam_card_s_arithmetic_says():
    # 270 crank degrees, centres 108 after and 112 before top dead centre: 27 BTDC, 63 ABDC, 67 BBDC, 23 ATDC; from
    # duration = opening + 180 + closing and centre = duration / 2 - opening (published valve-timing arithmetic)
    found = by_name(weighed_events(told(*map(event, NAMES, (27, 63, 67, 23))), DEFAULT_MODEL))

    assert found[Truth.DURATION, 0].mean == found[Truth.DURATION, 1].mean == 270
    assert found[Truth.SEPARATION, None].mean == 110


@pytest.mark.parametrize("seed", range(4))
def test_shafts_are_weighed_as_by_integrating_over_every_phase_the_wheel_may_have(seed):
    """Brute force: four normal errors and one phase nobody knows, flat, by quadrature."""
    rng = np.random.default_rng(seed)
    read = np.round(events_of(232, 240, 109, 4) + rng.normal(0, 1.5, 4))
    submission = told(*map(event, NAMES, read))
    found = by_name(weighed_events(submission, DEFAULT_MODEL))
    sd = spread_of_mean(submission.readings[0], submission, DEFAULT_MODEL).sd
    ours, brute = [], []
    for _ in range(6):
        shaft = (rng.uniform(226, 238), rng.uniform(234, 246), rng.uniform(106, 112))
        entries = (found[Truth.DURATION, 0], found[Truth.DURATION, 1], found[Truth.SEPARATION, None])
        ours.append(sum(stats.norm.logpdf(e.mean, nominal, e.sd) for e, nominal in zip(entries, shaft, strict=True)))

        def density(phase, shaft=shaft):
            return np.prod(stats.norm.pdf(read, events_of(*shaft, phase), sd))

        brute.append(np.log(integrate.quad(density, -40, 48, points=[4], limit=400, epsabs=0, epsrel=1e-9)[0]))

    assert np.diff(ours) == pytest.approx(np.diff(brute), abs=1e-6)


def test_their_errors_are_as_large_as_simulated_readings_show_and_independent():
    rng = np.random.default_rng(5)
    submission = told(*map(event, NAMES, (27, 63, 67, 23)))
    found = by_name(weighed_events(submission, DEFAULT_MODEL))
    sd = spread_of_mean(submission.readings[0], submission, DEFAULT_MODEL).sd
    o_i, c_i, o_e, c_e = rng.normal(0, sd, (4, 100_000))
    off = np.array([o_i + c_i, o_e + c_e, (c_i - o_i + o_e - c_e) / 4])

    stated = [found[key].sd for key in ((Truth.DURATION, 0), (Truth.DURATION, 1), (Truth.SEPARATION, None))]
    assert off.std(axis=1) == pytest.approx(stated, rel=0.02)
    assert np.abs(np.corrcoef(off)[np.triu_indices(3, 1)]).max() < 0.02


def test_a_wheel_that_is_off_and_a_shaft_fitted_early_change_nothing():
    plain = weighed_events(told(*map(event, NAMES, (27, 63, 67, 23))), DEFAULT_MODEL)
    early = weighed_events(told(*map(event, NAMES, (32, 58, 72, 18))), DEFAULT_MODEL)

    assert [each.mean for each in early.entries] == [each.mean for each in plain.entries]


def test_an_event_without_its_fellow_is_not_weighed():
    found = weighed_events(told(*map(event, NAMES[:3], (27, 63, 67))), DEFAULT_MODEL)

    (duration,) = found.entries
    assert duration.group == ("duration", LOBES.index("intake"), pytest.approx(1.27), False)
    assert found.used == {0, 1}


def test_events_at_different_checking_lifts_or_places_are_not_put_together():
    apart = told(event(NAMES[0], 27), event(NAMES[1], 63, lift="0.020"))
    places = told(event(NAMES[0], 27), event(NAMES[1], 63, at=At.VALVE))

    for submission in (apart, places):
        assert weighed_events(submission, DEFAULT_MODEL).entries == ()


def test_at_the_valve_the_duration_is_the_valve_s():
    found = weighed_events(told(event(NAMES[0], 27, at=At.VALVE), event(NAMES[1], 63, at=At.VALVE)), DEFAULT_MODEL)

    assert found.entries[0].at_valve is True


def test_an_event_read_again_counts_by_its_weight():
    readings = (event(NAMES[0], 26, 28, 27, 27), event(NAMES[0], 30), event(NAMES[1], 63))
    submission = told(*readings)
    four, one, _ = (spread_of_mean(each, submission, DEFAULT_MODEL).sd for each in readings)

    (found,) = weighed_events(submission, DEFAULT_MODEL).entries

    by_weight = np.average([27, 30], weights=[four**-2, one**-2])
    assert found.mean == pytest.approx(by_weight + 180 + 63)
    assert found.sd == pytest.approx(np.hypot((four**-2 + one**-2) ** -0.5, one))


def test_a_submission_without_events_says_nothing():
    assert weighed_events(told(), DEFAULT_MODEL).entries == ()
