"""Time that nobody measured, hour by hour: what it may have done to fish, for many gaps at once.

The line above (`high`) is what a place could have done with its cooling off, however long
nobody measured: rules go by it. The headline (`value`) is for people. For the first day it is
half of that and half of the straight line, as science reference 3.4 shows an unknown time.
Later it is the straight line, or what the place is assumed to be where nobody ever measured,
whichever is warmer: fish is fetched every day, and a store that had been as warm as the room
for days would have been noticed. Else a thermometer that fell silent would soon show ten lives
used, and nobody would look at the figure any more.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, Indices
from service.science.exposure import (
    AMBIENT_C,
    DAY_S,
    PULL_DOWN_K_PER_S,
    THRESHOLDS_C,
    WARM_UP_S,
    RateTable,
    seconds_above,
)

STEP_S = 300.0  # between the points of a bound
SETTLED_S = 10 * WARM_UP_S  # from here on a bound is flat: 0.005 % of the way is left
HALF_S = DAY_S  # so long the headline is half of the bound
_POINTS = np.linspace(0.0, 1.0, 9)  # of a short time inside one hour


@dataclass(frozen=True)
class Gaps:
    """Times without readings; arrays of one length.

    before_at_s, before_c : the reading before, -inf and nan where there is none.
    after_at_s, after_c : the reading after, inf and nan where there is none.
    from_s, until_s : the part of it that is unknown.
    """

    before_at_s: Array
    before_c: Array
    after_at_s: Array
    after_c: Array
    from_s: Array
    until_s: Array


@dataclass(frozen=True)
class UnknownTime:
    """What unknown time may have done, in the bins that hold any.

    bin : ascending. seconds. value, low, high : shape (bins, rates), rate-seconds.
    above_s : shape (bins, thresholds), by the warmest that it may have been.
    """

    bin: Indices
    seconds: Array
    value: Array
    low: Array
    high: Array
    above_s: Array


def in_gaps(
    gaps: Gaps, edge_s: Array, *, rates: Sequence[RateTable], assumed_c: float
) -> UnknownTime:
    """What gaps may have done between each two edges.

    Parameters
    ----------
    gaps : Gaps, in order of time, that do not overlap.
    edge_s : shape (bins + 1,), ascending.
    rates : rates that never fall with temperature.
    assumed_c : what such a place is taken to be where nobody ever measured.

    Returns
    -------
    UnknownTime. low <= value <= high.

    Notes
    -----
    Set out at points of five minutes up to 40 h from a reading, farther away at the edges.
    Between points, and where warming and pull-down meet, the bound is a straight line.
    Cost: O(edges inside gaps + 1000 a gap).

    Source
    ------
    Science reference 3.4; what the headline is after a day is ours.

    Check
    -----
    A day without readings between -20 and -20 °C, by the hour; after ten hours as warm
    as the room but for 40·exp(-2.5) K:

    >>> rate = RateTable(lambda c: c + 100)
    >>> at = np.array([0.0]), np.array([86400.0])
    >>> cold = np.array([-20.0])
    >>> hours = np.arange(25) * 3600.0
    >>> gap = Gaps(at[0], cold, at[1], cold, at[0], at[1])
    >>> found = in_gaps(gap, hours, rates=[rate], assumed_c=-18.0)
    >>> round(float(found.high[9, 0]) / 3600 - 100, 1), round(float(found.low[9, 0]) / 3600 - 100)
    (16.3, -20)
    """
    low_s = np.maximum(gaps.from_s, edge_s[0])
    high_s = np.minimum(gaps.until_s, edge_s[-1])
    first = np.searchsorted(edge_s, low_s, side="right") - 1
    last = np.searchsorted(edge_s, high_s, side="left") - 1
    owner, number = _repeated(np.where(high_s > low_s, last - first + 1, 0))
    bin_ = first[owner] + number
    begin = np.maximum(edge_s[bin_], low_s[owner])
    end = np.minimum(edge_s[bin_ + 1], high_s[owner])
    near = (begin - gaps.before_at_s[owner] < SETTLED_S) | (
        gaps.after_at_s[owner] - end < SETTLED_S
    )
    parts = np.where(near, np.ceil((end - begin) / STEP_S), 1).astype(np.int64)
    pair, number = _repeated(parts)
    step = (end - begin)[pair] / parts[pair]
    from_s = begin[pair] + number * step
    pair, from_s, step = _cut_where_lines_meet(_Lines(gaps, owner[pair]), pair, from_s, step)
    lines = _Lines(gaps, owner[pair])
    (straight0, warmest0), (straight1, warmest1) = lines.at(from_s), lines.at(from_s + step)
    halved = lines.is_first_day(from_s + step / 2)
    calm0, calm1 = (
        np.minimum(np.maximum(straight, assumed_c), warmest)
        for straight, warmest in ((straight0, warmest0), (straight1, warmest1))
    )
    bins, at = np.unique(bin_[pair], return_inverse=True)

    def total(amounts: Array) -> Array:
        return np.bincount(at, weights=amounts, minlength=bins.size).astype(np.float64)

    value, low, high = (np.empty((bins.size, len(rates))) for _ in range(3))
    for column, rate in enumerate(rates):
        most = rate.mean(warmest0, warmest1)
        likely = np.where(
            halved, (rate.mean(straight0, straight1) + most) / 2, rate.mean(calm0, calm1)
        )
        value[:, column] = total(step * likely)
        low[:, column] = total(step * rate.at(lines.coldest))
        high[:, column] = total(step * most)
    above = [total(seconds_above(step, warmest0, warmest1, limit)) for limit in THRESHOLDS_C]
    return UnknownTime(bins, total(step), value, low, high, np.stack(above, axis=1))


def _repeated(counts: Indices) -> tuple[Indices, Indices]:
    """For each of so many: whose it is, and its number from 0."""
    owner = np.repeat(np.arange(counts.size), counts)
    begin = np.cumsum(counts) - counts
    return owner, np.arange(owner.size) - begin[owner]


def _cut_where_lines_meet(
    lines: "_Lines", pair: Indices, from_s: Array, step: Array
) -> tuple[Indices, Array, Array]:
    """Steps, those in which warming is cut off by pull-down made two: there the bound bends."""
    below, above = (
        falling - rising for rising, falling in map(lines.sides, (from_s, from_s + step))
    )
    bent = np.flatnonzero((below > 0) & (above < 0) & np.isfinite(below))
    until = step[bent] * below[bent] / (below[bent] - above[bent])
    rest = step[bent] - until
    step = step.copy()
    step[bent] = until
    return (
        np.concatenate((pair, pair[bent])),
        np.concatenate((from_s, from_s[bent] + until)),
        np.concatenate((step, rest)),
    )


class _Lines:
    """The straight line and the bound through gaps, for points that each lie in one."""

    def __init__(self, gaps: Gaps, owner: Indices) -> None:
        self.start_s, self.end_s = gaps.before_at_s[owner], gaps.after_at_s[owner]
        self.no_before, self.no_after = np.isinf(self.start_s), np.isinf(self.end_s)
        before, after = gaps.before_c[owner], gaps.after_c[owner]
        self.before = np.where(self.no_before, after, before)
        self.after = np.where(self.no_after, before, after)
        self.coldest = np.minimum(self.before, self.after)
        self.floor = np.maximum(self.before, self.after)
        self.warmest = np.maximum(AMBIENT_C, self.floor)
        self.is_open = self.no_before | self.no_after

    def sides(self, at_s: Array) -> tuple[Array, Array]:
        """Warming since the reading before; what can have been pulled down to the next one."""
        since = np.where(self.no_before, 0.0, at_s - np.where(self.no_before, 0.0, self.start_s))
        left = np.where(self.no_after, 0.0, np.where(self.no_after, 0.0, self.end_s) - at_s)
        rising = self.warmest - (self.warmest - self.before) * np.exp(-since / WARM_UP_S)
        rising = np.where(self.no_before, self.warmest, rising)
        return rising, np.where(self.no_after, np.inf, self.after + PULL_DOWN_K_PER_S * left)

    def at(self, at_s: Array) -> tuple[Array, Array]:
        """The straight line and the bound."""
        length = np.where(self.is_open, 1.0, self.end_s - self.start_s)
        share = np.where(self.is_open, 0.0, at_s - self.start_s) / length
        straight = self.before + (self.after - self.before) * np.where(self.is_open, 0.0, share)
        rising, falling = self.sides(at_s)
        return straight, np.maximum(np.minimum(rising, falling), self.floor)

    def is_first_day(self, at_s: Array) -> npt.NDArray[np.bool_]:
        """Within a day of the reading before, or of the only one there is."""
        return np.where(self.no_before, self.end_s - at_s < HALF_S, at_s - self.start_s < HALF_S)


def inside_hours(
    seconds: Array,
    coldest_c: Array,
    mean_c: Array,
    warmest_c: Array,
    *,
    rates: Sequence[RateTable],
) -> tuple[Array, Array, Array, Array]:
    """What seconds that are missing somewhere inside an hour may have done.

    All of one hour at once, beginning and ending at its warmest reading: no gaps that
    together last as long can have been warmer. Returns value, low, high, shape (n, rates),
    and seconds above each threshold, shape (n, thresholds).

    >>> rate = RateTable(lambda c: c + 100)
    >>> one = np.array([-20.0])
    >>> _, low, high, _ = inside_hours(np.array([1200.0]), one, one, one, rates=[rate])
    >>> float(low[0, 0].round(6)), 96_000 < float(high[0, 0]) < 99_000
    (96000.0, True)
    """
    after = seconds[:, np.newaxis] * _POINTS
    start = warmest_c[:, np.newaxis]
    top = np.maximum(AMBIENT_C, start)
    line = np.minimum(
        top - (top - start) * np.exp(-after / WARM_UP_S),
        start + PULL_DOWN_K_PER_S * (seconds[:, np.newaxis] - after),
    )
    line = np.maximum(line, start)
    length = np.diff(after, axis=1)
    value, low, high = (np.empty((seconds.size, len(rates))) for _ in range(3))
    for column, rate in enumerate(rates):
        high[:, column] = (length * rate.mean(line[:, :-1], line[:, 1:])).sum(axis=1)
        low[:, column] = seconds * rate.at(coldest_c)
        value[:, column] = (seconds * rate.at(mean_c) + high[:, column]) / 2
    above = [
        seconds_above(length, line[:, :-1], line[:, 1:], limit).sum(axis=1)
        for limit in THRESHOLDS_C
    ]
    return value, low, high, np.stack(above, axis=1)


@dataclass(frozen=True)
class Onwards:
    """What each second does where a bound no longer changes: shape (rates,), and above_s."""

    value: Array
    low: Array
    high: Array
    above: Array


def far_from(only_c: float, *, rates: Sequence[RateTable], assumed_c: float) -> Onwards:
    """Long after the last reading, or long before the first.

    >>> onwards = far_from(-20.0, rates=[RateTable(lambda c: c + 100)], assumed_c=-18.0)
    >>> [round(float(x[0])) for x in (onwards.low, onwards.value, onwards.high)]
    [80, 82, 120]
    """
    warmest = max(AMBIENT_C, only_c)
    value, low, high = (
        np.array([float(rate.at(c)) for rate in rates])
        for c in (max(only_c, min(assumed_c, warmest)), only_c, warmest)
    )
    return Onwards(value, low, high, np.array([1.0 * (warmest > limit) for limit in THRESHOLDS_C]))
