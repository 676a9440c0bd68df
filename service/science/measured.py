"""Any parts of a series of readings: what was measured in each, exactly."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.science.arrays import Array, Indices
from service.science.exposure import THRESHOLDS_C, RateTable, seconds_above


@dataclass(frozen=True)
class Lines:
    """Straight lines between readings that are near enough; arrays of one length, in order."""

    start_s: Array
    end_s: Array
    start_c: Array
    end_c: Array


@dataclass(frozen=True)
class Parts:
    """What was measured in each of some times: seconds, (n, rates), (n, thresholds), °C.

    min_c, max_c : of the lines inside, nan where nothing was measured. degree_s : ∫T dt.
    """

    known_s: Array
    used: Array
    above_s: Array
    degree_s: Array
    min_c: Array
    max_c: Array


def lines_of(
    at_s: Array, temperature_c: Array, windows: Sequence[tuple[float, float]], gap_s: float
) -> Lines:
    """Lines between readings that lie in one window and not more than `gap_s` apart.

    windows : [from, until) in which the readings count, ascending, apart.

    >>> at_s, c = np.array([0.0, 60, 120, 9000]), np.zeros(4)
    >>> lines_of(at_s, c, [(0, 61), (100, 9999)], 3600).start_s
    array([0.])
    """
    begins, ends = (np.array([w[i] for w in windows], dtype=np.float64) for i in (0, 1))
    window = np.searchsorted(begins, at_s, side="right") - 1
    counts = (window >= 0) & (at_s < np.append(ends, -np.inf)[window])
    at_s, temperature_c, window = at_s[counts], temperature_c[counts], window[counts]
    near = (np.diff(at_s) <= gap_s) & (np.diff(window) == 0)
    return Lines(at_s[:-1][near], at_s[1:][near], temperature_c[:-1][near], temperature_c[1:][near])


def parts_of(lines: Lines, low_s: Array, high_s: Array, rates: Sequence[RateTable]) -> Parts:
    """What was measured between each low and high. Cost: the lines that lie there.

    >>> rate = RateTable(lambda c: c + 100)
    >>> lines = Lines(np.array([0.0]), np.array([60.0]), np.array([-20.0]), np.array([-14.0]))
    >>> parts = parts_of(lines, np.array([20.0]), np.array([90.0]), [rate])
    >>> parts.known_s, parts.used.round(6), parts.min_c, parts.max_c
    (array([40.]), array([[3360.]]), array([-18.]), array([-14.]))
    """
    first = np.searchsorted(lines.end_s, low_s, side="right")
    last = np.searchsorted(lines.start_s, high_s, side="left")
    owner, line = _pairs(first, np.where(high_s > low_s, last - first, 0))
    start, end = lines.start_s[line], lines.end_s[line]
    start_c = lines.start_c[line]
    slope = (lines.end_c[line] - start_c) / (end - start)
    from_s, to_s = np.maximum(start, low_s[owner]), np.minimum(end, high_s[owner])
    from_c, to_c = start_c + slope * (from_s - start), start_c + slope * (to_s - start)
    length = to_s - from_s

    def total(amounts: Array) -> Array:
        return np.bincount(owner, weights=amounts, minlength=low_s.size).astype(np.float64)

    coldest, warmest = np.full(low_s.size, np.inf), np.full(low_s.size, -np.inf)
    np.minimum.at(coldest, owner, np.minimum(from_c, to_c))
    np.maximum.at(warmest, owner, np.maximum(from_c, to_c))
    used = [total(length * rate.mean(from_c, to_c)) for rate in rates]
    above = [total(seconds_above(length, from_c, to_c, limit)) for limit in THRESHOLDS_C]
    return Parts(
        total(length),
        np.stack(used, axis=1) if used else np.zeros((low_s.size, 0)),
        np.stack(above, axis=1),
        total(length * (from_c + to_c) / 2),
        np.where(np.isinf(coldest), np.nan, coldest),
        np.where(np.isinf(warmest), np.nan, warmest),
    )


def _pairs(first: Indices, counts: Indices) -> tuple[Indices, Indices]:
    counts = np.maximum(counts, 0)
    owner = np.repeat(np.arange(counts.size), counts)
    begin = np.cumsum(counts) - counts
    return owner, first[owner] + np.arange(owner.size) - begin[owner]
