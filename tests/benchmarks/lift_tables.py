"""How well lift tables are worked out: errors, the least errors there could be, intervals, matching, and time.

    python -m tests.benchmarks.lift_tables --draws 1000

Simulated bench tables of lobes with known truth: 0.0005 in of noise, a reading every 2 cam degrees, 0.002 in of runout
(the indicator's whole swing), 1 % of wild readings, the nose anywhere. Beside each error stands the Cramer-Rao bound:
the least standard deviation of any unbiased estimate from the same angles and noise, without the wild readings, with
level and once-per-turn wave unknown and the shape free among quintic splines on equal pieces of its event, the fewest
pieces that hold that lobe to `FAMILY_WITHIN_MM` (so the bound knows the event and how plain the lobe is; we do not).
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import time
from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Floats
from service.domain.readings import LobeKind
from service.identification.catalogue_table.lift_curves import CatalogueCurves
from service.identification.entries.table_evidence import spreads_of
from service.identification.measuring.model import DEFAULT_MODEL
from service.lobe.analysis import LobeTable, TableSheet, analyse
from service.lobe.base_circle import fit_base
from service.lobe.curve import DEGREE, LiftCurve
from service.lobe.figures import lobe_figures
from service.lobe.lift_table import RawTable
from service.lobe.matching import GRID_DEG, Observed, as_made
from service.lobe.shaft import separation
from service.lobe.smoothing import smooth
from service.lobe.spikes import lone_spikes
from tests.unit.lobe.lobes import INCH, Lobe, bench_table, cycloidal, harmonic, polynomial, ramped

NOISE_MM = 0.0005 * INCH
STEP_DEG = 2.0
CHECK_MM = 0.050 * INCH
FAMILY_WITHIN_MM = 0.0001 * INCH
LOBES = {
    "polynomial": Lobe(polynomial, 7.92, 78, 78),
    "ramped": Lobe(ramped, 8.6, 86, 86),
    "uneven": Lobe(ramped, 7.6, 80, 88),
    "harmonic": Lobe(harmonic, 7.92, 80, 80),
    "cycloidal": Lobe(cycloidal, 7.92, 86, 86),
}


@dataclass(frozen=True)
class Errors:
    """Errors of many draws (lift in inches, duration in crank and centre in cam degrees) and their stated sds."""

    lift: Floats
    lift_sd: Floats
    duration: Floats
    duration_sd: Floats
    centre: Floats
    centre_sd: Floats


def true_centre(lobe: Lobe) -> float:
    """Where the chords of equal lift have their middle, from the nose."""
    shares = np.linspace(0.2, 0.8, 13) * lobe.lift_mm
    return float(np.mean([(lobe.half_angle(s, opening=False) - lobe.half_angle(s, opening=True)) / 2 for s in shares]))


def draw(lobe: Lobe, draws: int, rng: np.random.Generator) -> Errors:
    """Tables of one lobe, worked out."""
    truth, centre = lobe.duration(CHECK_MM), true_centre(lobe)
    rows = []
    for _ in range(draws):
        nose = rng.uniform(0, 360)
        at, lift, _ = bench_table(lobe, rng, nose_deg=nose, step_deg=STEP_DEG, noise_mm=NOISE_MM)
        found = analyse(TableSheet((LobeTable(LobeKind.INTAKE, RawTable(at, lift)),))).lobes[0].figures
        duration = next(d.crank_deg for d in found.durations if abs(d.checking_lift_mm - CHECK_MM) < 1e-9)
        off = (found.centre.value - nose - centre + 180) % 360 - 180
        rows.append(
            (
                (found.lift.value - lobe.lift_mm) / INCH,
                found.lift.sd / INCH,
                duration.value - truth,
                duration.sd,
                off,
                found.centre.sd,
            )
        )
    return Errors(*np.array(rows).T)


def family_pieces(lobe: Lobe) -> int:
    """The fewest equal pieces whose quintic splines hold a lobe to `FAMILY_WITHIN_MM`."""
    return next(pieces for pieces in range(6, 80) if misfit(lobe, pieces) < FAMILY_WITHIN_MM)


def misfit(lobe: Lobe, pieces: int) -> float:
    """How far the best spline of the family lies from a lobe, at most, in mm."""
    at = np.linspace(-lobe.opening_deg, lobe.closing_deg, 1201)
    basis = frame(lobe, pieces).basis(at)
    lift = lobe.at(at)
    best = np.linalg.lstsq(basis, lift, rcond=None)[0]
    return float(np.abs(basis @ best - lift).max())


def frame(lobe: Lobe, pieces: int) -> LiftCurve:
    """The family over a lobe's event."""
    return LiftCurve(-lobe.opening_deg, lobe.closing_deg, pieces, np.zeros(pieces + DEGREE - 6), np.zeros((0, 0)))


def bounds(lobe: Lobe, pieces: int) -> tuple[float, float, float]:
    """Cramer-Rao standard deviations of lift (in), duration (crank) and centre (cam degrees), averaged over phases."""
    found = []
    for phase in np.linspace(0, STEP_DEG, 8, endpoint=False):
        at = np.arange(-180 + phase, 180, STEP_DEG)
        curve = frame(lobe, pieces)
        t = np.radians(at)
        design = np.column_stack([np.ones_like(t), np.cos(t), np.sin(t), curve.basis(at)])
        information = design.T @ design / NOISE_MM**2
        covariance = np.linalg.inv(information)[3:, 3:]
        dense = np.linspace(-lobe.opening_deg, lobe.closing_deg, 1201)
        best = np.linalg.lstsq(curve.basis(dense), lobe.at(dense), rcond=None)[0]
        figures = lobe_figures(LiftCurve(curve.start_deg, curve.stop_deg, pieces, best, covariance))
        duration = next(d.crank_deg for d in figures.durations if abs(d.checking_lift_mm - CHECK_MM) < 1e-9)
        found.append((figures.lift.sd / INCH, duration.sd, figures.centre.sd))
    mean = np.sqrt(np.mean(np.square(found), axis=0))
    return float(mean[0]), float(mean[1]), float(mean[2])


def look_alikes(draws: int, rng: np.random.Generator, apart_crank_deg: float = 3.0) -> float:
    """Share of tables, of one of two lobes of equal lift with durations so far apart, whose own nominal is likelier.

    Each ground lobe strays from its nominal in lift (0.0004 in) and in the width of each flank (0.1 cam degrees).
    """
    right = 0
    spreads = spreads_of(DEFAULT_MODEL)
    for _ in range(draws):
        law = (polynomial, ramped, harmonic)[rng.integers(3)]
        lift, half = rng.uniform(7, 10), rng.uniform(76, 88)
        unit = Lobe(law, lift, 1, 1).half_angle(CHECK_MM, opening=True)
        wider = half + apart_crank_deg / 4 / unit
        nominal = [Lobe(law, lift, width, width) for width in (half, wider)]
        own = int(rng.integers(2))
        true = nominal[own]
        ground = Lobe(
            law,
            lift + rng.normal(0, 0.0004 * INCH),
            true.opening_deg + rng.normal(0, 0.1),
            true.closing_deg + rng.normal(0, 0.1),
        )
        at, read, _ = bench_table(ground, rng, nose_deg=rng.uniform(0, 360))
        report = analyse(TableSheet((LobeTable(LobeKind.INTAKE, RawTable(at, read)),))).lobes[0]
        seen = Observed.of(report.table.curve, report.figures.centre.value, report.figures.lift)
        logs = as_made(seen, spreads, used=False).log_likelihood(np.array([n.at(GRID_DEG) for n in nominal]))
        right += int(logs.argmax()) == own
    return right / draws


def separations(draws: int, rng: np.random.Generator) -> Floats:
    """Errors of lobe separation, cam degrees, of two lobes on one index."""
    off = []
    for _ in range(draws):
        figures = []
        for kind, lobe, nose in (("exhaust", "uneven", 112.0), ("intake", "polynomial", 220.0)):
            at, lift, _ = bench_table(LOBES[lobe], rng, nose_deg=nose)
            found = analyse(TableSheet((LobeTable(LobeKind(kind), RawTable(at, lift)),))).lobes[0].figures
            figures.append(found.centre)
        off.append(separation(*figures).value - (108.0 - true_centre(LOBES["uneven"])))
    return np.array(off)


def times() -> tuple[float, float]:
    """Milliseconds of CPU: one table of 360 points analysed; one lobe against 10,000 tables."""
    rng = np.random.default_rng(1)
    tables = [bench_table(LOBES["ramped"], rng, step_deg=1.0)[:2] for _ in range(40)]
    spent = []
    for at, lift in tables:
        started = time.process_time()
        report = analyse(TableSheet((LobeTable(LobeKind.INTAKE, RawTable(at, lift)),))).lobes[0]
        spent.append(time.process_time() - started)
    rows = np.array([Lobe(ramped, 7 + i * 3e-4, 86, 86).at(GRID_DEG) for i in range(10_000)])
    curves = CatalogueCurves(np.stack([rows, rows]), np.ones((2, 10_000), bool))
    seen = Observed.of(report.table.curve, report.figures.centre.value, report.figures.lift)
    matched = []
    for _ in range(20):
        started = time.process_time()
        comparison = as_made(seen, spreads_of(DEFAULT_MODEL), used=True)
        for nominal in (curves.lift[0], curves.lift[0][:, ::-1]):
            comparison.log_likelihood(nominal)
        matched.append(time.process_time() - started)
    return 1000 * float(np.median(spent)), 1000 * float(np.median(matched))


STEPS = {
    "base circle": fit_base,
    "wild readings": lone_spikes,
    "smoothing": smooth,
    "figures": lobe_figures,
}


def shares() -> dict[str, float]:
    """Percent of the time of one table's analysis by step, as the profiler sees it; what is left goes in between."""
    rng = np.random.default_rng(1)
    tables = [bench_table(LOBES["ramped"], rng, step_deg=1.0)[:2] for _ in range(40)]
    profile = cProfile.Profile()
    for at, lift in tables:
        profile.runcall(analyse, TableSheet((LobeTable(LobeKind.INTAKE, RawTable(at, lift)),)))
    spent = {name: row[3] for (_, _, name), row in pstats.Stats(profile).stats.items()}  # type: ignore[attr-defined]
    return {step: 100 * spent[done_by.__name__] / spent["analyse"] for step, done_by in STEPS.items()}


def main() -> None:
    """Print it all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draws", type=int, default=1000, help="tables in all")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    each = max(options.draws // len(LOBES), 10)
    print(f"{'lobe':<12}{'figure':<22}{'95 % of errors':>15}{'rms':>10}{'bound':>10}{'ratio':>7}{'covered':>9}")
    everything: dict[str, list[Floats]] = {"lift, in": [], "duration, crank deg": [], "centre, cam deg": []}
    ratios: dict[str, list[float]] = {name: [] for name in everything}
    covered: dict[str, list[Floats]] = {name: [] for name in everything}
    for name, lobe in LOBES.items():
        errors = draw(lobe, each, rng)
        pieces = family_pieces(lobe)
        least = bounds(lobe, pieces)
        print(f"{name}: the bound's shape has {pieces - 1} free numbers")
        for (figure, found), off, sd, bound in zip(
            everything.items(),
            (errors.lift, errors.duration, errors.centre),
            (errors.lift_sd, errors.duration_sd, errors.centre_sd),
            least,
            strict=True,
        ):
            rms, within = float(np.sqrt(np.mean(off**2))), np.abs(off) <= 1.96 * sd
            found.append(np.abs(off))
            ratios[figure].append((rms / bound) ** 2)
            covered[figure].append(within)
            print(
                f"{name:<12}{figure:<22}{np.quantile(np.abs(off), 0.95):>15.5f}{rms:>10.5f}{bound:>10.5f}"
                f"{rms / bound:>7.2f}{100 * within.mean():>8.1f}%"
            )
    for figure, found in everything.items():
        print(
            f"{'all':<12}{figure:<22}{np.quantile(np.concatenate(found), 0.95):>15.5f}{'':>20}"
            f"{np.sqrt(np.mean(ratios[figure])):>7.2f}{100 * np.concatenate(covered[figure]).mean():>8.1f}%"
        )
    print(f"separation: 95 % of errors within {np.quantile(np.abs(separations(each, rng)), 0.95):.3f} cam degrees")
    print(f"look-alikes 3 crank degrees apart, told by table alone: {100 * look_alikes(2 * each, rng):.1f} %")
    analysed, matched = times()
    print(
        f"CPU: one table of 360 points {analysed:.1f} ms; one lobe against 10,000 tables, both ways, {matched:.1f} ms"
    )
    print("of a table's time: " + ", ".join(f"{step} {share:.0f} %" for step, share in shares().items()))


if __name__ == "__main__":
    main()
