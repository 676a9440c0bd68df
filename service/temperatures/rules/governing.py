"""Which of several thermometers stands for a place, day by day."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.probes.rules import MEASURES_AIR_FIRST, Standing
from service.science.arrays import Array, Indices
from service.science.exposure import DAY_S, HOUR_S

ENOUGH = 0.9  # of the best covered time: a probe that measured less does not stand for a day
NOBODY = -1
_LONELY_S = 1e-3  # weight of a reading that covers no time


@dataclass(frozen=True)
class Piece:
    """A time of a place for which one probe stands."""

    probe_id: int
    from_s: int
    until_s: int


@dataclass(frozen=True)
class MeasuredHours:
    """What is asked of a probe's hours to choose by; arrays of equal length, hours in order."""

    hour_s: Indices
    readings: Indices
    covered_s: Array
    mean_c: Array


@dataclass(frozen=True)
class Governing:
    """Who stands for a place: between two of `edge_s` the probe `probe_id`, or NOBODY."""

    edge_s: Indices
    probe_id: Indices

    def pieces(self) -> list[Piece]:
        """The times in which somebody measured."""
        return [
            Piece(int(probe), int(low), int(high))
            for probe, low, high in zip(
                self.probe_id, self.edge_s[:-1], self.edge_s[1:], strict=True
            )
            if probe != NOBODY
        ]


def governing_of(
    standings: Sequence[Standing],
    measured: Mapping[int, MeasuredHours],
    from_s: int,
    until_s: int,
) -> Governing:
    """Who stands for a place in [from_s, until_s).

    The site's choice in every hour in which it has a reading. Else, for every UTC day
    and whatever part of it the same probes hung there: of the best kind that measured
    (air, water, product, core) the warmest on average among those that cover at least
    nine tenths of what the best of them covers; of equals the lower number. So a probe
    that falls silent does not hide what another measured.

    Not where a probe was broken or hung elsewhere. Cost: O(days · probes + hours).
    """
    own = [s for s in standings if s.from_s < until_s and s.until_s > from_s]
    probes = sorted({s.probe_id for s in own})
    days = np.arange(from_s // int(DAY_S) + 1, -(-until_s // int(DAY_S))) * int(DAY_S)
    cuts = [s for standing in own for s in (standing.from_s, standing.until_s)]
    coarse = np.unique(np.clip(np.concatenate(([from_s, until_s], days, cuts)), from_s, until_s))
    coarse = coarse.astype(np.int64)
    winner = _winners(own, probes, measured, coarse)
    chosen = [run for s in own if s.chosen for run in _runs(s, measured.get(s.probe_id))]
    edges = np.unique(
        np.clip(
            np.concatenate((coarse, *([low, high] for _, low, high in chosen))), from_s, until_s
        )
    ).astype(np.int64)
    probe = winner[np.searchsorted(coarse, edges[:-1], side="right") - 1]
    for named, low, high in chosen:
        probe[(edges[:-1] >= low) & (edges[1:] <= high)] = named
    first = np.flatnonzero(np.diff(probe, prepend=NOBODY - 1))
    return Governing(np.append(edges[first], until_s), probe[first])


def _winners(
    standings: Sequence[Standing],
    probes: Sequence[int],
    measured: Mapping[int, MeasuredHours],
    edges: Indices,
) -> Indices:
    """Of each piece between two edges the probe that stands for it."""
    shape = (len(probes), edges.size - 1)
    covered, mean_c = np.zeros(shape), np.full(shape, -np.inf)
    rank = np.full(shape, len(MEASURES_AIR_FIRST))
    for row, probe in enumerate(probes):
        hours = measured.get(probe)
        if hours is None or not hours.hour_s.size:
            continue
        hung = np.zeros(shape[1], dtype=np.bool_)
        for s in standings:
            if s.probe_id == probe:
                hung |= (edges[:-1] >= s.from_s) & (edges[1:] <= s.until_s)
                kind = MEASURES_AIR_FIRST.index(s.kind)
        weight = np.where(hours.covered_s > 0, hours.covered_s, _LONELY_S * hours.readings)
        weighed = _sums(hours.hour_s, weight, edges)
        seen = hung & (weighed > 0)
        safe = np.where(seen, weighed, 1.0)
        mean_c[row] = np.where(
            seen, _sums(hours.hour_s, weight * hours.mean_c, edges) / safe, -np.inf
        )
        covered[row] = np.where(seen, _sums(hours.hour_s, hours.covered_s, edges), 0.0)
        rank[row] = np.where(seen, kind, rank[row])
    if not probes:
        return np.full(shape[1], NOBODY)
    eligible = (rank == rank.min(axis=0)) & (rank < len(MEASURES_AIR_FIRST))
    best = np.where(eligible, covered, 0.0).max(axis=0)
    eligible &= covered >= ENOUGH * best
    warmest = np.where(eligible, mean_c, -np.inf).argmax(axis=0)
    named = np.array(probes, dtype=np.int64)[warmest]
    return np.where(eligible.any(axis=0), named, NOBODY)


def _sums(hour_s: Indices, amounts: Array, edges: Indices) -> Array:
    """What hours hold between edges, each hour spread evenly."""
    ends = np.stack((hour_s, hour_s + HOUR_S), axis=1).ravel()
    total = np.concatenate(([0.0], np.cumsum(amounts)))
    until = np.stack((total[:-1], total[1:]), axis=1).ravel()
    sums: Array = np.diff(np.interp(edges, ends, until))
    return sums


def _runs(standing: Standing, hours: MeasuredHours | None) -> list[tuple[int, int, int]]:
    """Times of a standing in whose hours the probe has readings: probe, from, until."""
    if hours is None or not hours.hour_s.size:
        return []
    fresh = np.flatnonzero(np.diff(hours.hour_s, prepend=hours.hour_s[0] - 2 * HOUR_S) != HOUR_S)
    ends = hours.hour_s[np.append(fresh[1:] - 1, hours.hour_s.size - 1)] + HOUR_S
    low = np.maximum(hours.hour_s[fresh], standing.from_s)
    high = np.minimum(ends, standing.until_s)
    return [(standing.probe_id, int(a), int(b)) for a, b in zip(low, high, strict=True) if a < b]
