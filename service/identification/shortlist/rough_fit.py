"""A first reckoning of every row under every slip, in which all is normal: it tells which are worth an exact one.

Each reading is linear in what is unknown, so that with every error a normal of its own mean and variance the readings
of a row are one multivariate normal. Groups of readings (one lobe's, one journal's) share the tools' zeros, the rocker
ratio's error and the undersize, and nothing else; with F how readings feel those, in their standard deviations, and C
the covariance of what is left, which falls into blocks, Woodbury's identity gives the misfit of residuals r as

    r' C^-1 r - (F' C^-1 r)' (1 + F' C^-1 F)^-1 (F' C^-1 r)

whose three sums run over the groups. The misfit is taken `_LOOSE` times too wide, and to grow no faster than a
one-sided error's where it is large: what is let go by it is far worse still.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from service.domain.arrays import Floats, Ints
from service.domain.readings import Instrument
from service.identification.catalogue_table.rows import Kind, Rows
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.entries.entries import Entry, GroupKey, Truth
from service.identification.entries.entry_lists import EntryLists
from service.identification.likelihood.claims import claim_log_density
from service.identification.likelihood.priors import core_width, lobe_prior
from service.identification.likelihood.variants import Variants, grouped
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import LOG_SQRT_2PI
from service.identification.numerics.distinct import distinct_places
from service.identification.one_lobe.flank import flank_width
from service.identification.one_lobe.grids import in_pieces
from service.identification.shortlist.quick_look import tailed

_LOOSE = 1.15
_SORTS_AN_OCTAVE = 4
"""Rows whose spreads differ by less than a fifth are taken to be of one sort."""
_NO_VARIANCE = 1e-12
_FELT_BY_UNDERSIZE = (Truth.BASE, Truth.HEIGHT, Truth.FLANK)
_LINEAR = (*_FELT_BY_UNDERSIZE, Truth.LIFT, Truth.JOURNAL, Truth.LENGTH, Truth.ZERO)


@dataclass(frozen=True, eq=False)
class _Unknown:
    """An unknown of one group: what it is expected to be, and its variance, for each row (K,); who reads it."""

    truths: tuple[Truth, ...]
    expected: Floats
    variance: Floats


@dataclass(frozen=True, eq=False)
class _Group:
    """The variants of one group, and the unknowns that add up to what its readings see."""

    variants: Variants
    unknowns: tuple[_Unknown, ...]


def rough_log_likelihood(
    table: CatalogueTable, rows: Rows, hypotheses: EntryLists, model: MeasuringModel, used: bool
) -> Floats:
    """About the log-likelihood of each hypothesis' entries under each row, too kind to what fits badly: (H, K).

    Minus infinity for nonsense, which is not judged here.
    """
    total = np.full((len(hypotheses), rows.size), -np.inf)
    solid = np.flatnonzero(rows.kind != Kind.NONSENSE)
    if solid.size:
        some = rows.take(solid)
        total[:, solid] = in_pieces(
            lambda few: _of_some(table, some, hypotheses.at(few), model, used), hypotheses.of, 16 * solid.size
        )
    return np.asarray(total + hypotheses.own_log_density[:, None])


def _of_some(table: CatalogueTable, rows: Rows, hypotheses: EntryLists, model: MeasuringModel, used: bool) -> Floats:
    total = np.zeros((len(hypotheses), rows.size))
    smaller = np.where(rows.kind == Kind.REGROUND, model.regrind_undersize_mean, 0.0)
    groups = []
    for key, variants in grouped(hypotheses).items():
        if variants.sets[0][0].truth not in _LINEAR:
            # timing, counts and family, by the likelihood's own functions
            total += variants.spread(claim_log_density(table, rows, key, variants.sets, model))
        elif key[0] == "lobe":
            prior, no_lobe = lobe_prior(rows, int(str(key[1])), model.nose_wear_mean if used else 0.0)
            base = _Unknown((Truth.BASE, Truth.HEIGHT), prior.base - smaller, prior.base_sd**2)
            lift = _Unknown((Truth.LIFT, Truth.HEIGHT), prior.lift - prior.wear, prior.lift_sd**2 + prior.wear**2)
            groups.append(_Group(variants, (base, lift)))
            total += np.where((variants.of >= 0)[:, None], no_lobe, 0.0)
        else:
            groups.append(_Group(variants, _lone_unknown(table, rows, key, smaller, model, used)))
    return total + _widths(rows, groups, model) if groups else total


def _lone_unknown(
    table: CatalogueTable, rows: Rows, key: GroupKey, smaller: Floats, model: MeasuringModel, used: bool
) -> tuple[_Unknown, ...]:
    if key[0] == "zero":
        return ()
    if key[0] == "flank":
        prior = flank_width(table, rows, key, model)
        return (_Unknown((Truth.FLANK,), prior.base - smaller, prior.base_sd**2),)
    mean, sd, wear = core_width(table, rows.core, key, model, used)
    return (_Unknown((Truth.LENGTH, Truth.JOURNAL), mean - wear, sd**2 + wear**2),)


def _widths(rows: Rows, groups: Sequence[_Group], model: MeasuringModel) -> Floats:
    """The groups' own sums, put together over what they share: (H, K)."""
    undersize = np.where(rows.kind == Kind.REGROUND, model.regrind_undersize_sd, rows.undersize_sd)
    variances = [undersize**2, *(unknown.variance for group in groups for unknown in group.unknowns)]
    sorts, sort_of = _sorts(variances)
    # rows of one sort side by side, so that what is worked out for a sort is worked out for a stretch of them
    order = np.argsort(sort_of, kind="stable")
    ends = np.cumsum([0, *np.bincount(sort_of)])
    stretches = [slice(begin, end) for begin, end in pairwise(ends)]
    shared = _Shared.by(entry for group in groups for entries in group.variants.sets for entry in entries)
    n_h = groups[0].variants.of.size
    misfit, scale = np.zeros((n_h, rows.size)), np.zeros((n_h, sorts.size))
    pull, hold = np.zeros((n_h, shared.size, rows.size)), np.zeros((n_h, sorts.size, shared.size, shared.size))
    for group in groups:
        entries = _Entries.of(group.variants.sets, shared, model)
        away = entries.away(group.unknowns, order)
        covariance = entries.covariance(group.unknowns, sorts)
        weight = np.linalg.inv(covariance)
        towards = weight @ entries.felt
        own_misfit, own_pull = np.empty((away.shape[0], rows.size)), np.empty((away.shape[0], shared.size, rows.size))
        for sort, here in enumerate(stretches):
            some = away[..., here]
            own_misfit[:, here] = np.einsum("ven,ven->vn", weight[sort] @ some, some)
            own_pull[..., here] = np.swapaxes(towards[sort], 1, 2) @ some
        misfit += group.variants.spread(own_misfit)
        pull += group.variants.spread(own_pull)
        own_hold = np.swapaxes(entries.felt, 1, 2) @ towards
        hold += group.variants.spread(np.swapaxes(own_hold, 0, 1))
        size = np.array([len(s) for s in group.variants.sets], float)[:, None] * LOG_SQRT_2PI
        scale += group.variants.spread(0.5 * np.linalg.slogdet(covariance)[1].T + size)
    # the undersize comes last among what is shared, and is each row's own
    pull[:, -1] *= undersize[order]
    hold[..., -1, :] *= undersize[sorts][:, None]
    hold[..., -1] *= undersize[sorts][:, None]
    hold += np.eye(shared.size)
    given = np.linalg.inv(hold)
    for sort, here in enumerate(stretches):
        some = pull[..., here]
        misfit[:, here] -= np.einsum("hsn,hsn->hn", given[:, sort] @ some, some)
    scale += 0.5 * np.linalg.slogdet(hold)[1]
    found = np.empty(misfit.shape)
    found[:, order] = tailed(np.sqrt(np.maximum(misfit, 0.0)) / _LOOSE)
    return found - scale[:, sort_of]


@dataclass(frozen=True)
class _Shared:
    """What groups share: the zeros of `tools`, the rocker ratio's error where a reading has it, and the undersize."""

    tools: tuple[Instrument, ...]
    ratio: bool

    @classmethod
    def by(cls, entries: Iterable[Entry]) -> _Shared:
        """What `entries` share."""
        several = list(entries)
        tools = tuple(dict.fromkeys(e.tool for e in several if e.tool))
        return cls(tools, any(e.shares_ratio for e in several))

    @property
    def size(self) -> int:
        """How many they are."""
        return len(self.tools) + self.ratio + 1


@dataclass(frozen=True, eq=False)
class _Entries:
    """V variants of up to E entries side by side; `felt` (V, E, what is shared) in standard deviations of it."""

    sets: list[tuple[Entry, ...]]
    mean: Floats
    variance: Floats
    felt: Floats

    @classmethod
    def of(cls, sets: list[tuple[Entry, ...]], shared: _Shared, model: MeasuringModel) -> _Entries:
        shape = (len(sets), max(map(len, sets)))
        mean, variance, felt = np.zeros(shape), np.ones(shape), np.zeros((*shape, shared.size))
        far_off = np.sqrt(1 + model.zero_bad_share * (model.zero_bad_factor**2 - 1))
        for v, entries in enumerate(sets):
            for i, e in enumerate(entries):
                mean[v, i], variance[v, i] = e.mean - e.sign * e.tail, e.sd**2 + e.tail**2
                if e.tool:
                    felt[v, i, shared.tools.index(e.tool)] = far_off * e.zero_sd
                if e.shares_ratio:
                    felt[v, i, -2] = model.valve_ratio_sd * e.mean
                felt[v, i, -1] = float(e.truth in _FELT_BY_UNDERSIZE)
        return cls(sets, mean, variance, felt)

    def _sees(self, unknown: _Unknown) -> Floats:
        """1 where an entry sees this unknown: (V, E)."""
        found = np.zeros(self.mean.shape)
        for v, entries in enumerate(self.sets):
            found[v, : len(entries)] = [e.truth in unknown.truths for e in entries]
        return found

    def away(self, unknowns: Sequence[_Unknown], rows: Ints) -> Floats:
        """How far each entry lies from what it should read under each of `rows`: (V, E, K)."""
        found = np.broadcast_to(self.mean[..., None], (*self.mean.shape, rows.size)).copy()
        for unknown in unknowns:
            expected = unknown.expected[rows]
            for v, e in np.argwhere(self._sees(unknown)):
                found[v, e] -= expected
        return found

    def covariance(self, unknowns: Sequence[_Unknown], sorts: Ints) -> Floats:
        """Of what the group shares with no other, for each sort of row: (S, V, E, E)."""
        own = self.variance[..., None] * np.eye(self.mean.shape[1])
        found = np.broadcast_to(own, (sorts.size, *own.shape)).copy()
        for unknown in unknowns:
            sees = self._sees(unknown)
            found += unknown.variance[sorts][:, None, None, None] * (sees[:, :, None] * sees[:, None, :])
        return found


def _sorts(variances: Sequence[Floats]) -> tuple[Ints, Ints]:
    """(one row of each sort, each row's own sort): rows whose every variance hardly differs are of one."""
    differing = [variance for variance in variances if variance.min() < variance.max()]
    if not differing:
        return np.zeros(1, np.int64), np.zeros(variances[0].size, np.int64)
    rounded = [0.5 * _SORTS_AN_OCTAVE * np.log2(np.maximum(variance, _NO_VARIANCE)) for variance in differing]
    return distinct_places(np.stack([np.rint(one - one.min()).astype(np.int64) for one in rounded], axis=1))
