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

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.domain.readings import Instrument
from service.identification.claims import claim_log_density
from service.identification.densities import LOG_SQRT_2PI
from service.identification.distinct import distinct
from service.identification.entries import Entry, GroupKey, Truth
from service.identification.entry_lists import EntryLists
from service.identification.flank import flank_width
from service.identification.grids import in_pieces
from service.identification.measuring import MeasuringModel
from service.identification.priors import core_width, lobe_prior
from service.identification.quick_look import tailed
from service.identification.rows import Kind, Rows
from service.identification.table import CatalogueTable, Floats, Ints
from service.identification.variants import Variants, grouped

_LOOSE = 1.15
_SORTS_AN_OCTAVE = 4
"""Rows whose spreads differ by less than a fifth are taken to be of one sort."""
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
    unknowns = [unknown for group in groups for unknown in group.unknowns]
    sorts, sort_of = distinct(_sorted_by(undersize**2), *(_sorted_by(unknown.variance) for unknown in unknowns))
    tools = tuple(dict.fromkeys(e.tool for group in groups for s in group.variants.sets for e in s if e.tool))
    n_h, shared = groups[0].variants.of.size, len(tools) + 2
    misfit, scale = np.zeros((n_h, rows.size)), np.zeros((n_h, sorts.size))
    pull, hold = np.zeros((n_h, rows.size, shared)), np.zeros((n_h, sorts.size, shared, shared))
    members = [np.flatnonzero(sort_of == sort) for sort in range(sorts.size)]
    for group in groups:
        entries = _Entries.of(group.variants.sets, tools, model)
        away = entries.away(group.unknowns, rows.size)
        covariance = entries.covariance(group.unknowns, sorts)
        weight = np.linalg.inv(covariance)
        towards = weight @ entries.felt
        own_misfit, own_pull = np.empty(away.shape[:2]), np.empty((*away.shape[:2], shared))
        for sort, here in enumerate(members):
            some = away[:, here]
            own_misfit[:, here] = ((some @ weight[sort]) * some).sum(axis=2)
            own_pull[:, here] = some @ towards[sort]
        misfit += group.variants.spread(own_misfit)
        pull += group.variants.spread(own_pull)
        own_hold = np.swapaxes(entries.felt, 1, 2) @ towards
        hold += group.variants.spread(np.swapaxes(own_hold, 0, 1))
        size = np.array([len(s) for s in group.variants.sets], float)[:, None] * LOG_SQRT_2PI
        scale += group.variants.spread(0.5 * np.linalg.slogdet(covariance)[1].T + size)
    # the undersize comes last among what is shared, and is each row's own
    pull[..., -1] *= undersize
    hold[..., -1, :] *= undersize[sorts][:, None]
    hold[..., -1] *= undersize[sorts][:, None]
    hold += np.eye(shared)
    given = np.linalg.inv(hold)
    for sort, here in enumerate(members):
        some = pull[:, here]
        misfit[:, here] -= ((some @ given[:, sort]) * some).sum(axis=2)
    scale += 0.5 * np.linalg.slogdet(hold)[1]
    return tailed(np.sqrt(np.maximum(misfit, 0.0)) / _LOOSE) - scale[:, sort_of]


@dataclass(frozen=True, eq=False)
class _Entries:
    """V variants of up to E entries side by side; `felt` (V, E, what is shared) in standard deviations of it."""

    sets: list[tuple[Entry, ...]]
    mean: Floats
    variance: Floats
    felt: Floats

    @classmethod
    def of(cls, sets: list[tuple[Entry, ...]], tools: Sequence[Instrument], model: MeasuringModel) -> _Entries:
        shape = (len(sets), max(map(len, sets)))
        mean, variance, felt = np.zeros(shape), np.ones(shape), np.zeros((*shape, len(tools) + 2))
        far_off = np.sqrt(1 + model.zero_bad_share * (model.zero_bad_factor**2 - 1))
        for v, entries in enumerate(sets):
            for i, e in enumerate(entries):
                mean[v, i], variance[v, i] = e.mean - e.sign * e.tail, e.sd**2 + e.tail**2
                if e.tool:
                    felt[v, i, tools.index(e.tool)] = far_off * e.zero_sd
                felt[v, i, -2] = model.valve_ratio_sd * e.mean if e.shares_ratio else 0.0
                felt[v, i, -1] = float(e.truth in _FELT_BY_UNDERSIZE)
        return cls(sets, mean, variance, felt)

    def _sees(self, unknown: _Unknown) -> Floats:
        """1 where an entry sees this unknown: (V, E)."""
        found = np.zeros(self.mean.shape)
        for v, entries in enumerate(self.sets):
            found[v, : len(entries)] = [e.truth in unknown.truths for e in entries]
        return found

    def away(self, unknowns: Sequence[_Unknown], rows: int) -> Floats:
        """How far each entry lies from what it should read under each row: (V, K, E)."""
        found = np.broadcast_to(self.mean[:, None], (len(self.sets), rows, self.mean.shape[1])).copy()
        for unknown in unknowns:
            found -= self._sees(unknown)[:, None] * unknown.expected[:, None]
        return found

    def covariance(self, unknowns: Sequence[_Unknown], sorts: Ints) -> Floats:
        """Of what the group shares with no other, for each sort of row: (S, V, E, E)."""
        own = self.variance[..., None] * np.eye(self.mean.shape[1])
        found = np.broadcast_to(own, (sorts.size, *own.shape)).copy()
        for unknown in unknowns:
            sees = self._sees(unknown)
            found += unknown.variance[sorts][:, None, None, None] * (sees[:, :, None] * sees[:, None, :])
        return found


def _sorted_by(variance: Floats) -> Floats:
    """A number that is the same for variances that hardly differ."""
    return np.round(0.5 * _SORTS_AN_OCTAVE * np.log2(np.maximum(variance, 1e-12)))
