"""What the next reading is said to be worth, beside what it turns out to be worth when it is taken many times.

An independent Monte Carlo, written from the docstrings of `measuring`: shafts and tools are drawn that fit what was
read (importance sampling), the reading asked for is drawn from each, the submission is identified again, and the
entropy of the answer is compared with that before. The mean drop is the mutual information (T. M. Cover and J. A.
Thomas, Elements of Information Theory, 2nd ed. 2006, section 2.4). Catalogues are invented.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from service.catalogue_files import read_json
from service.domain.catalogue import Catalogue, Part
from service.domain.readings import Condition, Experience, Feature, Instrument, LobeKind, Reading, Submission, Written
from service.domain.units import LengthUnit
from service.identification.answer.next_reading import next_reading
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from service.identification.measuring.model import DEFAULT_MODEL
from service.identification.posterior import Posterior, weigh
from service.web.api.submissions.schemas import SubmissionSchema
from tests.benchmarks.catalogues import fixture_catalogue, grown_catalogue
from tests.catalogues import catalogue, plain_lobe
from tests.submissions import CALIPER, base, height, journal, submission

MODEL = replace(
    DEFAULT_MODEL,
    regrind_prior=1e-7,
    stranger_prior=1e-7,
    unexplained_prior=1e-12,
    slip_priors=dict.fromkeys(DEFAULT_MODEL.slip_priors, 1e-9),
)
"""Shafts that are somebody's and were not reground, of callers who make no slips: what is left can be drawn."""
DRAWS, CANDIDATES = 50, 30_000


def grinds(*lifts_in: tuple[float, float]) -> Catalogue:
    """Parts on one core by their intake and exhaust lifts, sold alike, with no duration stated."""
    parts = [
        {"part_number": f"P-{n}", "core": "C1", "units_sold": 100,
         "lobes": {"intake": plain_lobe(f"{intake:.4f}"), "exhaust": plain_lobe(f"{exhaust:.4f}")}}
        for n, (intake, exhaust) in enumerate(lifts_in)
    ]  # fmt: skip
    return read_json(catalogue(parts=parts))


def told(*readings: Reading, tools: tuple[Instrument, ...] = (CALIPER,)) -> Submission:
    return submission(
        *readings, unit=LengthUnit.MILLIMETRE, instrument=CALIPER, tools=tools,
        experience=Experience.PRACTISED, condition=Condition.USED,
    )  # fmt: skip


def by_class(posterior: Posterior) -> np.ndarray:
    """Probability of each class, nobody's last."""
    classes = posterior.row_class
    return np.bincount(np.where(classes < 0, classes.max() + 1, classes), posterior.row_probability)


def entropy_bits(posterior: Posterior) -> float:
    p = by_class(posterior)
    p = p[p > 0] / p.sum()
    return float(-(p * np.log2(p)).sum())


class Shafts:
    """Shafts of one part with tools and a hand, each drawn from the model, and how well they fit what was read."""

    def __init__(self, part: Part, said: Submission, rng: np.random.Generator) -> None:
        n, self.rng = CANDIDATES, rng
        level, share = zip(*MODEL.hand_levels, strict=True)
        self.hand = rng.choice(level, n, p=share)
        self.zero = {
            tool: rng.normal(0, MODEL.tools[tool].zero_sd, n)
            * np.where(rng.random(n) < MODEL.zero_bad_share, MODEL.zero_bad_factor, 1.0)
            for tool in (CALIPER,)
        }
        wear, share = zip(*MODEL.wear_levels, strict=True)
        worn = rng.choice(wear, n, p=share)
        self.base, self.lift = {}, {}
        for kind, lobe in part.lobes.items():
            self.base[kind] = rng.normal(lobe.base_circle_mm, MODEL.base_making_sd, n)
            lost = rng.exponential(MODEL.nose_wear_mean * worn)
            self.lift[kind] = rng.normal(lobe.lift_mm, MODEL.lift_making_sd, n) - lost
        self.weight = np.ones(n)
        for one in said.readings:
            away = float(one.mean) - self._middle(one, said)
            sd = self._sd(one, said)
            self.weight *= np.exp(-0.5 * (away / sd) ** 2) / sd

    def _middle(self, one: Reading, said: Submission) -> np.ndarray:
        """What is read but for the hand's own scatter; a new draw of the technique each time."""
        assert one.lobe is not None
        tool = MODEL.tools[said.instrument_of(one)]
        truth = self.base[one.lobe] + self.zero[said.instrument_of(one)] + MODEL.tilt_mean
        if one.feature is Feature.LOBE_HEIGHT:
            return truth + self.lift[one.lobe] - self.rng.exponential(tool.height_small * self.hand)
        return truth + self.rng.exponential(tool.base_large * self.hand)

    def _sd(self, one: Reading, said: Submission) -> np.ndarray:
        tool = MODEL.tools[said.instrument_of(one)]
        scatter = (tool.scatter * self.hand) ** 2 + tool.step_mm**2 / 12
        return np.sqrt(scatter / len(one.values) + MODEL.tilt_sd**2)

    def read(self, wanted: Reading, said: Submission) -> Reading:
        """The reading wanted, taken on a shaft that fits what was read."""
        middle, sd = self._middle(wanted, said), self._sd(wanted, said)
        chosen = self.rng.choice(CANDIDATES, p=self.weight / self.weight.sum())
        value = self.rng.normal(middle[chosen], sd[chosen])
        step = MODEL.tools[said.instrument_of(wanted)].step_mm
        text = Written(Decimal(round(value / step)) * Decimal(repr(step)), 2 if step == 0.01 else 3)
        return replace(wanted, values=(text,))


IN_300, BASE = 0.300 * 25.4, 0.861 * 25.4
READ = (height(f"{BASE + IN_300 - 0.02:.2f}"), base(f"{BASE + 0.01:.2f}"))
EXHAUST = LobeKind.EXHAUST


@pytest.mark.parametrize(
    ("lifts", "said", "feature", "tool", "lobe"),
    [
        # the exhaust lobes differ and were not read
        (((0.300, 0.296), (0.300, 0.300), (0.300, 0.304)), told(*READ), Feature.LOBE_HEIGHT, CALIPER, EXHAUST),
        # two that lie close together, and one apart
        (((0.300, 0.299), (0.300, 0.301), (0.300, 0.312)), told(*READ), Feature.LOBE_HEIGHT, CALIPER, EXHAUST),
    ],
    ids=["evenly apart", "one apart"],
)  # fmt: skip
def test_a_reading_is_worth_what_is_promised(
    lifts: tuple[tuple[float, float], ...], said: Submission, feature: Feature, tool: Instrument, lobe: LobeKind
) -> None:
    invented = grinds(*lifts)
    table = build_table(invented, MODEL)
    posterior = weigh(table, said, MODEL)
    asked, _ = next_reading(posterior, said)
    assert asked is not None
    assert (asked.feature, asked.instrument, asked.lobe) == (feature, tool, lobe)

    rng = np.random.default_rng(20261125)
    shafts = [Shafts(part, said, rng) for part in invented.parts]
    share = by_class(posterior)[: len(shafts)]
    # the posterior itself, by sampling: the shares of the parts among shafts that fit
    fits = np.array([one.weight.mean() for one in shafts])
    assert share == pytest.approx(fits / fits.sum(), abs=0.03)
    wanted = Reading(feature, (Written(Decimal(1)),), tool, lobe=lobe)
    before, drops = entropy_bits(posterior), []
    for part in rng.choice(len(shafts), DRAWS, p=share / share.sum()):
        taken = shafts[part].read(wanted, said)
        drops.append(before - entropy_bits(weigh(table, replace(said, readings=(*said.readings, taken)), MODEL)))
    error = np.std(drops) / np.sqrt(DRAWS)
    # beside chance: the engine averages over the likeliest hand alone, and over forty values
    assert asked.expected_bits == pytest.approx(np.mean(drops), abs=3 * error + 0.05 * before)


def test_no_reading_is_worth_more_than_all_there_is_to_know() -> None:
    # two valve lifts leave an indicator's values that are all but impossible under every part (an invented caller)
    said = {
        "source": "web", "unit": "mm", "instrument": "digital_caliper", "experience": "first_time",
        "readings": [
            {"feature": "journal_diameter", "position": "front", "values": ["37.33"]},
            {"feature": "valve_lift", "lobe": "intake", "values": ["10.00"], "instrument": "dial_indicator",
             "rocker_ratio": "1.30", "lash": "0.102"},
            {"feature": "lobe_height", "lobe": "exhaust", "values": ["38.12"]},
            {"feature": "base_circle", "lobe": "exhaust", "values": ["30.39"]},
            {"feature": "valve_lift", "lobe": "exhaust", "values": ["9.79"], "instrument": "dial_indicator",
             "rocker_ratio": "1.30", "lash": "0.152"},
        ],
    }  # fmt: skip
    asked = identify(build_table(grown_catalogue(250)), SubmissionSchema().load(said))
    assert asked.next_reading is not None
    assert asked.next_reading.expected_bits < np.log2(len(asked.candidates) + 2)


def test_who_measures_for_the_first_time_is_asked_for_a_plain_width_before_what_is_hard_to_take() -> None:
    table = build_table(fixture_catalogue())
    read = (journal("0.7495"), height("1.1090"), base("0.8605"))
    asked = {
        experience: identify(table, submission(*read, instrument=CALIPER, experience=experience)).next_reading
        for experience in Experience
    }
    first, practised = asked[Experience.FIRST_TIME], asked[Experience.PRACTISED]
    assert first is not None
    assert practised is not None
    assert (first.feature, first.lobe) == (Feature.LOBE_HEIGHT, LobeKind.EXHAUST)
    assert practised.feature == Feature.DURATION
