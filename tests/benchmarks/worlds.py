"""The simulated worlds that callers come from: what tools, hands, shafts and slips are really like there.

Written apart from the engine's measuring model, on purpose: other names, other constants (each some 20 to 50 % away, in
both directions) and other shapes of distribution, because the engine's constants are never exactly right.
Every value is invented for the benchmark, within what is common practice (no source). Lengths are millimetres.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from service.domain.identification import Slip
from service.domain.readings import Instrument


@dataclass(frozen=True)
class Tool:
    """One kind of tool as callers own it. `inch_step` and `metric_step` in mm; for an angle tool `hand` is degrees."""

    zero: float
    hand: float
    inch_step: float
    metric_step: float
    nose_missed: float = 0.0
    """Mean by which a height reads small."""
    flank_touched: float = 0.0
    """Mean by which a base circle reads large."""


_TOOLS = {
    Instrument.DIGITAL_CALIPER: Tool(0.013, 0.0078, 0.0127, 0.01, 0.013, 0.009),
    Instrument.DIAL_CALIPER: Tool(0.010, 0.017, 0.0254, 0.02, 0.013, 0.009),
    Instrument.VERNIER_CALIPER: Tool(0.018, 0.023, 0.0254, 0.02, 0.015, 0.011),
    Instrument.OUTSIDE_MICROMETER: Tool(0.003, 0.0029, 0.00254, 0.001, 0.0045, 0.0078),
    Instrument.DIAL_INDICATOR: Tool(0.0, 0.009, 0.0254, 0.01),
    Instrument.DEGREE_WHEEL: Tool(0.0, 2.0, 1.0, 1.0),
    Instrument.PROTRACTOR: Tool(0.0, 2.3, 1.0, 1.0),
}


@dataclass(frozen=True)
class Habits:
    """How often callers give what. Shares of callers, or of those who could."""

    metric: float = 0.25
    main_tool: Mapping[Instrument, float] = field(
        default_factory=lambda: {
            Instrument.DIGITAL_CALIPER: 0.62,
            Instrument.DIAL_CALIPER: 0.15,
            Instrument.VERNIER_CALIPER: 0.10,
            Instrument.OUTSIDE_MICROMETER: 0.13,
        }
    )
    second_micrometer: float = 0.12
    """Caliper owners who take the journals with a micrometer."""
    tool_unsaid: float = 0.08
    front_journal: float = 0.95
    other_journal: float = 0.15
    widths_of_intake: float = 0.92
    widths_of_exhaust: float = 0.62
    height_alone: float = 0.04
    second_cylinder: float = 0.06
    repeats: float = 0.30
    plain_lift: float = 0.06
    """Callers who give a lobe's lift in place of its two widths."""
    indicator_lift: float = 0.10
    valve_lift: float = 0.06
    duration: float = 0.07
    separation: float = 0.05
    overall_length: float = 0.12
    gear_teeth: float = 0.30
    family_claim: float = 0.35
    zero_check: float = 0.05
    same_again: float = 0.04
    """Callers who read one width a second time, with a micrometer."""
    says_experience: float = 0.65
    says_condition: float = 0.85
    number_not_text: float = 0.15
    fewer_digits: float = 0.20
    """Callers who write no more than 0.001 in or 0.01 mm, whatever the tool shows."""
    coarse_digits: float = 0.03
    """Of these, callers who write 0.01 in or 0.1 mm."""


_SLIP_RATES = {
    Slip.HEIGHT_BASE_SWAPPED: 0.017,
    Slip.LOBES_SWAPPED: 0.009,
    Slip.DIGITS_SWAPPED: 0.0045,
    Slip.DECIMAL_SLIPPED: 0.002,
    Slip.UNIT_MISTAKEN: 0.011,
    Slip.VALVE_LIFT_AS_LOBE_LIFT: 0.042,
    Slip.CAM_AS_CRANK_DEGREES: 0.022,
    Slip.OTHER_CHECKING_LIFT: 0.028,
    Slip.JOURNAL_MISREAD: 0.016,
}


@dataclass(frozen=True)
class World:
    """Every constant of a world. A `_share` or `_rate` is a probability; a `_shape` is that of a gamma or beta law."""

    name: str = "base"
    tools: Mapping[Instrument, Tool] = field(default_factory=lambda: _TOOLS)
    habits: Habits = field(default_factory=Habits)
    novice_share: float = 0.42
    novice_factor: float = 2.3
    skill_spread: float = 0.40
    """Log-normal spread of hands about the practised or the novice one."""
    dirty_zero_share: float = 0.055
    dirty_zero_factor: float = 5.5
    technique_shape: float = 2.0
    """Gamma: fewer near-perfect placings of the jaws than an exponential law would have."""
    square_off: float = 0.8
    """Spread in degrees of the right angle between the two places of a flank width."""
    width_per_included_degree: float = 0.08
    """How much the mean of the two widths moves with it, mm."""
    rolled: float = 0.03
    """Mean by which a flank width reads small because the shaft turned."""
    tilt: float = 0.0027
    tilt_shape: float = 0.5
    """Gamma of shape one half: the square of a normal angle."""
    indicator_askew: float = 0.011
    ratio_spread: float = 0.013
    journal_spread: float = 0.0046
    base_spread: float = 0.028
    lift_spread: float = 0.0085
    length_spread: float = 0.34
    length_hand: float = 0.06
    separation_spread: float = 0.38
    duration_spread: float = 1.6
    band_shape: float = 2.5
    """Symmetric beta over a stated tolerance band: inspected, so nothing outside it."""
    used_share: float = 0.85
    journal_wear: float = 0.0045
    nose_wear: float = 0.024
    wear_shape: float = 0.8
    wear_common: float = 0.5
    """Share of a shaft's nose wear that its lobes have in common."""
    regrind_share: float = 0.07
    undersize: float = 0.42
    undersize_shape: float = 3.0
    stranger_share: float = 0.08
    near_share: float = 0.55
    near_lift_reach: float = 0.9
    near_lift_gap: float = 0.1524
    """0.006 in: a near stranger is at least this far from every grind on its core, on one lobe at least."""
    near_base_spread: float = 0.5
    near_single_pattern: float = 0.45
    far_journal_gap: float = 0.1
    far_journal_reach: float = 4.0
    far_base_spread: float = 1.0
    demand_spread: float = 0.4
    """Log-normal: how many callers a unit sold brings differs from part to part."""
    groove_least: float = 0.15
    groove_more: float = 0.6
    family_right: float = 0.90
    teeth_right: float = 0.96
    misheard_rate: float = 0.0013
    """One digit taken down wrong, an entry: a mistake no structured slip describes."""
    slip_rates: Mapping[Slip, float] = field(default_factory=lambda: _SLIP_RATES)


BASE = World()


def _tools_scaled(world: World, factor: float, *names: str) -> Mapping[Instrument, Tool]:
    return {
        instrument: replace(tool, **{name: getattr(tool, name) * factor for name in names})
        for instrument, tool in world.tools.items()
    }


def _scaled(world: World, factor: float, *names: str) -> World:
    return replace(world, **{name: getattr(world, name) * factor for name in names})


_MAKING = ("journal_spread", "base_spread", "lift_spread", "length_spread", "separation_spread", "duration_spread")


def _with(world: World, constant: str, factor: float) -> World:
    """`world` with one of the named groups of constants multiplied by `factor`."""
    match constant:
        case "zero":
            return replace(world, tools=_tools_scaled(world, factor, "zero"))
        case "scatter":
            changed = replace(world, tools=_tools_scaled(world, factor, "hand"))
            return _scaled(changed, factor, "indicator_askew", "length_hand", "ratio_spread")
        case "technique":
            return replace(world, tools=_tools_scaled(world, factor, "nose_missed", "flank_touched"))
        case "tilt":
            return _scaled(world, factor, "tilt")
        case "making":
            # a stated band is still kept to, but filled more narrowly or (doubled) right to its ends
            band = {0.5: 11.5, 2.0: 0.25}[factor]
            return replace(_scaled(world, factor, *_MAKING), band_shape=band)
        case "wear":
            return _scaled(world, factor, "journal_wear", "nose_wear")
        case "hands":
            return replace(
                world,
                skill_spread=world.skill_spread * factor**0.5,
                novice_factor=1 + (world.novice_factor - 1) * factor,
            )
        case "regrinds":
            return _scaled(world, factor, "regrind_share", "undersize")
        case "strangers":
            return _scaled(world, factor, "stranger_share")
        case "slips":
            rates = {slip: rate * factor for slip, rate in world.slip_rates.items()}
            return replace(_scaled(world, factor, "misheard_rate"), slip_rates=rates)
        case _:
            raise ValueError(constant)


CONSTANTS = (
    "zero", "scatter", "technique", "tilt", "making", "wear", "hands", "regrinds", "strangers", "slips",
)  # fmt: skip


def _all_with(factor: float) -> World:
    world = BASE
    for constant in CONSTANTS:
        world = _with(world, constant, factor)
    return world


def _build() -> dict[str, World]:
    worlds = {"base": BASE}
    for word, factor in (("halved", 0.5), ("doubled", 2.0)):
        for constant in CONSTANTS:
            name = f"{constant}_{word}"
            worlds[name] = replace(_with(BASE, constant, factor), name=name)
        worlds[f"everything_{word}"] = replace(_all_with(factor), name=f"everything_{word}")
    return worlds


WORLDS = _build()
"""By name: the base world, each group of constants halved and doubled by itself, and all of them together."""
