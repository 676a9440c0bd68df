"""What a place has been, hour by hour, summed so that any stay in it costs a few look-ups.

Between two edges (every full hour, and whenever another probe came to stand for the place)
lies a bin: the time measured in it and what that used up, and the time that nobody
measured with its bounds. No second is dropped: known and unknown make up the whole.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, Indices
from service.science.exposure import DAY_S, HOUR_S, THRESHOLDS_C, RateTable
from service.science.unknown_time import (
    SETTLED_S,
    Gaps,
    Onwards,
    UnknownTime,
    far_from,
    in_gaps,
    inside_hours,
)

Rows = npt.NDArray[Any]
TENTHS = 10.0  # seconds above thresholds are summed in whole tenths: half the memory
_BLOCK = 24  # bins whose warmest is kept together
_LEAST_S = 1e-3  # less unknown time than this is rounding
_OPEN_HOURS = int(SETTLED_S // HOUR_S) + 8  # set out beyond the last and before the first reading


@dataclass(frozen=True)
class Bins:
    """What was measured between each two edges.

    edge_s : shape (n + 1,), ascending. probe_id : whose readings, -1 nobody's. known_s :
    covered seconds. integrals : (n, rates), above_s : (n, thresholds), over known time.
    weight_s, mean_c : to average by; a lonely reading has a weight of its own. min_c,
    max_c, first_at_s, first_c, last_at_s, last_c : of its readings, nan where there is none.

    >>> two = np.full(2, 3600.0)
    >>> bins = Bins(np.array([0.0, 3600, 7200]), np.array([1, 1]), two, two[:, np.newaxis],
    ...             np.zeros((2, len(THRESHOLDS_C))), two, *[np.full(2, -20.0)] * 3,
    ...             np.array([0.0, 3600]), np.full(2, -20.0), np.array([3540.0, 7200]), two - 3620)
    >>> bins.widened(0, 1).known_s
    array([3600., 3600.,    0.])
    """

    edge_s: Array
    probe_id: Indices
    known_s: Array
    integrals: Array
    above_s: Array
    weight_s: Array
    mean_c: Array
    min_c: Array
    max_c: Array
    first_at_s: Array
    first_c: Array
    last_at_s: Array
    last_c: Array

    def widened(self, hours_before: int, hours_after: int) -> "Bins":
        """With empty bins of an hour before and after."""
        before = self.edge_s[0] + HOUR_S * np.arange(-hours_before, 0)
        after = self.edge_s[-1] + HOUR_S * np.arange(1, hours_after + 1)

        def padded(name: str, empty: float) -> Rows:
            rows: Rows = getattr(self, name)
            wide = ((hours_before, hours_after),) + ((0, 0),) * (rows.ndim - 1)
            return np.pad(rows, wide, constant_values=empty)

        return Bins(
            edge_s=np.concatenate((before, self.edge_s, after)),
            probe_id=padded("probe_id", -1),
            **{name: padded(name, 0.0) for name in _COUNTED},
            **{name: padded(name, np.nan) for name in _READ},
        )


_COUNTED = ("known_s", "integrals", "above_s", "weight_s", "mean_c")
_READ = ("min_c", "max_c", "first_at_s", "first_c", "last_at_s", "last_c")


@dataclass(frozen=True)
class Anchors:
    """The last reading before each UTC day, nan where there is none: where sums go on from."""

    day_s: Array
    at_s: Array
    c: Array


@dataclass(frozen=True)
class Edges:
    """What was known of its bin until an instant, exactly, from readings; instants ascend.

    known_s (n,), used (n, rates), above_s (n, thresholds): from the bin's begin until the
    instant. max_before, max_after (n,): the warmest of the bin on either side, nan: none.

    >>> half_past = Edges(np.array([1800.0]), np.array([1700.0]), np.ones((1, 1)),
    ...                   np.zeros((1, 8)), np.array([-19.0]), np.array([-18.0]))
    >>> half_past.joined(no_edges(1)).at_s, half_past.before(1800.0).at_s, half_past.nbytes
    (array([1800.]), array([], dtype=float64), 104)
    """

    at_s: Array
    known_s: Array
    used: Array
    above_s: Array
    max_before: Array
    max_after: Array

    @property
    def nbytes(self) -> int:
        """Memory in bytes."""
        return sum(int(rows.nbytes) for rows in vars(self).values())

    def joined(self, other: "Edges") -> "Edges":
        """Both; of an instant that both have, one."""
        at_s = np.concatenate((self.at_s, other.at_s))
        _, chosen = np.unique(at_s, return_index=True)
        pairs = (
            (self.known_s, other.known_s),
            (self.used, other.used),
            (self.above_s, other.above_s),
            (self.max_before, other.max_before),
            (self.max_after, other.max_after),
        )
        return Edges(at_s[chosen], *(np.concatenate(pair)[chosen] for pair in pairs))

    def before(self, at_s: float) -> "Edges":
        """Those before an instant."""
        count = int(np.searchsorted(self.at_s, at_s))
        return Edges(
            self.at_s[:count],
            self.known_s[:count],
            self.used[:count],
            self.above_s[:count],
            self.max_before[:count],
            self.max_after[:count],
        )


def no_edges(rates: int) -> Edges:
    """None at all.

    >>> no_edges(2).used.shape
    (0, 2)
    """
    none = np.zeros(0)
    return Edges(none, none, np.zeros((0, rates)), np.zeros((0, len(THRESHOLDS_C))), none, none)


@dataclass(frozen=True)
class Sums:
    """What lies between instants: arrays of one length; rates beside it."""

    known_s: Array
    unknown_s: Array
    value: Array
    low: Array
    high: Array


@dataclass(frozen=True)
class PlaceHours:
    """Running sums over the bins of a place. Never changed once made.

    known_s, weight_s, degree_s : (n + 1,). used : (n + 1, rates), over known time. above :
    (n + 1, thresholds), tenths of seconds. unknown_bin : (m,), bins that hold unknown time;
    value, low, high, unknown_above : (m + 1, ...), sums over them. before, after : what each
    second does outside the edges. min_c, max_c : (n,), nan where nobody measured. first,
    last : the first reading there ever was, None where there may be earlier ones; the last.

    Two hours at -20 °C; a rate of one a second, and half past the first hour until an hour
    after the last reading, of which as long as a gap may be is known:

    >>> two = np.full(2, 3600.0)
    >>> bins = Bins(np.array([0.0, 3600, 7200]), np.array([1, 1]), two, two[:, np.newaxis],
    ...             np.zeros((2, len(THRESHOLDS_C))), two, *[np.full(2, -20.0)] * 3,
    ...             np.array([0.0, 3600]), np.full(2, -20.0), np.array([3540.0, 7200]), two - 3620)
    >>> one = RateTable(lambda c: np.ones_like(c))
    >>> hours = summed(bins, None, gap_s=1800, rates=[one], assumed_c=-18.0)
    >>> stay = hours.between(np.array([1800.0]), np.array([10800.0]), slice(None))
    >>> stay.known_s, stay.unknown_s, stay.high.round(6)
    (array([7200.]), array([1800.]), array([[9000.]]))
    >>> hours.max_between(np.array([0.0]), np.array([7200.0])), hours.mean_between(0, 7200)
    (array([-20.]), -20.0)
    >>> hours.above_between(0.0, 7200.0, no_edges(1)).max(), hours.nbytes > 0
    (np.float64(0.0), True)
    >>> hours.bins_at(np.array([3600.0])) - hours.bins_at(np.array([0.0]))
    array([1])
    """

    edge_s: Array
    probe_id: Indices
    known_s: Array
    used: Array
    above: npt.NDArray[np.uint32]
    weight_s: Array
    degree_s: Array
    min_c: npt.NDArray[np.float32]
    max_c: npt.NDArray[np.float32]
    unknown_bin: Indices
    value: Array
    low: Array
    high: Array
    unknown_above: Array
    before: Onwards
    after: Onwards
    anchors: Anchors
    first: tuple[float, float] | None
    last: tuple[float, float]
    warmest: "Warmest" = field(repr=False)

    @property
    def nbytes(self) -> int:
        """Memory in bytes."""
        own = [rows for rows in vars(self).values() if isinstance(rows, np.ndarray)]
        return sum(int(rows.nbytes) for rows in (*own, *self.warmest.arrays))

    def bins_at(self, at_s: Array) -> Indices:
        """The bin that holds each instant; outside, the first and the last."""
        last = self.edge_s.size - 2
        if self.edge_s[-1] - self.edge_s[0] == (last + 1) * HOUR_S:  # full hours, all of them
            hour: Indices = np.floor((at_s - self.edge_s[0]) / HOUR_S).astype(np.int64)
            return np.clip(hour, 0, last)
        found: Indices = np.searchsorted(self.edge_s, at_s, side="right") - 1
        return np.clip(found, 0, last)

    def between(
        self, begin_s: Array, end_s: Array, rates: slice, exact: Edges | None = None
    ) -> Sums:
        """What lies between instants. O(log hours) each.

        Inside a bin all is spread evenly, but for instants that `exact` has.
        """
        known0, used0, value0, low0, high0 = self._until(begin_s, rates, exact)
        known1, used1, value1, low1, high1 = self._until(end_s, rates, exact)
        known, used = known1 - known0, used1 - used0
        return Sums(
            known,
            end_s - begin_s - known,
            used + (value1 - value0),
            used + (low1 - low0),
            used + (high1 - high0),
        )

    def _until(
        self, at_s: Array, rates: slice, exact: Edges | None
    ) -> tuple[Array, Array, Array, Array, Array]:
        """Known seconds and what they used, and the bounds of unknown time, until instants."""
        bin_ = self.bins_at(at_s)
        share, known, used = self._known(at_s, bin_, rates, exact)
        at = np.searchsorted(self.unknown_bin, bin_)
        holds = np.zeros(at.size, dtype=np.bool_)
        inside = at < self.unknown_bin.size
        holds[inside] = self.unknown_bin[at[inside]] == bin_[inside]
        part = np.where(holds, share, 0.0)[:, np.newaxis]
        nxt = np.minimum(at + 1, self.value.shape[0] - 1)
        early = np.minimum(at_s - self.edge_s[0], 0.0)[:, np.newaxis]
        late = np.maximum(at_s - self.edge_s[-1], 0.0)[:, np.newaxis]
        bounds = []
        for name in ("value", "low", "high"):
            sums = getattr(self, name)[:, rates]
            begun = sums[at]
            onwards = early * getattr(self.before, name)[rates]
            onwards = onwards + late * getattr(self.after, name)[rates]
            bounds.append(begun + (sums[nxt] - begun) * part + onwards)
        return known, used, bounds[0], bounds[1], bounds[2]

    def _known(
        self, at_s: Array, bin_: Indices, rates: slice, exact: Edges | None
    ) -> tuple[Array, Array, Array]:
        """How much of a bin's unknown time lies before each instant; known seconds, and used."""
        begin, end = self.edge_s[bin_], self.edge_s[bin_ + 1]
        share = np.clip((at_s - begin) / (end - begin), 0.0, 1.0)
        known, whole = self.known_s[bin_], self.known_s[bin_ + 1] - self.known_s[bin_]
        used = self.used[bin_, rates]
        more = (self.used[bin_ + 1, rates] - used) * share[:, np.newaxis]
        part = whole * share
        if exact is not None and exact.at_s.size:
            found = np.minimum(np.searchsorted(exact.at_s, at_s), exact.at_s.size - 1)
            hit = (exact.at_s[found] == at_s) & ~np.isnan(exact.known_s[found])
            part[hit] = np.minimum(exact.known_s[found[hit]], whole[hit])
            more[hit] = exact.used[found[hit], rates]
            missing = (end - begin - whole)[hit]
            before = np.clip(share[hit] * (end - begin)[hit] - part[hit], 0.0, missing)
            share[hit] = np.where(missing > _LEAST_S, before / np.maximum(missing, _LEAST_S), 0.0)
        return share, known + part, used + more

    def above_between(self, begin_s: float, end_s: float, exact: Edges) -> Array:
        """Seconds above each threshold between two instants."""
        until0, until1 = (self._above(np.array([at]), exact) for at in (begin_s, end_s))
        return until1 - until0

    def _above(self, at_s: Array, exact: Edges) -> Array:
        bin_ = self.bins_at(at_s)
        every = slice(None)
        share, _, _ = self._known(at_s, bin_, every, exact)
        i, at = int(bin_[0]), int(np.searchsorted(self.unknown_bin, bin_[0]))
        found = int(np.searchsorted(exact.at_s, at_s[0]))
        linear = np.clip((at_s[0] - self.edge_s[i]) / (self.edge_s[i + 1] - self.edge_s[i]), 0, 1)
        part = (self.above[i + 1] - self.above[i]) / TENTHS * linear
        if found < exact.at_s.size and exact.at_s[found] == at_s[0]:
            known = exact.above_s[found]
            part = np.where(np.isnan(known), part, known)
        above: Array = self.above[i] / TENTHS + part + self.unknown_above[at]
        if at < self.unknown_bin.size and self.unknown_bin[at] == i:
            above += (self.unknown_above[at + 1] - self.unknown_above[at]) * share[0]
        above += min(float(at_s[0] - self.edge_s[0]), 0.0) * self.before.above
        above += max(float(at_s[0] - self.edge_s[-1]), 0.0) * self.after.above
        return above

    def max_between(self, begin_s: Array, end_s: Array, exact: Edges | None = None) -> Array:
        """The warmest that was measured between instants; nan where nobody measured.

        Of a bin that a stay holds in part the warmest of the whole, but for instants that
        `exact` has: of their bins only what lies inside.
        """
        first, last = self.bins_at(begin_s), self.bins_at(np.nextafter(end_s, -np.inf))
        left, right = self.max_c[first].astype(np.float64), self.max_c[last].astype(np.float64)
        if exact is not None and exact.at_s.size:
            left = _sharper(left, exact, begin_s, exact.max_after)
            right = _sharper(right, exact, end_s, exact.max_before)
        same = first == last
        inner = self.warmest.between(first + 1, last)
        both = np.fmax(np.fmax(left, right), inner)
        within = np.fmin(left, right)
        return np.where(same, within, both)

    def mean_between(self, begin_s: float, end_s: float) -> float | None:
        """How cold it was measured to be on average; None where nobody measured."""
        at_s = np.array([begin_s, end_s])
        bin_ = self.bins_at(at_s)
        share = np.clip(
            (at_s - self.edge_s[bin_]) / (self.edge_s[bin_ + 1] - self.edge_s[bin_]), 0, 1
        )
        weight, degree = (
            np.diff(sums[bin_] + (sums[bin_ + 1] - sums[bin_]) * share)[0]
            for sums in (self.weight_s, self.degree_s)
        )
        return float(degree / weight) if weight > 1e-9 else None


def _sharper(whole: Array, exact: Edges, at_s: Array, side: Array) -> Array:
    found = np.minimum(np.searchsorted(exact.at_s, at_s), exact.at_s.size - 1)
    hit = (exact.at_s[found] == at_s) & ~np.isnan(exact.known_s[found])
    return np.where(hit, side[found], whole)


class Warmest:
    """The warmest of any run of bins by a few look-ups: sums of a kind for maxima.

    Within blocks of 24 from the block's begin and to its end, over blocks a table of
    all runs whose length is a power of two.

    >>> len(Warmest(np.zeros(50)).arrays)
    5
    """

    def __init__(self, max_c: Rows) -> None:
        blocks = -(-max_c.size // _BLOCK)
        rows = np.full(blocks * _BLOCK, -np.inf, dtype=np.float32)
        rows[: max_c.size] = np.where(np.isnan(max_c), -np.inf, max_c)
        grid = rows.reshape(blocks, _BLOCK)
        self._rows = rows
        self._from_begin = np.maximum.accumulate(grid, axis=1).ravel()
        self._to_end = np.maximum.accumulate(grid[:, ::-1], axis=1)[:, ::-1].ravel()
        level = grid.max(axis=1) if blocks else np.zeros(0, dtype=np.float32)
        self._table = [level]
        span = 1
        while 2 * span <= level.size:
            self._table.append(np.maximum(self._table[-1][:-span], self._table[-1][span:]))
            span *= 2

    @property
    def arrays(self) -> tuple[Rows, ...]:
        """For counting memory."""
        return (self._rows, self._from_begin, self._to_end, *self._table)

    def between(self, first: Indices, end: Indices) -> Array:
        """The warmest of bins from `first` until before `end`; nan of none.

        >>> warmest = Warmest(np.array([1.0, np.nan, 5.0] + [2.0] * 60))
        >>> warmest.between(np.array([0, 1, 3, 7]), np.array([2, 3, 63, 7]))
        array([ 1.,  5.,  2., nan])
        """
        found = np.full(first.size, -np.inf)
        block0, block1 = first // _BLOCK, (end - 1) // _BLOCK
        some = end > first
        near = np.flatnonzero(some & (block0 == block1))
        for i in near:
            found[i] = self._rows[first[i] : end[i]].max()
        far = np.flatnonzero(some & (block0 < block1))
        found[far] = np.maximum(self._to_end[first[far]], self._from_begin[end[far] - 1])
        low, high = block0[far] + 1, block1[far]
        wide = high > low
        low, high, far = low[wide], high[wide], far[wide]
        power = np.frexp(high - low)[1] - 1
        for level in np.unique(power):
            mine = power == level
            row, span = self._table[level], 1 << int(level)
            runs = np.maximum(row[low[mine]], row[high[mine] - span])
            found[far[mine]] = np.maximum(found[far[mine]], runs)
        return np.where(np.isneginf(found), np.nan, found)


def summed(
    bins: Bins,
    before: tuple[float, float] | None,
    *,
    gap_s: float,
    rates: Sequence[RateTable],
    assumed_c: float,
    base: PlaceHours | None = None,
) -> PlaceHours | None:
    """Running sums over bins, all unknown time bounded; None where there is no reading at all.

    Parameters
    ----------
    bins : in order; the last holds the last reading.
    before : the last reading before them (instant, °C); None: there is none.
    gap_s : longer times between two readings are unknown. So much time beside the very
        first and the very last reading counts as that reading.
    assumed_c : what such a place is taken to be where nobody ever measured.
    base : sums up to where the bins begin, at one of its edges; they are kept.

    Notes
    -----
    To the last bit the same whether made at once or upon a base. Cost: O(bins · rates).

    Check
    -----
    `PlaceHours` shows two hours. Without any reading there is nothing to sum:

    >>> none = np.full(1, np.nan)
    >>> bins = Bins(np.array([0.0, 3600]), np.array([-1]), np.zeros(1), np.zeros((1, 1)),
    ...             np.zeros((1, 8)), np.zeros(1), np.zeros(1), *[none] * 6)
    >>> summed(bins, None, gap_s=3600, rates=[], assumed_c=-18.0) is None
    True
    """
    read = np.flatnonzero(~np.isnan(bins.last_at_s))
    if not read.size and before is None:
        return None
    first = _reading(bins.first_at_s, bins.first_c, read[0]) if read.size else before
    last = _reading(bins.last_at_s, bins.last_c, read[-1]) if read.size else before
    assert first is not None and last is not None
    beyond = max(0, int(-(-(last[0] - bins.edge_s[-1]) // HOUR_S)))
    bins = bins.widened(0 if before else _OPEN_HOURS, _OPEN_HOURS + beyond)
    beside = [(last, last[0], last[0] + gap_s)]
    if before is None:
        beside.append((first, first[0] - gap_s, first[0]))
    bins = _with_neighbours(bins, beside, rates)
    unknown = _unknown(bins, before, gap_s, rates, assumed_c)
    kept = 0 if base is None else int(np.searchsorted(base.edge_s, bins.edge_s[0]))
    return _running(
        bins, before, unknown, base, kept, rates, assumed_c, (None if before else first, last)
    )


def _reading(at_s: Array, c: Array, bin_: int) -> tuple[float, float]:
    return float(at_s[bin_]), float(c[bin_])


def _with_neighbours(
    bins: Bins,
    beside: Sequence[tuple[tuple[float, float], float, float]],
    rates: Sequence[RateTable],
) -> Bins:
    """Time beside a reading that has no neighbour counts as that reading."""
    known, integrals, above = bins.known_s.copy(), bins.integrals.copy(), bins.above_s.copy()
    warmest = bins.max_c.copy()
    for (_, c), low, high in beside:
        first = max(0, int(np.searchsorted(bins.edge_s, low, side="right")) - 1)
        last = min(known.size, int(np.searchsorted(bins.edge_s, high, side="left")))
        for i in range(first, last):
            seconds = min(bins.edge_s[i + 1], high) - max(bins.edge_s[i], low)
            seconds = min(seconds, bins.edge_s[i + 1] - bins.edge_s[i] - known[i])
            if seconds <= 0:
                continue
            known[i] += seconds
            integrals[i] += seconds * np.array([float(rate.at(c)) for rate in rates])
            above[i] += seconds * (c > np.array(THRESHOLDS_C))
            warmest[i] = np.fmax(warmest[i], c)
    return replace(bins, known_s=known, integrals=integrals, above_s=above, max_c=warmest)


def _unknown(
    bins: Bins,
    before: tuple[float, float] | None,
    gap_s: float,
    rates: Sequence[RateTable],
    assumed_c: float,
) -> UnknownTime:
    """All time that is not known: in gaps between readings, and lost inside bins."""
    found = in_gaps(_gaps(bins, before, gap_s), bins.edge_s, rates=rates, assumed_c=assumed_c)
    missing = np.diff(bins.edge_s) - bins.known_s
    room = np.maximum(missing[found.bin], 0.0)
    fits = np.minimum(1.0, room / np.maximum(found.seconds, 1e-9))[:, np.newaxis]
    left = missing.copy()
    left[found.bin] -= found.seconds * fits[:, 0]
    lost = np.flatnonzero(left > _LEAST_S)
    coldest, mean, warmest = _around(bins, before, lost)
    value, low, high, above = inside_hours(left[lost], coldest, mean, warmest, rates=rates)
    every = np.union1d(found.bin, lost).astype(np.int64)
    mine, own = np.searchsorted(every, found.bin), np.searchsorted(every, lost)

    def together(gaps: Array, inside: Array) -> Array:
        rows = np.zeros((every.size, gaps.shape[1]))
        rows[mine] += gaps * fits
        rows[own] += inside
        return rows

    return UnknownTime(
        every,
        missing[every],
        together(found.value, value),
        together(found.low, low),
        together(found.high, high),
        together(found.above_s, above),
    )


def _gaps(bins: Bins, before: tuple[float, float] | None, gap_s: float) -> Gaps:
    """Times between readings that are too long, and the open ends."""
    read = np.flatnonzero(~np.isnan(bins.last_at_s))
    left = np.array([before if before is not None else (-np.inf, np.nan)])
    last = np.concatenate((left, np.stack((bins.last_at_s[read], bins.last_c[read]), axis=1)))
    right = np.array([(np.inf, np.nan)])
    first = np.concatenate((np.stack((bins.first_at_s[read], bins.first_c[read]), axis=1), right))
    long = np.flatnonzero(first[:, 0] - last[:, 0] > gap_s)
    start_s, start_c = last[long].T
    end_s, end_c = first[long].T
    return Gaps(
        start_s,
        start_c,
        end_s,
        end_c,
        np.where(np.isinf(end_s), start_s + gap_s, start_s),
        np.where(np.isinf(start_s), end_s - gap_s, end_s),
    )


def _around(
    bins: Bins, before: tuple[float, float] | None, lost: Indices
) -> tuple[Array, Array, Array]:
    """The coldest, mean and warmest reading in or beside each of these bins."""
    has = ~np.isnan(bins.last_at_s)
    number = np.arange(has.size)
    back = np.maximum.accumulate(np.where(has, number, -1))
    ahead = np.minimum.accumulate(np.where(has, number, has.size)[::-1])[::-1]
    earlier = np.concatenate(([-1], back[:-1]))[lost]
    later = np.concatenate((ahead[1:], [has.size]))[lost]
    previous = np.where(
        earlier >= 0, bins.last_c[np.maximum(earlier, 0)], before[1] if before else np.nan
    )
    following = np.where(later < has.size, bins.first_c[np.minimum(later, has.size - 1)], np.nan)
    own = np.where(has[lost], bins.mean_c[lost], np.nan)
    coldest = np.fmin(np.fmin(previous, following), bins.min_c[lost])
    warmest = np.fmax(np.fmax(previous, following), bins.max_c[lost])
    mean = np.where(np.isnan(own), (coldest + warmest) / 2, own)
    return coldest, mean, warmest


def _running(
    bins: Bins,
    before: tuple[float, float] | None,
    unknown: UnknownTime,
    base: PlaceHours | None,
    kept: int,
    rates: Sequence[RateTable],
    assumed_c: float,
    beside: tuple[tuple[float, float] | None, tuple[float, float]],
) -> PlaceHours:
    """Sums that go on from those of a base."""

    def onto(name: str, rows: Rows, count: int) -> Rows:
        nothing = np.zeros((1, *rows.shape[1:]), dtype=rows.dtype)
        sums = nothing if base is None else getattr(base, name)[: count + 1]
        running = np.cumsum(np.concatenate((sums[-1:], rows)), axis=0, dtype=rows.dtype)
        return np.concatenate((sums[:-1], running))

    def behind(name: str, rows: Rows, count: int) -> Rows:
        return rows if base is None else np.concatenate((getattr(base, name)[:count], rows))

    far = 0 if base is None else int(np.searchsorted(base.unknown_bin, kept))
    tenths = np.rint(bins.above_s * TENTHS).astype(np.uint32)
    max_c = behind("max_c", bins.max_c.astype(np.float32), kept)
    read = np.flatnonzero(~np.isnan(bins.last_at_s))
    first_c, last_c = (
        (bins.first_c[read[0]], bins.last_c[read[-1]]) if read.size else (before or (0, 0))[1:] * 2
    )
    onwards = [far_from(float(c), rates=rates, assumed_c=assumed_c) for c in (first_c, last_c)]
    anchors = _anchors(bins, before)
    return PlaceHours(
        edge_s=behind("edge_s", bins.edge_s, kept),
        probe_id=behind("probe_id", bins.probe_id.astype(np.int32), kept),
        known_s=onto("known_s", bins.known_s, kept),
        used=onto("used", bins.integrals, kept),
        above=onto("above", tenths, kept),
        weight_s=onto("weight_s", bins.weight_s, kept),
        degree_s=onto("degree_s", bins.weight_s * bins.mean_c, kept),
        min_c=behind("min_c", bins.min_c.astype(np.float32), kept),
        max_c=max_c,
        unknown_bin=behind("unknown_bin", unknown.bin + kept, far),
        value=onto("value", unknown.value, far),
        low=onto("low", unknown.low, far),
        high=onto("high", unknown.high, far),
        unknown_above=onto("unknown_above", unknown.above_s, far),
        before=onwards[0] if base is None else base.before,
        after=onwards[1],
        anchors=anchors if base is None else _anchors_onto(base.anchors, anchors),
        first=beside[0] if base is None else base.first,
        last=beside[1],
        warmest=Warmest(max_c),
    )


def _anchors(bins: Bins, before: tuple[float, float] | None) -> Anchors:
    has = ~np.isnan(bins.last_at_s)
    days = np.arange(-(-bins.edge_s[0] // DAY_S), bins.edge_s[-1] // DAY_S + 1) * DAY_S
    bin_ = np.searchsorted(bins.edge_s, days)
    back = np.concatenate(([-1], np.maximum.accumulate(np.where(has, np.arange(has.size), -1))))
    last = back[bin_]
    none = before if before is not None else (np.nan, np.nan)
    at_s = np.where(last >= 0, bins.last_at_s[np.maximum(last, 0)], none[0])
    return Anchors(days, at_s, np.where(last >= 0, bins.last_c[np.maximum(last, 0)], none[1]))


def _anchors_onto(base: Anchors, more: Anchors) -> Anchors:
    count = int(np.searchsorted(base.day_s, more.day_s[0]))
    return Anchors(
        np.concatenate((base.day_s[:count], more.day_s)),
        np.concatenate((base.at_s[:count], more.at_s)),
        np.concatenate((base.c[:count], more.c)),
    )
