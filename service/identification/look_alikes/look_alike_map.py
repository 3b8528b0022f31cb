"""The look-alike map of a catalogue: which parts a kit of tools cannot tell apart, and the cheapest reading that can.

Two parts are alike where the first readings (every journal that is stated, each lobe's height and base circle; with an
indicator alone, the lobes' lifts) leave a chance above the kit's error rate of taking one for the other, by the
engine's own spreads (`telling_apart`). For every such pair the readings that could come next are tried, the cheapest
first, until one of them brings that chance under the rate. Shafts are taken to be used, not reground, and read once, in
inches, by a caller of unknown experience.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from service.domain.arrays import Floats, Ints
from service.domain.errors import Fault, InvalidInput
from service.domain.readings import DEFAULT_INCLUDED_ANGLE, Feature, Instrument
from service.domain.units import LengthUnit
from service.identification.answer.reading_options import TWO_PLACES_BITS, cost_of
from service.identification.catalogue_table.rows import Kind, part_rows
from service.identification.catalogue_table.table import LOBES, POSITIONS, CatalogueTable
from service.identification.likelihood.claims import expected_duration
from service.identification.look_alikes.telling_apart import (
    Column,
    Making,
    distances,
    error_of,
    near_pairs,
    once,
    states_of,
    wrong_guesses,
    wrong_guesses_with_count,
)
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel
from service.identification.one_lobe.flank import flank_width

_CALIPERS = (Instrument.DIGITAL_CALIPER, Instrument.DIAL_CALIPER, Instrument.VERNIER_CALIPER)
_WIDTH_TOOLS = (Instrument.BENCH, Instrument.OUTSIDE_MICROMETER, *_CALIPERS)
"""Tools that read widths, the finest first."""
MOST_PAIRS = 500_000
"""More than these, or than `MOST_PAIRS_A_PART` where that allows more, are of no use to anybody: the kit tells next to
nothing apart."""
MOST_PAIRS_A_PART = 2
"""A caliper leaves half a pair a part, however many parts there are."""
_POSTING_BITS = 1.0
"""What sending the shaft in costs: more than any reading at home."""


@dataclass(frozen=True)
class Kit:
    """The tools at hand, and the chance of a wrong guess from which two parts count as alike."""

    tools: frozenset[Instrument] = frozenset({Instrument.DIGITAL_CALIPER})
    error_rate: float = 0.05


DEFAULT_KIT = Kit()


class Separator(StrEnum):
    """What tells two look-alikes apart."""

    GEAR_TEETH = "gear_teeth"
    OVERALL_LENGTH = "overall_length"
    FLANK_WIDTH = "flank_width"
    OUTSIDE_MICROMETER = "outside_micrometer"
    """A journal, or a lobe's two widths, with a micrometer."""
    LOBE_LIFT = "lobe_lift"
    DURATION = "duration"
    LOBE_SEPARATION = "lobe_separation"
    BENCH = "bench"
    """No one reading at home: the shaft must be sent in."""
    NOTHING = "nothing"
    """Nothing that the catalogue states."""


@dataclass(frozen=True)
class LookAlike:
    """Two grinds that the kit's first readings cannot tell apart.

    `sizes_apart_mm` is the largest difference between their stated lifts and base circles. `difference` is by how much
    they differ in what separates them: teeth, millimetres, crank degrees for a duration and the bench, or cam degrees
    for the lobe separation; None where nothing does. `where` is the lobe or the journal to read, if there is one.
    `wrong` is the chance of taking one for the other after the first readings, `wrong_then` after the separating one
    too; `in_kit` says whether the kit can take that.
    """

    part_number: str
    other: str
    core: str
    other_core: str
    sizes_apart_mm: float
    separated_by: Separator
    difference: float | None
    where: str | None
    wrong: float
    wrong_then: float
    in_kit: bool


@dataclass(frozen=True, eq=False)
class _Option:
    """Readings that could be added; `LookAlike.difference` is the largest of those of `differs` (m, N)."""

    separator: Separator
    cost: float
    in_kit: bool
    columns: tuple[Column, ...]
    differs: Floats
    where: str | None = None


def look_alikes(
    table: CatalogueTable, model: MeasuringModel = DEFAULT_MODEL, kit: Kit = DEFAULT_KIT
) -> tuple[LookAlike, ...]:
    """Every pair of look-alikes of a revision, in the order of the catalogue's parts.

    Part numbers that are one and the same grind count as one, by the number it is now sold under; parts that do not
    carry the same kinds of lobe are never alike. Close to linear in the number of parts (a k-d tree). Raises
    `InvalidInput` for a kit that reads no size of a lobe.
    """
    if not kit.tools & {*_WIDTH_TOOLS, Instrument.DIAL_INDICATOR}:
        raise InvalidInput(faults=(Fault("/tools", "None of these reads the size of a lobe."),))
    index = {number: i for i, number in enumerate(table.part_numbers)}
    leaders = np.array(sorted(index[numbers[0]] for numbers in table.class_numbers), np.int64)
    carried = np.isfinite(table.lift[leaders])
    found: list[tuple[int, int, LookAlike]] = []
    for pattern in np.unique(carried, axis=0):
        parts = leaders[(carried == pattern).all(axis=1)]
        if parts.size > 1 and pattern.any():
            found.extend(_Group(table, parts, model, kit).pairs())
    return tuple(pair for _, _, pair in sorted(found, key=lambda one: one[:2]))


class _Group:
    """Parts that carry the same kinds of lobe: indices (N,) into the table."""

    def __init__(self, table: CatalogueTable, parts: Ints, model: MeasuringModel, kit: Kit) -> None:
        self._table, self._parts, self._model, self._kit = table, parts, model, kit
        self._core = table.core_of[parts]
        self._lobes = [k for k in range(len(LOBES)) if np.isfinite(table.lift[parts[0], k])]
        self._making = Making(table.base_sd[parts] ** 2, table.lift_sd[parts] ** 2 + model.nose_wear_mean**2)
        self._states = states_of(model)
        self._nothing = np.zeros(parts.size)
        self._rows = part_rows(table, parts, Kind.MADE, self._nothing)
        self._caliper = next((tool for tool in _CALIPERS if tool in kit.tools), Instrument.DIGITAL_CALIPER)

    def pairs(self) -> Iterator[tuple[int, int, LookAlike]]:
        """Each look-alike after the indices of its two parts, the lower first."""
        first = self._first()
        pairs = np.sort(near_pairs(first, self._making, self._states, self._kit.error_rate), axis=1)
        away = distances(first, self._making, pairs, self._states)
        wrong = wrong_guesses(away, self._states)
        alike = wrong > self._kit.error_rate
        most = max(MOST_PAIRS, MOST_PAIRS_A_PART * self._parts.size)
        if alike.sum() > most:
            detail = f"These tools leave more than {most:,} pairs alike: name one that reads widths."
            raise InvalidInput(faults=(Fault("/tools", detail),))
        pairs, away, wrong = pairs[alike], away[:, alike], wrong[alike]
        chosen, then = self._cheapest(first, pairs, away, wrong)
        table, numbers = self._table, self._table.part_numbers
        sizes = np.concatenate([table.base[self._parts], table.lift[self._parts]], axis=1)[
            :, [*self._lobes, *(2 + k for k in self._lobes)]
        ]
        apart = np.abs(sizes[pairs[:, 0]] - sizes[pairs[:, 1]]).max(axis=1, initial=0.0)
        for n, (a, b) in enumerate(pairs.tolist()):
            i, j, option = int(self._parts[a]), int(self._parts[b]), chosen[n]
            difference = 0.0 if option is None else np.abs(option.differs[:, a] - option.differs[:, b])
            yield (
                i,
                j,
                LookAlike(
                    numbers[i],
                    numbers[j],
                    table.core_codes[int(self._core[a])],
                    table.core_codes[int(self._core[b])],
                    float(apart[n]),
                    Separator.NOTHING if option is None else option.separator,
                    float(np.nanmax(difference)) or None,
                    None if option is None else option.where,
                    float(wrong[n]),
                    float(then[n]),
                    option is not None and option.in_kit,
                ),
            )

    def _cheapest(
        self, first: Sequence[Column], pairs: Ints, away: Floats, wrong: Floats
    ) -> tuple[list[_Option | None], Floats]:
        """For each pair the cheapest option that parts it, the surest of those that cost the same; and what is left."""
        options = sorted(self._options(), key=lambda option: option.cost)
        chosen: list[_Option | None] = [None] * len(pairs)
        then, spent = wrong.copy(), np.full(len(pairs), np.inf)
        for option in options:
            open_ = np.flatnonzero(spent >= option.cost)
            if not open_.size:
                break
            left = self._left(option, first, pairs[open_], away[:, open_])
            better = (left <= self._kit.error_rate) & ((spent[open_] > option.cost) | (left < then[open_]))
            for n, value in zip(open_[better], left[better], strict=True):
                chosen[n], then[n], spent[n] = option, value, option.cost
        return chosen, then

    def _left(self, option: _Option, first: Sequence[Column], pairs: Ints, away: Floats) -> Floats:
        """The chance of a wrong guess with an option's readings too."""
        if option.separator is Separator.GEAR_TEETH:
            one, other = option.differs[0, pairs[:, 0]], option.differs[0, pairs[:, 1]]
            differ = np.isfinite(one) & np.isfinite(other) & (one != other)
            counted = wrong_guesses_with_count(away, self._states, self._model.teeth_right)
            return np.where(differ, counted, wrong_guesses(away, self._states))
        return wrong_guesses(distances([*first, *option.columns], self._making, pairs, self._states), self._states)

    def _first(self) -> list[Column]:
        tool = next((tool for tool in _WIDTH_TOOLS if tool in self._kit.tools), None)
        if tool is None:
            return [self._lift(k, Instrument.DIAL_INDICATOR) for k in self._lobes]
        return [*self._journals(tool), *(c for k in self._lobes for c in self._widths(k, tool))]

    def _options(self) -> Iterator[_Option]:
        tools, table = set(self._kit.tools), self._table

        def option(
            separator: Separator, tool: Instrument | None, columns: Sequence[Column], where: str | None = None,
            extra: float = 0.0, differs: Floats | None = None,
        ) -> _Option:  # fmt: skip
            told = np.stack([c.nominal for c in columns]) if differs is None else differs[None]
            cost = cost_of(tool, tools) + extra
            return _Option(separator, cost, tool is None or tool in tools, tuple(columns), told, where)

        teeth = table.teeth[self._core].astype(float)
        yield option(Separator.GEAR_TEETH, None, (), differs=np.where(teeth < 0, np.nan, teeth))
        yield option(Separator.OVERALL_LENGTH, self._caliper, [self._length()])
        fine = Instrument.OUTSIDE_MICROMETER
        if not tools & {fine, Instrument.BENCH}:
            for position, column in zip(self._stated_positions(), self._journals(fine), strict=True):
                yield option(Separator.OUTSIDE_MICROMETER, fine, [column], POSITIONS[position].value)
        for k in self._lobes:
            name = LOBES[k].value
            yield option(Separator.FLANK_WIDTH, self._caliper, [self._flank(k)], name, TWO_PLACES_BITS)
            if not tools & {fine, Instrument.BENCH}:
                twice = cost_of(fine, tools)
                yield option(Separator.OUTSIDE_MICROMETER, fine, self._widths(k, fine), name, twice)
            indicator = Instrument.DIAL_INDICATOR
            yield option(Separator.LOBE_LIFT, indicator, [self._lift(k, indicator)], name)
            duration = self._duration(k, Instrument.DEGREE_WHEEL)
            if duration is not None:
                yield option(Separator.DURATION, Instrument.DEGREE_WHEEL, [duration], name)
        yield option(Separator.LOBE_SEPARATION, Instrument.DEGREE_WHEEL, [self._separation(Instrument.DEGREE_WHEEL)])
        yield self._bench()

    def _bench(self) -> _Option:
        bench = Instrument.BENCH
        timing = [c for c in (self._duration(k, bench) for k in self._lobes) if c is not None]
        separation = self._separation(bench)
        columns = [*self._journals(bench), *(c for k in self._lobes for c in self._widths(k, bench))]
        # two crank degrees are one of the cam
        differs = np.stack([self._nothing, *(c.nominal for c in timing), 2 * separation.nominal])
        in_kit = bench in self._kit.tools
        return _Option(Separator.BENCH, _POSTING_BITS, in_kit, (*columns, *timing, separation), differs)

    def _stated_positions(self) -> list[int]:
        return [k for k in range(len(POSITIONS)) if np.isfinite(self._table.journal[self._core, k]).any()]

    def _journals(self, tool: Instrument) -> list[Column]:
        table, model = self._table, self._model
        return [
            Column(
                table.journal[self._core, k],
                table.journal_sd[self._core, k] ** 2 + model.journal_wear_mean**2,
                *error_of(once(Feature.JOURNAL_DIAMETER, tool, position=POSITIONS[k]), LengthUnit.INCH, model),
            )
            for k in self._stated_positions()
        ]

    def _widths(self, k: int, tool: Instrument) -> list[Column]:
        base, lift = self._table.base[self._parts, k], self._table.lift[self._parts, k]
        heights, bases = (
            error_of(once(feature, tool, lobe=LOBES[k]), LengthUnit.INCH, self._model)
            for feature in (Feature.LOBE_HEIGHT, Feature.BASE_CIRCLE)
        )
        return [
            Column(base + lift, self._nothing, *heights, base=k, lift=k),
            Column(base, self._nothing, *bases, base=k),
        ]

    def _lift(self, k: int, tool: Instrument) -> Column:
        error = error_of(once(Feature.LOBE_LIFT, tool, lobe=LOBES[k]), LengthUnit.INCH, self._model)
        return Column(self._table.lift[self._parts, k], self._nothing, *error, lift=k)

    def _length(self) -> Column:
        error = error_of(once(Feature.OVERALL_LENGTH, self._caliper), LengthUnit.INCH, self._model)
        return Column(self._table.length[self._core], self._nothing + self._model.length_making_sd**2, *error)

    def _flank(self, k: int) -> Column:
        angle = DEFAULT_INCLUDED_ANGLE
        told = flank_width(self._table, self._rows, ("flank", k, 0, float(angle), ""), self._model)
        reading = once(Feature.FLANK_WIDTH, self._caliper, lobe=LOBES[k], included_angle_deg=angle)
        return Column(told.base, told.base_sd**2, *error_of(reading, LengthUnit.INCH, self._model))

    def _duration(self, k: int, tool: Instrument) -> Column | None:
        at = float(self._table.duration_mean_at[0])
        if not np.isfinite(at):
            return None
        mean, sd = expected_duration(self._table, self._rows, k, at, False, self._model)
        error = error_of(once(Feature.DURATION, tool, lobe=LOBES[k]), LengthUnit.INCH, self._model)
        return Column(mean, sd**2, *error)

    def _separation(self, tool: Instrument) -> Column:
        error = error_of(once(Feature.LOBE_SEPARATION, tool), LengthUnit.INCH, self._model)
        own = self._nothing + self._model.separation_making_sd**2
        return Column(self._table.separation[self._parts], own, *error)
