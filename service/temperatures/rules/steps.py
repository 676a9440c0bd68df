"""Series in steps."""

from dataclasses import dataclass

import numpy as np

from service.science.arrays import Array, Indices


@dataclass(frozen=True)
class Steps:
    """Even steps of a series that something was measured in; arrays of equal length."""

    at_s: Indices
    mean_c: Array
    min_c: Array
    max_c: Array
    covered_s: Array


def steps_of(
    at_s: Indices, temperature_c: Array, *, from_s: int, to_s: int, step_s: int, gap_s: int
) -> Steps:
    """Readings in steps of equal length, along straight lines between them.

    at_s, temperature_c : sorted, with the readings up to `gap_s` outside the
    window, so that its ends are covered too. A stretch longer than `gap_s`
    between two readings is not measured. Means weigh by time; a step that holds
    one lonely reading has that value and covers no time. The range is that of
    the step's readings, and of the line through it where it holds none.
    Cost: O(readings + steps).

    >>> steps = steps_of(np.array([0, 90]), np.array([-20.0, -17.0]),
    ...                  from_s=0, to_s=120, step_s=60, gap_s=3600)
    >>> steps.at_s, steps.covered_s, steps.mean_c
    (array([ 0, 60]), array([60., 30.]), array([-19. , -17.5]))
    """
    count = -(-(to_s - from_s) // step_s)
    start_s, end_s, start_c, end_c = _cut(
        at_s, temperature_c, np.append(from_s + step_s * np.arange(count), to_s), gap_s
    )
    whole = (start_s >= from_s) & (end_s <= to_s)
    duration = (end_s - start_s)[whole].astype(np.float64)
    step = ((start_s - from_s) // step_s)[whole]
    start_c, end_c = start_c[whole], end_c[whole]
    covered: Array = np.bincount(step, weights=duration, minlength=count).astype(np.float64)
    area = np.bincount(step, weights=duration * (start_c + end_c) / 2, minlength=count)

    inside = (at_s >= from_s) & (at_s < to_s)
    own, own_c = (at_s[inside] - from_s) // step_s, temperature_c[inside]
    readings = np.bincount(own, minlength=count)
    low, high = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(low, own, own_c)
    np.maximum.at(high, own, own_c)
    bare = readings[step] == 0
    np.minimum.at(low, step[bare], np.minimum(start_c, end_c)[bare])
    np.maximum.at(high, step[bare], np.maximum(start_c, end_c)[bare])

    plain = np.bincount(own, weights=own_c, minlength=count) / np.maximum(readings, 1)
    mean = np.where(covered > 0, area / np.where(covered > 0, covered, 1.0), plain)
    shown = np.flatnonzero((covered > 0) | (readings > 0))
    return Steps(from_s + step_s * shown, mean[shown], low[shown], high[shown], covered[shown])


def steps_of_hours(hours: Steps, *, from_s: int, step_s: int) -> Steps:
    """Hours in order put together into steps of whole hours, beginning at `from_s`.

    Means weigh by covered time; hours that cover none have the mean of their own.
    Cost: O(hours).

    >>> hours = Steps(np.array([0, 3600]), np.array([-20.0, -18.0]), np.array([-21.0, -19.0]),
    ...               np.array([-19.0, -17.0]), np.array([3600.0, 1200.0]))
    >>> day = steps_of_hours(hours, from_s=0, step_s=86400)
    >>> day.mean_c, day.max_c, day.covered_s
    (array([-19.5]), array([-17.]), array([4800.]))
    """
    if hours.at_s.size == 0:
        return hours
    step = (hours.at_s - from_s) // step_s
    starts = np.flatnonzero(np.diff(step, prepend=-1))
    covered: Array = np.add.reduceat(hours.covered_s, starts)
    count = np.diff(np.append(starts, hours.at_s.size))
    weighed = np.add.reduceat(hours.mean_c * hours.covered_s, starts)
    plain = np.add.reduceat(hours.mean_c, starts) / count
    mean = np.where(covered > 0, weighed / np.where(covered > 0, covered, 1.0), plain)
    return Steps(
        from_s + step[starts] * step_s,
        mean,
        np.minimum.reduceat(hours.min_c, starts),
        np.maximum.reduceat(hours.max_c, starts),
        covered,
    )


def _cut(
    at_s: Indices, temperature_c: Array, cuts_s: Indices, gap_s: int
) -> tuple[Indices, Indices, Array, Array]:
    """Measured segments, cut at these instants: begin, end, and the temperatures there."""
    if at_s.size < 2:
        return at_s[:0], at_s[:0], temperature_c[:0], temperature_c[:0]
    after = np.clip(np.searchsorted(at_s, cuts_s, side="right"), 1, at_s.size - 1)
    before_s, after_s = at_s[after - 1], at_s[after]
    cuts_s = cuts_s[(before_s < cuts_s) & (cuts_s < after_s) & (after_s - before_s <= gap_s)]
    points_s = np.concatenate((at_s, cuts_s))
    points_c = np.concatenate((temperature_c, np.interp(cuts_s, at_s, temperature_c)))
    order = np.argsort(points_s, kind="stable")
    points_s, points_c = points_s[order], points_c[order]
    kept = np.flatnonzero(np.diff(points_s) <= gap_s)
    return points_s[kept], points_s[kept + 1], points_c[kept], points_c[kept + 1]
