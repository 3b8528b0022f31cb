"""The ceiling: the engine told the world's true constants, as nearly as the form of its model can carry them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from service.domain.catalogue import Catalogue
from service.domain.readings import Instrument
from service.identification.catalogue_table.table import CatalogueTable, build_table
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel, ToolErrors
from tests.benchmarks.shafts import Supply
from tests.benchmarks.worlds import Tool, World


def _tool_errors(tool: Tool) -> ToolErrors:
    return ToolErrors(
        zero_sd=tool.zero,
        scatter=tool.hand,
        step_inch=tool.inch_step,
        step_mm=tool.metric_step,
        height_small=tool.nose_missed,
        base_large=tool.flank_touched,
    )


def _hand_levels(spread: float) -> tuple[tuple[float, float], ...]:
    """A log-normal hand in three steps (three-point Gauss-Hermite rule in its logarithm)."""
    far = math.exp(spread * math.sqrt(3))
    return ((1 / far, 1 / 6), (1.0, 2 / 3), (far, 1 / 6))


def told_model(world: World) -> MeasuringModel:
    """`world` in the engine's terms. A gamma law becomes the exponential of its mean, a beta one its variance."""
    tools = dict(DEFAULT_MODEL.tools)
    tools.update({instrument: _tool_errors(tool) for instrument, tool in world.tools.items()})
    tools[Instrument.BENCH] = DEFAULT_MODEL.tools[Instrument.BENCH]
    near = world.near_share
    return replace(
        DEFAULT_MODEL,
        tools=tools,
        first_time_factor=world.novice_factor,
        unknown_experience_factor=math.exp(world.novice_share * math.log(world.novice_factor)),
        zero_bad_share=world.dirty_zero_share,
        zero_bad_factor=world.dirty_zero_factor,
        hand_levels=_hand_levels(world.skill_spread),
        tilt_mean=world.tilt,
        tilt_sd=world.tilt / math.sqrt(world.tilt_shape),
        indicator_lift_extra=world.indicator_askew,
        valve_ratio_sd=world.ratio_spread,
        journal_making_sd=world.journal_spread,
        base_making_sd=world.base_spread,
        lift_making_sd=world.lift_spread,
        length_making_sd=world.length_spread,
        length_scatter=world.length_hand,
        separation_making_sd=world.separation_spread,
        duration_making_sd=world.duration_spread,
        # standard deviation of a symmetric beta of shape a is 1 / (2 sqrt(2 a + 1)) of its band
        tolerance_sds=2 * math.sqrt(2 * world.band_shape + 1),
        journal_wear_mean=world.journal_wear,
        nose_wear_mean=world.nose_wear,
        regrind_prior=world.regrind_share,
        regrind_undersize_mean=world.undersize,
        regrind_undersize_sd=world.undersize / math.sqrt(world.undersize_shape),
        stranger_prior=world.stranger_share,
        stranger_known_core_share=near,
        stranger_single_pattern_share=world.near_single_pattern,
        stranger_lift_spread=world.near_lift_reach / math.sqrt(3),
        stranger_base_sd=near * world.near_base_spread + (1 - near) * world.far_base_spread,
        unexplained_prior=world.misheard_rate,
        family_right=world.family_right,
        teeth_right=world.teeth_right,
        slip_priors={slip.value: rate for slip, rate in world.slip_rates.items()},
    )


def told_table(catalogue: Catalogue, supply: Supply, model: MeasuringModel) -> CatalogueTable:
    """The catalogue's table with each part's true share of callers for its prior."""
    return replace(build_table(catalogue, model), log_prior=np.log(supply.chance))
