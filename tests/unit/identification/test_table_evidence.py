"""Lift tables against the catalogue: the vectorised likelihood beside slow obvious ones, and what it decides."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.stats import exponnorm, multivariate_normal, norm

from service.catalogue_files import read_json
from service.domain.catalogue import LiftTable, StatedDuration
from service.domain.readings import LobeKind
from service.identification.catalogue_table.lift_curves import build_curves
from service.identification.catalogue_table.table import build_table
from service.identification.entries.table_evidence import (
    figures_against_stranger,
    observed_of,
    spreads_of,
    table_evidence,
)
from service.identification.measuring.model import DEFAULT_MODEL
from service.lobe.analysis import LobeTable, TableSheet, analyse
from service.lobe.lift_table import RawTable
from service.lobe.matching import GRID_DEG, as_made, loss_beside, wide
from tests.unit.lobe.lobes import Lobe, bench_table, polynomial

CATALOGUE = read_json((Path(__file__).parents[3] / "fixtures" / "catalogue.json").read_bytes())
TABLE = build_table(CATALOGUE)
CURVES = build_curves(CATALOGUE, TABLE)
TABLED = [part for part in CATALOGUE.parts if any(lobe.lift_table for lobe in part.lobes.values())]
AT = np.arange(0, 360, 2.0)
SPREADS = spreads_of(DEFAULT_MODEL)


def lift_of(table: LiftTable, from_nose):
    points = np.array(table.points)
    turned = (from_nose + 180) % 360 - 180
    inside = (turned >= points[0, 0]) & (turned <= points[-1, 0])
    return np.where(inside, np.maximum(CubicSpline(points[:, 0], points[:, 1])(turned), 0), 0.0)


def measured(part, kind, seed=1, nose=143.0, wear=0.0, reverse=False):
    rng = np.random.default_rng(seed)
    clean = lift_of(part.lobes[kind].lift_table, nose - AT if reverse else AT - nose)
    worn = clean - wear * np.exp(-(((AT - nose) / 18) ** 2)) * (clean > 0.5 * clean.max())
    return LobeTable(kind, RawTable(AT, worn + rng.normal(0, 0.0127, AT.size)))


def evidence(*lobes, **options):
    report = analyse(TableSheet(lobes))
    return table_evidence(report, CURVES, TABLE, DEFAULT_MODEL, used=True, **options)


def posterior(found):
    """Parts and stranger under the prior alone."""
    logs = np.append(found.part + TABLE.log_prior + math.log(0.94), found.stranger + math.log(0.06))
    share = np.exp(logs - logs.max())
    return share / share.sum()


@pytest.mark.parametrize("part", TABLED, ids=lambda part: part.part_number)
@pytest.mark.parametrize("kind", list(LobeKind), ids=lambda kind: kind.value)
def test_a_part_with_a_table_is_known_by_one_lobe(part, kind):
    if kind not in part.lobes:
        return
    share = posterior(evidence(measured(part, kind, wear=0.03)))
    same = [i for i, other in enumerate(CATALOGUE.parts) if other.lobes.get(kind) == part.lobes[kind]]
    assert share[same].sum() > 0.99


def test_a_shaft_turned_backwards_is_the_same_part():
    part = max(TABLED, key=lambda p: abs(np.array(p.lobes[LobeKind.INTAKE].lift_table.points)[:, 0].sum()))
    forwards = evidence(measured(part, LobeKind.INTAKE))
    backwards = evidence(measured(part, LobeKind.INTAKE, reverse=True))
    own = TABLE.part_numbers.index(part.part_number)
    assert backwards.part.argmax() == forwards.part.argmax() == own


def test_a_lobe_of_nobody_is_a_strangers():
    odd = Lobe(polynomial, 13.5, 97, 66)
    raw = RawTable(*bench_table(odd, np.random.default_rng(4))[:2])
    assert posterior(evidence(LobeTable(LobeKind.INTAKE, raw)))[-1] > 0.9


def test_more_lobes_say_more():
    part = TABLED[0]
    one = evidence(measured(part, LobeKind.INTAKE))
    both = evidence(measured(part, LobeKind.INTAKE), measured(part, LobeKind.EXHAUST, 2, nose=250.0))
    own = TABLE.part_numbers.index(part.part_number)
    assert both.part[own] - both.stranger > one.part[own] - one.stranger


def test_the_likelihood_of_a_new_lobe_is_a_multivariate_normals():
    seen = observed_of(analyse(TableSheet((measured(TABLED[0], LobeKind.INTAKE),))).lobes[0])
    comparison = as_made(seen, SPREADS, used=False)
    covariance = comparison.factor @ comparison.factor.T
    nominal = CURVES.lift[0][:5]
    slow = [multivariate_normal(row, covariance).logpdf(seen.lift) for row in nominal]
    assert comparison.log_likelihood(nominal) == pytest.approx(slow, rel=1e-9, abs=1e-6)


def test_wear_is_integrated_as_slow_quadrature_does():
    seen = observed_of(analyse(TableSheet((measured(TABLED[0], LobeKind.INTAKE, wear=0.04),))).lobes[0])
    comparison = as_made(seen, SPREADS, used=True)
    covariance = comparison.factor @ comparison.factor.T
    nominal = CURVES.lift[0][TABLE.part_numbers.index(TABLED[0].part_number)]
    amounts, step = np.linspace(0, 0.5, 5001, retstep=True)
    density = multivariate_normal(np.zeros(GRID_DEG.size), covariance)
    mean = SPREADS.wear_mean_mm
    logs = density.logpdf(seen.lift - nominal + amounts[:, None] * seen.wear) - amounts / mean - math.log(mean)
    slow = logs.max() + math.log(np.trapezoid(np.exp(logs - logs.max()), dx=step))
    assert comparison.log_likelihood(nominal[None])[0] == pytest.approx(slow, abs=1e-3)


def test_a_part_without_a_table_is_weighed_by_lift_and_duration_as_scipy_would():
    lobe = Lobe(polynomial, 7.9, 76, 76)
    part = replace(
        CATALOGUE.parts[0],
        lobes={
            LobeKind.INTAKE: replace(
                CATALOGUE.parts[0].lobes[LobeKind.INTAKE],
                lift_mm=7.95,
                lift_table=None,
                lift_tolerance=None,
                durations=(StatedDuration(1.27, 230.0),),
            )
        },
        superseded_by=None,
    )
    table = build_table(replace(CATALOGUE, parts=(part,)))
    raw = RawTable(*bench_table(lobe, np.random.default_rng(3))[:2])
    seen = observed_of(analyse(TableSheet((LobeTable(LobeKind.INTAKE, raw),))).lobes[0])
    opens, closes = seen.curve.crossings([1.27])
    duration = 2 * float((closes - opens)[0])
    model = DEFAULT_MODEL
    sd = math.hypot(model.lift_making_sd, seen.height.sd)
    worn = exponnorm(model.nose_wear_mean / sd, 0, sd).logpdf(7.95 - seen.height_mm)
    strange = norm(7.95, math.hypot(model.stranger_lift_spread, seen.height.sd)).logpdf(seen.height_mm)
    timed = norm(230.0, model.duration_making_sd).logpdf(duration) - norm(230.0, 14.0).logpdf(duration)
    found = figures_against_stranger(seen, 0, table, model, used=True)
    assert found[0] == pytest.approx(worn - strange + timed, abs=1e-6)


def test_wear_of_the_matched_part_is_found_with_its_uncertainty():
    part = TABLED[0]
    seen = observed_of(analyse(TableSheet((measured(part, LobeKind.INTAKE, wear=0.12),))).lobes[0])
    nominal = CURVES.lift[0][TABLE.part_numbers.index(part.part_number)]
    loss = loss_beside(seen, nominal, SPREADS)
    assert loss.nose.value == pytest.approx(0.12, abs=3 * loss.nose.sd)
    assert loss.nose.value > 3 * loss.nose.sd
    flanks = np.abs(GRID_DEG) > 45
    assert np.abs(loss.loss[flanks]).max() < 4 * loss.sd[flanks].max()


def test_a_roller_table_without_its_base_circle_says_nothing_rather_than_something_wrong():
    from service.domain.catalogue import FollowerKind
    from service.lobe.followers import Follower

    report = analyse(TableSheet((measured(TABLED[0], LobeKind.INTAKE),), Follower(FollowerKind.ROLLER, 9.0)))
    assert table_evidence(report, CURVES, TABLE, DEFAULT_MODEL, used=True) is None


def test_a_strangers_density_is_wider_than_any_parts():
    seen = observed_of(analyse(TableSheet((measured(TABLED[0], LobeKind.INTAKE),))).lobes[0])
    own = CURVES.lift[0][TABLE.part_numbers.index(TABLED[0].part_number)][None]
    off = own * 1.08
    narrow, broad = as_made(seen, SPREADS, used=False), wide(seen, SPREADS)
    assert narrow.log_likelihood(own)[0] > broad.log_likelihood(own)[0]
    assert narrow.log_likelihood(off)[0] < broad.log_likelihood(off)[0]
