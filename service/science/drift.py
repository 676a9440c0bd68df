"""Whether thermometers that hang together wander apart."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, Indices, finite

DAY_S = 86_400
MONTH_DAYS = 30.4375
LEAST_HOURS = 12  # of a day, for its median: half a day says little of a daily course
LEAST_DAYS = 7  # for a trend
MOST_POINTS = 2_000  # of a trend: two million pairs, 16 MB


@dataclass(frozen=True)
class Trend:
    """A straight line through points, and the range of its slope."""

    slope: float
    intercept: float
    low: float
    high: float


@dataclass(frozen=True)
class Difference:
    """How two series of hourly means differ, in °C, first less second.

    days : with enough hours for a daily median. per_month : slope of these medians in
    °C a month, and its 95 % range; None with fewer than seven days.
    """

    hours: int
    days: int
    mean_c: float
    sd_c: float
    per_month: Trend | None


def theil_sen(x: npt.ArrayLike, y: npt.ArrayLike, *, confidence: float = 0.95) -> Trend:
    """The line that a few wild points do not bend.

    Slope: the median of the slopes (y_j − y_i)/(x_j − x_i) of all pairs with x_j > x_i.
    Intercept: median(y) − slope · median(x). Range of the slope: the order statistics of
    the pairs' slopes at rank (N ∓ z·σ)/2, σ² that of Kendall's statistic with ties. Up to
    29 % of the points may be anything.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        2 to 2 000 points, in any units and order, not all at one x.
    confidence : between 0 and 1.

    Returns
    -------
    Trend
        slope and range in units of y per unit of x, intercept in those of y.

    Raises
    ------
    ValueError
        For arrays of other lengths, values that are not finite, one x for all.

    Notes
    -----
    Cost O(n²) in time and memory. The range rests on a normal approximation: below ten
    points it is rough.

    Source
    ------
    H. Theil, Proc. Kon. Ned. Akad. Wet. A 53 (1950) 386; P. K. Sen, J. Am. Stat. Assoc.
    63 (1968) 1379. [citations from memory; checked against SciPy's theilslopes]

    >>> line = theil_sen([0, 1, 2, 3, 4], [1.0, 3.0, 5.0, 7.0, 100.0])
    >>> line.slope, line.intercept
    (2.0, 1.0)
    """
    x, y = finite("x", x), finite("y", y)
    if x.ndim != 1 or x.shape != y.shape or not 2 <= x.size <= MOST_POINTS:
        raise ValueError(f"x and y must be 2 to {MOST_POINTS} numbers each, as many of both")
    if not 0 < confidence < 1:
        raise ValueError("confidence must lie between 0 and 1")
    step = x[None, :] - x[:, None]
    later = step > 0
    if not later.any():
        raise ValueError("x must not be the same for all")
    slopes = np.sort((y[None, :] - y[:, None])[later] / step[later])
    slope = float(np.median(slopes))
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    spread = z * sqrt(max(0.0, _kendall_variance(x, y)))
    low = max(round((slopes.size - spread) / 2) - 1, 0)
    high = min(round((slopes.size + spread) / 2), slopes.size - 1)
    return Trend(
        slope,
        float(np.median(y) - slope * np.median(x)),
        float(slopes[low]),
        float(slopes[high]),
    )


def _kendall_variance(x: Array, y: Array) -> float:
    """Variance of Kendall's S: (n(n−1)(2n+5) − Σ over ties of the same)/18."""

    def term(count: npt.NDArray[np.int64]) -> float:
        return float((count * (count - 1) * (2 * count + 5)).sum())

    ties = sum(term(np.unique(values, return_counts=True)[1]) for values in (x, y))
    return (term(np.array([x.size])) - ties) / 18


def daily_medians(hour_s: Indices, value: Array) -> tuple[Indices, Array]:
    """UTC days with at least twelve hours, and the median of their hours.

    hour_s : beginnings of hours in seconds since 1970, in order; value : as many.
    Cost O(n log n).

    >>> hours = np.arange(24) * 3600
    >>> daily_medians(hours, np.arange(24.0))
    (array([0]), array([11.5]))
    >>> daily_medians(hours[:11], np.arange(11.0))[0].size
    0
    """
    day, start, count = np.unique(hour_s // DAY_S, return_index=True, return_counts=True)
    whole = np.flatnonzero(count >= LEAST_HOURS)
    medians = [np.median(value[start[i] : start[i] + count[i]]) for i in whole]
    return day[whole], np.array(medians, dtype=np.float64)


def difference(hour_s: Indices, first_c: Array, second_c: Array) -> Difference:
    """How two thermometers differ over the hours that both measured.

    hour_s : in order, s since 1970; first_c, second_c : their hourly means, °C.
    Raises ValueError for no hours. Cost O(hours + days²).

    >>> hours = np.arange(24 * 30) * 3600
    >>> found = difference(hours, -20 + hours / 86400 * 0.01, np.full(hours.size, -20.0))
    >>> round(found.mean_c, 2), round(found.per_month.slope, 3), found.days
    (0.15, 0.304, 30)
    """
    if not hour_s.size:
        raise ValueError("there must be hours that both measured")
    apart = first_c - second_c
    day, median = daily_medians(hour_s, apart)
    sd = float(np.std(apart, ddof=1)) if apart.size > 1 else 0.0
    return Difference(apart.size, day.size, float(np.mean(apart)), sd, _per_month(day, median))


def _per_month(day: Indices, median: Array) -> Trend | None:
    if day.size < LEAST_DAYS:
        return None
    day, median = day[-MOST_POINTS:], median[-MOST_POINTS:]
    return theil_sen((day - day[0]) / MONTH_DAYS, median)


def against_the_others(means_c: Array, which: int) -> tuple[Indices, Array, Sequence[int]] | None:
    """One thermometer's hours, and the median of the others in each.

    means_c : shape (probes, hours), °C, NaN where one did not measure. Returns the
    positions of the hours in which it and at least one other measured, that median, and
    which others there were; None where there is no such hour. Cost O(probes · hours).

    >>> means = np.array([[1.0, 2.0], [np.nan, 3.0], [np.nan, 5.0]])
    >>> against_the_others(means, 0)
    (array([1]), array([4.]), [1, 2])
    """
    others = np.delete(means_c, which, axis=0)
    known = ~np.isnan(means_c[which]) & ~np.isnan(others).all(axis=0)
    hours = np.flatnonzero(known)
    if not hours.size:
        return None
    there = [
        i for i in range(means_c.shape[0]) if i != which and not np.isnan(means_c[i, hours]).all()
    ]
    median: Array = np.nanmedian(others[:, hours], axis=0)
    return hours, median, there


def wanders(found: Difference, *, window_days: float, class_c: float) -> bool:
    """Whether a thermometer drifts: over the window by more than its class may be off.

    Asks for days over at least half of the window, and that the whole range of the
    slope lies on one side of zero.

    >>> line = Trend(0.8, 0.0, 0.7, 0.9)
    >>> wanders(Difference(2000, 80, 1.2, 0.5, line), window_days=90, class_c=2.0)
    True
    >>> wanders(Difference(2000, 80, 1.2, 0.5, line), window_days=60, class_c=2.0)
    False
    """
    line = found.per_month
    if line is None or found.days < window_days / 2:
        return False
    sure = line.low > 0 or line.high < 0
    return sure and abs(line.slope) * window_days / MONTH_DAYS > class_c
