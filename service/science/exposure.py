"""What a temperature series has done: exact integrals along straight segments.

Between two readings the temperature is taken as a straight line. For any rate
r(T) the integral over such a segment is Δt·(R(T1) − R(T0))/(T1 − T0), where R
is the antiderivative of r with respect to temperature. R is tabulated once per
rate, so a segment costs two look-ups however many kinks the rate has.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, Indices, finite, within

GRID_C = 0.01
LOWEST_C, HIGHEST_C = -90.0, 90.0
THRESHOLDS_C = (-18.0, -15.0, -12.0, -5.0, 0.0, 4.4, 10.0, 21.1)
HOUR_S = 3600
DAY_S = 86400.0

# Upper envelope of a gap, science reference 3.4 [memory, low; the safe side].
AMBIENT_C = 20.0
WARM_UP_S = 4 * 3600.0
PULL_DOWN_K_PER_S = 10.0 / 3600.0


class RateTable:
    """A rate over temperature, ready to be averaged along straight segments.

    rate : function of an array of °C giving an array of rates >= 0.
    Valid from -90 to 90 °C; building costs 18 000 evaluations, each segment O(1).
    A mean is right to 1e-6 along a segment of 1 K or more and along any segment of
    a smooth rate; to 1e-4 along a shorter one across a kink of the rate. Colder and
    warmer than the range counts as its end.

    >>> squares = RateTable(lambda c: c**2)
    >>> float(squares.at(3.0).round(9)), float(squares.mean(0.0, 3.0).round(6))
    (9.0, 3.0)
    """

    def __init__(self, rate: Callable[[Array], Array]) -> None:
        count = round((HIGHEST_C - LOWEST_C) / GRID_C)
        nodes: Array = LOWEST_C + GRID_C * np.arange(count + 1, dtype=np.float64)
        self._rate = rate(nodes)
        middles = rate(nodes[:-1] + GRID_C / 2)
        cells = GRID_C / 6 * (self._rate[:-1] + 4 * middles + self._rate[1:])
        self._integral = np.concatenate(([0.0], np.cumsum(cells)))

    def at(self, temperature_c: npt.ArrayLike) -> Array:
        """The rate at temperatures, linear between grid points of 0.01 K."""
        return self._at(*_cell(np.asarray(temperature_c, dtype=np.float64), self._rate.size))

    def mean(self, start_c: npt.ArrayLike, end_c: npt.ArrayLike) -> Array:
        """Mean rate along straight lines from start_c to end_c, shape (...)."""
        start, end = np.broadcast_arrays(
            np.asarray(start_c, dtype=np.float64), np.asarray(end_c, dtype=np.float64)
        )
        return mean_rates((self,), start, end)[0]

    def _at(self, cell: Indices, share: Array) -> Array:
        rate: Array = self._rate[cell] * (1 - share) + self._rate[cell + 1] * share
        return rate

    def _antiderivative(self, cell: Indices, share: Array) -> Array:
        low, high = self._rate[cell], self._rate[cell + 1]
        inside = GRID_C * share * (low + (high - low) * share / 2)
        integral: Array = self._integral[cell] + inside
        return integral


def mean_rates(rates: Sequence[RateTable], start_c: Array, end_c: Array) -> list[Array]:
    """The mean of each rate along the same straight lines: what `RateTable.mean` gives for each,
    with the places in the tables looked up once. O(lines · rates).

    >>> tables = [RateTable(lambda c: c**2), RateTable(np.abs)]
    >>> [float(m[0].round(6)) for m in mean_rates(tables, np.array([0.0]), np.array([3.0]))]
    [3.0, 1.5]
    """
    size = round((HIGHEST_C - LOWEST_C) / GRID_C) + 1
    difference = end_c - start_c
    flat = np.abs(difference) < GRID_C / 10
    safe = np.where(flat, 1.0, difference)
    start, end = _cell(start_c, size), _cell(end_c, size)
    middle = _cell((start_c[flat] + end_c[flat]) / 2, size)
    means = []
    for rate in rates:
        mean = np.asarray((rate._antiderivative(*end) - rate._antiderivative(*start)) / safe)
        mean[flat] = rate._at(*middle)
        means.append(mean)
    return means


def _cell(temperature_c: Array, size: int) -> tuple[Indices, Array]:
    position = (np.clip(temperature_c, LOWEST_C, HIGHEST_C) - LOWEST_C) / GRID_C
    cell = np.minimum(position.astype(np.int64), size - 2)
    return cell, position - cell


def seconds_above(
    duration_s: npt.ArrayLike, start_c: npt.ArrayLike, end_c: npt.ArrayLike, limit_c: float
) -> Array:
    """Seconds warmer than a limit along straight segments.

    Parameters
    ----------
    duration_s, start_c, end_c : array_like, broadcast, finite.
    limit_c : float.

    Returns
    -------
    ndarray, broadcast shape, between 0 and duration_s.

    Source
    ------
    Geometry of a straight line crossing a level.

    Check
    -----
    >>> round(float(seconds_above(3600, 2.0, 6.0, 4.4)), 6)
    1440.0
    """
    duration, start, end = np.broadcast_arrays(
        finite("duration_s", duration_s), finite("start_c", start_c), finite("end_c", end_c)
    )
    warmest, coldest = np.maximum(start, end), np.minimum(start, end)
    spread = np.where(warmest > coldest, warmest - coldest, 1.0)
    with np.errstate(over="ignore"):  # a line that hardly rises is above it all the way
        share = np.clip((warmest - limit_c) / spread, 0.0, 1.0)
    above: Array = duration * np.where(warmest > coldest, share, (start > limit_c) * 1.0)
    return above


@dataclass(frozen=True)
class HourRollups:
    """One row per series and hour that has a reading; all arrays of length n.

    covered_s counts only segments not longer than the gap limit. `integrals`,
    shape (n, rates), are ∫rate dt in rate-seconds over covered time; `above_s`,
    shape (n, thresholds), seconds above each of THRESHOLDS_C.
    """

    series: Indices
    hour_s: Indices
    readings: Indices
    covered_s: Array
    mean_c: Array
    m2: Array
    min_c: Array
    max_c: Array
    first_at_s: Indices
    first_c: Array
    last_at_s: Indices
    last_c: Array
    above_s: Array
    integrals: Array


def hour_rollups(
    series: Indices,
    at_s: Indices,
    temperature_c: Array,
    *,
    gap_s: int,
    rates: Sequence[RateTable],
) -> HourRollups:
    """Roll readings up into UTC hours, for many series at once.

    Parameters
    ----------
    series, at_s, temperature_c : ndarray, shape (n,), n >= 1, sorted by series
        then instant, instants unique within a series.
    gap_s : longest time between two readings that counts as measured, <= 3600.
    rates : rate tables whose integrals are wanted.

    Returns
    -------
    HourRollups, sorted by series and hour.

    Raises
    ------
    ValueError
        If there is no reading, or gap_s is more than an hour (a segment could
        then touch three hours).

    Notes
    -----
    Cost O(n · rates), no loops over readings. mean_c and m2 weigh by time; an
    hour with no covered time has the plain mean of its readings and m2 = 0.

    Source
    ------
    Science reference 10.1: sums over straight segments, cut at every full hour.

    Check
    -----
    From -20 at 0:30 to -16 °C at 1:15, a line that passes -17.33 °C at 1:00:

    >>> probe, at_s = np.array([7, 7]), np.array([1800, 4500])
    >>> hours = hour_rollups(probe, at_s, np.array([-20.0, -16.0]), gap_s=3600, rates=())
    >>> hours.hour_s.tolist(), hours.covered_s.tolist(), hours.mean_c.round(3).tolist()
    ([0, 3600], [1800.0, 900.0], [-18.667, -16.667])
    """
    if at_s.size == 0:
        raise ValueError("at_s must hold at least one reading")
    if not 0 < gap_s <= HOUR_S:
        raise ValueError("gap_s must lie between 1 and 3600")
    hour = at_s // HOUR_S
    fresh = np.concatenate(([True], (series[1:] != series[:-1]) | (hour[1:] != hour[:-1])))
    first = np.flatnonzero(fresh)
    last = np.concatenate((first[1:], [at_s.size])) - 1
    group = np.cumsum(fresh) - 1

    cut = _segments_by_hour(series, at_s, temperature_c, group, gap_s)
    count = first.size

    def total(values: Array) -> Array:
        return np.bincount(cut.group, weights=values, minlength=count).astype(np.float64)

    covered = total(cut.duration_s)
    weight = np.where(covered > 0, covered, 1.0)
    plain = np.add.reduceat(temperature_c, first) / (last - first + 1)
    mean = np.where(
        covered > 0, total(cut.duration_s * (cut.start_c + cut.end_c) / 2) / weight, plain
    )
    off0, off1 = cut.start_c - mean[cut.group], cut.end_c - mean[cut.group]
    m2 = total(cut.duration_s * (off0**2 + off0 * off1 + off1**2) / 3)
    warmest = temperature_c.max()
    above = [
        total(seconds_above(cut.duration_s, cut.start_c, cut.end_c, limit))
        if warmest > limit
        else np.zeros(count)
        for limit in THRESHOLDS_C
    ]
    integrals = [total(cut.duration_s * mean) for mean in mean_rates(rates, cut.start_c, cut.end_c)]
    return HourRollups(
        series=series[first],
        hour_s=hour[first] * HOUR_S,
        readings=last - first + 1,
        covered_s=covered,
        mean_c=mean,
        m2=m2,
        min_c=np.minimum.reduceat(temperature_c, first),
        max_c=np.maximum.reduceat(temperature_c, first),
        first_at_s=at_s[first],
        first_c=temperature_c[first],
        last_at_s=at_s[last],
        last_c=temperature_c[last],
        above_s=np.stack(above, axis=1),
        integrals=np.stack(integrals, axis=1) if rates else np.zeros((count, 0)),
    )


@dataclass(frozen=True)
class Spread:
    """How temperatures lie around their mean, as an hour's row keeps it; arrays of one shape.

    weight_s : seconds covered, >= 0. mean_c : weighed by time. m2 : the integral of
    (T - mean)² over the covered time, K² s, >= 0.

    Raises ValueError if a value is not finite, or weight_s or m2 is negative.

    >>> Spread(np.array(60.0), np.array(-20.0), np.array(-1.0))
    Traceback (most recent call last):
    ...
    ValueError: m2 must lie between 0 and 1e+300
    """

    weight_s: Array
    mean_c: Array
    m2: Array

    def __post_init__(self) -> None:
        within("weight_s", self.weight_s, 0, 1e300)
        finite("mean_c", self.mean_c)
        within("m2", self.m2, 0, 1e300)


def merged(one: Spread, other: Spread) -> Spread:
    """The mean and spread of two times together: hours into days, halves into an hour.

    Parameters
    ----------
    one, other : Spread, shapes that broadcast; their times must not overlap.

    Returns
    -------
    Spread, broadcast shape. Where neither has any weight, the plain middle of both
    means and no spread.

    Raises
    ------
    ValueError
        If shapes do not broadcast. Values are checked by Spread.

    Notes
    -----
    Exact but for rounding, in any order and grouping. Leaves out the extremes, which
    merge as such. Cost O(1) a value.

    Source
    ------
    The parallel-axis theorem of moments, textbook; science reference 10.1.

    Check
    -----
    >>> both = merged(
    ...     Spread(np.array(3.0), np.array(-20.0), np.array(6.0)),
    ...     Spread(np.array(1.0), np.array(-12.0), np.array(2.0)),
    ... )
    >>> float(both.mean_c), float(both.m2)
    (-18.0, 56.0)
    """
    weight: Array = one.weight_s + other.weight_s
    safe = np.where(weight > 0, weight, 1.0)
    share = np.where(weight > 0, other.weight_s / safe, 0.5)
    apart = other.mean_c - one.mean_c
    m2 = one.m2 + other.m2 + apart**2 * one.weight_s * share
    return Spread(weight, one.mean_c + apart * share, m2)


def mean_rate_from_spread(rate: RateTable, spread: Spread) -> Array:
    """A mean rate where only mean and spread were kept: an old year under a new profile.

    The rate at the mean alone is always too low where rates bend upwards: fish would
    seem fresher than it is. To second order r(mean) · (1 + ½ b² · variance), with b
    the slope of ln r at the mean.

    Parameters
    ----------
    rate : RateTable, more than zero where it is asked.
    spread : Spread, shape (...).

    Returns
    -------
    ndarray, shape (...), in the rate's unit; where no time is covered, the rate at
    the mean.

    Raises
    ------
    ValueError
        If a mean is outside -89 to 89 °C, naming `mean_c`.

    Notes
    -----
    Measured over a lot-year with four sharp defrosts a day: the sum within 0.3 %, the
    worst hour, across a knot of its table, within 4 %; a vitamin 0.02 and 0.1 %. The
    rate at the mean alone is up to 0.6 % too low, in its worst hour 5 %. Leaves out
    knots of the rate inside the hour, and spoilage above -10 °C, which is no
    exponential: where an hour was warmer, integrate its readings.
    Cost: three look-ups a value.

    Source
    ------
    Taylor's series of an exponential rate to second order; science reference 10.1.

    Check
    -----
    Half an hour at -18 and half at -10 °C, 3.2 times faster ten degrees warmer:

    >>> rate = RateTable(lambda c: 3.2 ** ((c + 18) / 10))
    >>> hour = Spread(np.array(3600.0), np.array(-14.0), np.array(3600.0 * 16))
    >>> round(float(mean_rate_from_spread(rate, hour)), 4)
    1.7648
    """
    at = within("mean_c", spread.mean_c, LOWEST_C + 1, HIGHEST_C - 1)
    warmer, colder = rate.at(at + GRID_C), rate.at(at - GRID_C)
    usable = (warmer > 0) & (colder > 0)
    ratio = np.where(usable, warmer, 1.0) / np.where(usable, colder, 1.0)
    slope = np.log(ratio) / (2 * GRID_C)
    variance = spread.m2 / np.where(spread.weight_s > 0, spread.weight_s, 1.0)
    mean: Array = rate.at(at) * (1 + slope**2 * variance / 2)
    return mean


def edge_bound(
    rate: RateTable,
    share: npt.ArrayLike,
    covered_s: npt.ArrayLike,
    integral: npt.ArrayLike,
    coldest_c: npt.ArrayLike,
    warmest_c: npt.ArrayLike,
) -> Array:
    """By how much a stay's part of an hour may be off when the hour is spread evenly.

    `between` counts share · integral of an hour in which a stay begins or ends. Add
    the bounds of both edges: the whole stay is off by no more.

    Parameters
    ----------
    rate : RateTable that never falls with temperature.
    share : array_like, of the hour's covered time that the stay holds, 0 to 1.
    covered_s : array_like, seconds the hour covers, 0 to 3600.
    integral : array_like, what the whole hour used, >= 0.
    coldest_c, warmest_c : array_like, extremes of the hour, those of the straight
        lines across its ends included (take the neighbours' extremes along).

    Returns
    -------
    ndarray, broadcast shape, in the unit of `integral`, >= 0.

    Raises
    ------
    ValueError
        If an argument is outside its range or warmest_c below coldest_c, by name.

    Notes
    -----
    No assumption on when in the hour it was warm. Where an hour is covered in part,
    `share` is that of the covered time. Cost: two look-ups a value.

    Source
    ------
    What a stay holds lies between its time at the lowest and at the highest rate, and
    so does what it leaves (ours).

    Check
    -----
    An hour between -20 and -10 °C of which half is counted:

    >>> rate = RateTable(lambda c: 1 + (c + 20) / 10)
    >>> float(edge_bound(rate, 0.5, 3600, 1.5 * 3600, -20, -10).round(6))
    900.0
    """
    kept = within("share", share, 0, 1)
    covered = within("covered_s", covered_s, 0, HOUR_S)
    whole = within("integral", integral, 0, 1e300)
    coldest, warmest = finite("coldest_c", coldest_c), finite("warmest_c", warmest_c)
    if (warmest < coldest).any():
        raise ValueError("warmest_c must not be below coldest_c")
    above = np.maximum(rate.at(warmest) * covered - whole, 0.0)
    below = np.maximum(whole - rate.at(coldest) * covered, 0.0)
    more = np.minimum(kept * above, (1 - kept) * below)
    less = np.minimum(kept * below, (1 - kept) * above)
    bound: Array = np.maximum(more, less)
    return bound


@dataclass(frozen=True)
class _Pieces:
    group: Indices
    duration_s: Array
    start_c: Array
    end_c: Array


def _segments_by_hour(
    series: Indices, at_s: Indices, temperature_c: Array, group: Indices, gap_s: int
) -> _Pieces:
    """Measured segments, cut where they cross an hour; the hours' groups beside them."""
    duration = at_s[1:] - at_s[:-1]
    kept = np.flatnonzero((series[1:] == series[:-1]) & (duration <= gap_s))
    start, end = kept, kept + 1
    boundary = at_s[end] // HOUR_S * HOUR_S
    crossing = group[start] != group[end]
    cut_s = np.where(crossing, boundary, at_s[end])
    share = (cut_s - at_s[start]) / duration[kept]
    start_c, end_c = temperature_c[start], temperature_c[end]
    cut_c = start_c + (end_c - start_c) * share
    over = np.flatnonzero(crossing & (at_s[end] > boundary))
    return _Pieces(
        group=np.concatenate((group[start], group[end][over])),
        duration_s=np.concatenate((cut_s - at_s[start], at_s[end][over] - cut_s[over])).astype(
            np.float64
        ),
        start_c=np.concatenate((start_c, cut_c[over])),
        end_c=np.concatenate((cut_c, end_c[over])),
    )


@dataclass(frozen=True)
class Prefix:
    """What one place had used up by the end of each hour, and the grain of the sums.

    begin_s : where the first hour begins. used : shape (hours + 1, rates), from 0 on.
    grain : shape (rates,), a power of two; every hour is rounded to whole grains, so
    that sums are exact, in whatever order they are made. integrals : shape
    (hours, rates), what each hour used before it was rounded.
    """

    begin_s: int
    used: Array
    grain: Array
    integrals: Array


def prefix_sums(hour_s: npt.ArrayLike, integrals: npt.ArrayLike) -> Prefix:
    """Running sums of what each hour used, so that any stay costs two look-ups.

    Parameters
    ----------
    hour_s : array_like, shape (n,), n >= 1, ascending beginnings of whole hours.
        Hours may be absent: nothing is known of them, and they count nothing here.
        Sum `covered_s` along as one more rate to know how much of a stay is known.
    integrals : array_like, shape (n,) or (n, rates), of each hour.

    Returns
    -------
    Prefix.

    Raises
    ------
    ValueError
        If there is no hour, hours do not ascend or are not whole hours, shapes
        differ, or an integral is not finite.

    Notes
    -----
    Cost O(hours between the first and the last), 8 bytes an hour and rate.

    Source
    ------
    Science reference 10.2 (derived there).

    Check
    -----
    >>> prefix = prefix_sums([0, 3600, 10800], [1.0, 2.0, 4.0])
    >>> prefix.used[:, 0].tolist()
    [0.0, 1.0, 3.0, 3.0, 7.0]
    """
    number, rows = _whole_hours(hour_s, integrals)
    if not number.size:
        raise ValueError("hour_s must hold at least one hour, and integrals one row for each")
    every = _by_rate(int(number[-1] - number[0]) + 1, rows.shape[1])
    every[number - number[0]] = rows
    return _summed(int(number[0]) * HOUR_S, every)


def _whole_hours(hour_s: npt.ArrayLike, integrals: npt.ArrayLike) -> tuple[Indices, Array]:
    """Numbers of hours since the epoch, and a row of integrals for each; checked."""
    hours = finite("hour_s", hour_s)
    values = finite("integrals", integrals)
    if hours.ndim != 1 or values.ndim not in (1, 2):
        raise ValueError("hour_s must hold at least one hour, and integrals one row for each")
    if values.shape[0] != hours.size:
        raise ValueError("integrals must have one row for each of hour_s")
    number = np.floor(hours / HOUR_S).astype(np.int64)
    if (number * HOUR_S != hours).any() or (np.diff(number) <= 0).any():
        raise ValueError("hour_s must be whole hours and ascend")
    return number, values[:, np.newaxis] if values.ndim == 1 else values


def _by_rate(hours: int, rates: int) -> Array:
    """Zeros, shape (hours, rates), each rate's hours side by side in memory: summed faster."""
    return np.zeros((hours, rates), order="F")


def _grain(integrals: Array) -> Array:
    """So coarse that no sum of whole grains needs more than the 53 bits of a double."""
    grain: Array = np.spacing(np.abs(integrals).sum(axis=0) * 2)
    return grain


def _summed(begin_s: int, integrals: Array) -> Prefix:
    grain = _grain(integrals)
    used = _by_rate(integrals.shape[0] + 1, integrals.shape[1])
    np.cumsum(np.rint(integrals / grain) * grain, axis=0, out=used[1:])
    return Prefix(begin_s, used, grain, integrals)


def with_hours(prefix: Prefix, hour_s: npt.ArrayLike, integrals: npt.ArrayLike) -> Prefix:
    """The running sums after some hours were reckoned anew: late readings, corrections.

    A late reading changes its own hour and at most the two beside it (segments end
    in them); pass those, as `hour_rollups` makes them from the readings around.

    Parameters
    ----------
    prefix : as it was; it is not changed.
    hour_s : array_like, shape (n,), ascending beginnings of whole hours, also before
        the first or after the last of `prefix`.
    integrals : array_like, shape (n,) or (n, rates), instead of what was there.

    Returns
    -------
    Prefix, to the last bit the one that `prefix_sums` makes of all hours.

    Raises
    ------
    ValueError
        As `prefix_sums`, and where the number of rates differs from `prefix`.

    Notes
    -----
    Hours before the first changed one are copied, those after it summed anew; all are
    where the whole has grown so much that the grain is another. An hour that no
    longer holds anything is passed with 0. Cost for a year of hours and 6 rates
    about 0.3 ms, half of a rebuild; what is saved is rolling up the year's readings.

    Source
    ------
    Science reference 10.3 (derived there); sums of whole grains are exact (ours).

    Check
    -----
    >>> before = prefix_sums([0, 3600, 10800], [1.0, 2.0, 4.0])
    >>> with_hours(before, [7200], [0.5]).used[:, 0].tolist()
    [0.0, 1.0, 3.0, 3.5, 7.5]
    """
    number, rows = _whole_hours(hour_s, integrals)
    if rows.shape[1] != prefix.integrals.shape[1]:
        raise ValueError(f"integrals must have {prefix.integrals.shape[1]} rates")
    if not number.size:
        return prefix
    begin = prefix.begin_s // HOUR_S
    count = prefix.integrals.shape[0]
    first, end = min(int(number[0]), begin), max(int(number[-1]) + 1, begin + count)
    every = _by_rate(end - first, rows.shape[1])
    every[begin - first : begin - first + count] = prefix.integrals
    every[number - first] = rows
    if first < begin or end > begin + count or (_grain(every) != prefix.grain).any():
        return _summed(first * HOUR_S, every)
    used, changed = prefix.used.copy(order="K"), int(number[0]) - first
    later = np.rint(every[changed:] / prefix.grain) * prefix.grain
    later[0] += used[changed]
    np.cumsum(later, axis=0, out=used[changed + 1 :])
    return Prefix(prefix.begin_s, used, prefix.grain, every)


def between(prefix: Prefix, begin_s: npt.ArrayLike, end_s: npt.ArrayLike) -> Array:
    """What was used between two instants, for any number of parcels at once.

    Parameters
    ----------
    begin_s, end_s : array_like, broadcast, end not before begin.

    Returns
    -------
    ndarray, broadcast shape with one more axis, rates, at its end. Outside the
    hours of `prefix` nothing is counted.

    Raises
    ------
    ValueError
        If an instant is not finite or an end is before its begin.

    Notes
    -----
    Inside an hour what it used is spread evenly. Measured over a year of five-minute
    readings with four sharp defrosts a day, relative to the readings: stays of 7 to
    180 days median 3e-6, 99 of 100 below 1.9e-4, worst 7e-4; stays of 1 to 24 hours
    median 5e-4, 99 of 100 below 3.1 %, worst 10.5 %. `edge_bound` says by how much at
    most; integrate the edges of a short stay from the readings. Sums of parts equal
    the whole exactly. Cost O(1) a parcel, about 0.1 µs a rate.

    Source
    ------
    Science reference 10.2 (derived and measured there).

    Check
    -----
    >>> prefix = prefix_sums([0, 3600, 10800], [1.0, 2.0, 4.0])
    >>> between(prefix, [1800, 0], [5400, 1e9])[:, 0].tolist()
    [1.5, 7.0]
    """
    begin, end = finite("begin_s", begin_s), finite("end_s", end_s)
    if (end < begin).any():
        raise ValueError("end_s must not be before begin_s")
    begin, end = np.broadcast_arrays(begin, end)
    used: Array = _used_by(prefix, end) - _used_by(prefix, begin)
    return used


def _used_by(prefix: Prefix, at_s: Array) -> Array:
    """What was used until an instant, shape (..., rates), in whole grains."""
    last = prefix.used.shape[0] - 1
    place = np.clip((at_s - prefix.begin_s) / HOUR_S, 0.0, last)
    hour = np.minimum(place.astype(np.int64), last - 1)
    share = place - hour
    found = np.empty((*at_s.shape, prefix.used.shape[1]))
    for rate, grain in enumerate(prefix.grain):
        column = np.ascontiguousarray(prefix.used[:, rate])
        before = column[hour]
        part = (column[hour + 1] - before) * share
        found[..., rate] = before + np.rint(part / grain) * grain
    return found


@dataclass(frozen=True)
class GapBound:
    """A time without readings as a line of points: the coldest and the warmest it may have been.

    at_s, straight_c, envelope_c : shape (n,), n >= 2. low_c : constant.
    """

    at_s: Array
    straight_c: Array
    envelope_c: Array
    low_c: float


def gap_bound(
    start_s: float,
    end_s: float,
    before_c: float | None,
    after_c: float | None,
    *,
    ambient_c: float = AMBIENT_C,
    warm_up_s: float = WARM_UP_S,
    pull_down_k_per_s: float = PULL_DOWN_K_PER_S,
) -> GapBound:
    """How cold and how warm a place may have been between two readings.

    Parameters
    ----------
    start_s, end_s : the gap, end after start.
    before_c, after_c : readings at its ends; None where there is no neighbour.
    ambient_c, warm_up_s, pull_down_k_per_s : how a place warms with its cooling
        off, and how fast it is pulled down again.

    Returns
    -------
    GapBound. The envelope is never below either neighbour.

    Raises
    ------
    ValueError
        If the gap is empty or both neighbours are missing.

    Source
    ------
    Science reference 3.4; time constants from memory (low), on the safe side.

    Check
    -----
    >>> b = gap_bound(0, 4 * 3600, -20, -18)
    >>> round(float(np.interp(2 * 3600, b.at_s, b.envelope_c)), 2)
    -4.26
    """
    if end_s <= start_s:
        raise ValueError("end_s must be after start_s")
    known = [c for c in (before_c, after_c) if c is not None]
    if not known:
        raise ValueError("before_c and after_c cannot both be missing")
    length = end_s - start_s
    fine = np.linspace(0.0, min(length, 10 * warm_up_s), 301)
    offsets = np.unique(np.concatenate((fine, length - fine, [0.0, length])))
    warmest = max(ambient_c, *known)
    rising = np.full_like(offsets, warmest)
    if before_c is not None:
        rising = warmest - (warmest - before_c) * np.exp(-offsets / warm_up_s)
    falling = np.full_like(offsets, warmest)
    if after_c is not None:
        falling = after_c + pull_down_k_per_s * (length - offsets)
    envelope = np.maximum(np.minimum(rising, falling), max(known))
    first = before_c if before_c is not None else known[0]
    final = after_c if after_c is not None else known[0]
    straight = first + (final - first) * offsets / length
    return GapBound(start_s + offsets, straight, envelope, min(known))
