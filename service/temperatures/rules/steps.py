"""Series in steps: of equal length, or the civil days, weeks and months of a site."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import StrEnum

import numpy as np

from service.science.arrays import Array, Indices
from service.science.exposure import HOUR_S

MINUTE_S, DAY_S = 60, 86_400
LONGEST_S = 366 * DAY_S


class CivilStep(StrEnum):
    """A step by the site's calendar, as ISO 8601 writes it: a day has 23, 24 or 25 hours."""

    DAY = "P1D"
    WEEK = "P1W"
    MONTH = "P1M"


@dataclass(frozen=True)
class Step:
    """How long the steps of a series are; `civil` ones about `seconds`."""

    seconds: int
    civil: CivilStep | None = None

    @property
    def said(self) -> int | str:
        """As an answer shows it: seconds, or the civil step."""
        return self.seconds if self.civil is None else self.civil.value

    @property
    def of_hours(self) -> bool:
        """Whether whole hours make up a step."""
        return self.seconds % HOUR_S == 0

    def whole_hours(self) -> "Step":
        """The same, or the next longer one that hours make up."""
        return self if self.of_hours else Step(-(-self.seconds // HOUR_S) * HOUR_S)

    def count(self, from_s: int, to_s: int) -> int:
        """How many there are in a time, about."""
        return -(-(to_s - from_s) // self.seconds)

    def window(self, from_s: int, to_s: int, zone: tzinfo) -> "Window":
        """The steps that hold a time, and what of them is shown.

        Steps of whole hours begin at a full hour and show the hour that the time ends in;
        civil ones begin at the site's midnight and are whole; others begin at `from_s`.
        """
        if self.civil is not None:
            cuts = _civil_cuts(self.civil, from_s, to_s, zone)
            return Window(cuts, int(cuts[0]), int(cuts[-1]))
        if self.of_hours:
            from_s, to_s = from_s // HOUR_S * HOUR_S, -(-to_s // HOUR_S) * HOUR_S
        cuts = from_s + self.seconds * np.arange(self.count(from_s, to_s) + 1)
        return Window(cuts, from_s, to_s)


@dataclass(frozen=True)
class Window:
    """A time in steps: where they begin and the last one ends, and what of them is shown."""

    cuts_s: Indices
    from_s: int
    until_s: int

    @property
    def first_day_s(self) -> int:
        """The UTC midnight before it."""
        return self.from_s // DAY_S * DAY_S

    @property
    def last_day_s(self) -> int:
        """The UTC midnight after it."""
        return -(-self.until_s // DAY_S) * DAY_S

    def coverage(self, steps: "Steps") -> Array:
        """The measured share of each step, 0 to 1."""
        step = np.searchsorted(self.cuts_s, steps.at_s)
        share: Array = steps.covered_s / np.diff(self.cuts_s)[step]
        return np.minimum(share, 1.0)


CIVIL = {
    CivilStep.DAY: Step(DAY_S, CivilStep.DAY),
    CivilStep.WEEK: Step(7 * DAY_S, CivilStep.WEEK),
    CivilStep.MONTH: Step(30 * DAY_S, CivilStep.MONTH),
}
READABLE = (
    *(Step(MINUTE_S * minutes) for minutes in (1, 2, 5, 10, 15, 30)),
    *(Step(HOUR_S * hours) for hours in (1, 2, 3, 4, 6, 12)),
    *CIVIL.values(),
)
"""Steps that a person can read off a chart, shortest first."""
_HOURS_AND_MINUTES = re.compile(r"PT(?=\d)(?:(\d{1,4})H)?(?:(\d{1,6})M)?", re.ASCII)


def step_from(said: str) -> Step:
    """A step from seconds or an ISO 8601 duration: 600, PT10M, PT6H, P1D, P1W, P1M.

    Raises ValueError for what is neither, and for parts of a minute.

    >>> step_from("PT1H30M").seconds, step_from("P1D").civil
    (5400, <CivilStep.DAY: 'P1D'>)
    """
    if said in CIVIL:
        return CIVIL[CivilStep(said)]
    found = _HOURS_AND_MINUTES.fullmatch(said)
    if found is not None:
        seconds = int(found[1] or 0) * HOUR_S + int(found[2] or 0) * MINUTE_S
    elif said.isascii() and said.isdigit() and len(said) < 10:
        seconds = int(said)
    else:
        raise ValueError("seconds, or a duration: PT10M, PT6H, P1D, P1W, P1M")
    if not MINUTE_S <= seconds <= LONGEST_S or seconds % MINUTE_S:
        raise ValueError(f"whole minutes, from {MINUTE_S} to {LONGEST_S} seconds")
    return Step(seconds)


def step_for(from_s: int, to_s: int, points: int) -> Step:
    """The shortest readable step that gives at most so many points; months where none does.

    >>> step_for(0, 7 * DAY_S, 600).seconds, step_for(0, 365 * DAY_S, 600).said
    (1800, 'P1D')
    """
    fine = (step for step in READABLE if step.count(from_s, to_s) <= points)
    return next(fine, READABLE[-1])


def _civil_cuts(step: CivilStep, from_s: int, to_s: int, zone: tzinfo) -> Indices:
    """Midnights of the zone. Weeks begin on Monday (ISO 8601), months on the first."""
    day = _begin(step, datetime.fromtimestamp(from_s, UTC).astimezone(zone).date())
    cuts = [_midnight(day, zone)]
    while cuts[-1] < to_s:
        day = _next(step, day)
        cuts.append(_midnight(day, zone))
    return np.array(cuts, dtype=np.int64)


def _begin(step: CivilStep, day: date) -> date:
    if step is CivilStep.MONTH:
        return day.replace(day=1)
    return day - timedelta(days=day.weekday()) if step is CivilStep.WEEK else day


def _next(step: CivilStep, day: date) -> date:
    if step is CivilStep.MONTH:
        return (day + timedelta(days=31)).replace(day=1)
    return day + timedelta(days=7 if step is CivilStep.WEEK else 1)


def _midnight(day: date, zone: tzinfo) -> int:
    return int(datetime.combine(day, time(), zone).timestamp())


@dataclass(frozen=True)
class Steps:
    """Steps of a series that something was measured in; arrays of equal length."""

    at_s: Indices
    mean_c: Array
    min_c: Array
    max_c: Array
    covered_s: Array


@dataclass(frozen=True)
class Spans:
    """Times in order, mostly hours, and what was measured in each; arrays of equal length."""

    from_s: Indices
    until_s: Indices
    mean_c: Array
    min_c: Array
    max_c: Array
    covered_s: Array

    def between(self, from_s: int, until_s: int) -> "Spans":
        """The part inside a time. Of a span across its edge: the share of its covered
        seconds, and both extremes, because nobody knows on which side they were."""
        low = int(np.searchsorted(self.until_s, from_s, side="right"))
        high = int(np.searchsorted(self.from_s, until_s, side="left"))
        here = slice(low, max(low, high))
        begin = np.maximum(self.from_s[here], from_s)
        end = np.minimum(self.until_s[here], until_s)
        share = (end - begin) / (self.until_s[here] - self.from_s[here])
        return Spans(
            begin,
            end,
            self.mean_c[here],
            self.min_c[here],
            self.max_c[here],
            self.covered_s[here] * share,
        )


def one_after_another(parts: Sequence[Spans]) -> Spans:
    """Spans of successive times as one; an empty one of none."""
    empty, none = np.zeros(0, dtype=np.int64), np.zeros(0)
    every = (Spans(empty, empty, none, none, none, none), *parts)
    return Spans(
        np.concatenate([p.from_s for p in every]),
        np.concatenate([p.until_s for p in every]),
        np.concatenate([p.mean_c for p in every]),
        np.concatenate([p.min_c for p in every]),
        np.concatenate([p.max_c for p in every]),
        np.concatenate([p.covered_s for p in every]),
    )


def steps_of(
    at_s: Indices, temperature_c: Array, cuts_s: Indices, *, from_s: int, to_s: int, gap_s: int
) -> Steps:
    """Readings in steps, along straight lines between them.

    at_s, temperature_c : sorted, with the readings up to `gap_s` outside the
    window, so that its ends are covered too. cuts_s : where steps begin and the last
    one ends; they hold the window. A stretch longer than `gap_s` between two readings
    is not measured. Means weigh by time; a step that holds
    one lonely reading has that value and covers no time. The range is that of
    the step's readings, and of the line through it where it holds none.
    Cost: O(readings + steps).

    >>> steps = steps_of(np.array([0, 90]), np.array([-20.0, -17.0]), np.array([0, 60, 120]),
    ...                  from_s=0, to_s=120, gap_s=3600)
    >>> steps.at_s, steps.covered_s, steps.mean_c
    (array([ 0, 60]), array([60., 30.]), array([-19. , -17.5]))
    """
    count = cuts_s.size - 1
    start_s, end_s, start_c, end_c = _cut(
        at_s, temperature_c, np.unique(np.concatenate((cuts_s, [from_s, to_s]))), gap_s
    )
    whole = (start_s >= from_s) & (end_s <= to_s)
    duration = (end_s - start_s)[whole].astype(np.float64)
    step = np.searchsorted(cuts_s, start_s[whole], side="right") - 1
    start_c, end_c = start_c[whole], end_c[whole]
    covered: Array = np.bincount(step, weights=duration, minlength=count).astype(np.float64)
    area = np.bincount(step, weights=duration * (start_c + end_c) / 2, minlength=count)

    inside = (at_s >= from_s) & (at_s < to_s)
    own = np.searchsorted(cuts_s, at_s[inside], side="right") - 1
    own_c = temperature_c[inside]
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
    return Steps(cuts_s[shown], mean[shown], low[shown], high[shown], covered[shown])


def steps_of_hours(hours: Spans, cuts_s: Indices) -> Steps:
    """Hours in order put together into steps that hold them all.

    Means weigh by covered time; a step of hours that cover none has the mean of their
    means. An hour across a cut, in a zone that is half an hour off, counts in both steps
    by its share. Cost: O(hours + steps).

    >>> hours = Spans(np.array([0, 3600]), np.array([3600, 7200]), np.array([-20.0, -18.0]),
    ...               np.array([-21.0, -19.0]), np.array([-19.0, -17.0]),
    ...               np.array([3600.0, 1200.0]))
    >>> day = steps_of_hours(hours, np.array([0, 86400]))
    >>> day.mean_c, day.max_c, day.covered_s
    (array([-19.5]), array([-17.]), array([4800.]))
    """
    begin = np.union1d(hours.from_s, cuts_s[_inside(hours, cuts_s)])
    hour = np.searchsorted(hours.from_s, begin, side="right") - 1
    end = np.minimum(hours.until_s[hour], np.append(begin[1:], 2**62))
    share = (end - begin) / (hours.until_s - hours.from_s)[hour]
    step = np.searchsorted(cuts_s, begin, side="right") - 1
    parts = Steps(
        cuts_s[step],
        hours.mean_c[hour],
        hours.min_c[hour],
        hours.max_c[hour],
        hours.covered_s[hour] * share,
    )
    return together(parts)


def _inside(hours: Spans, cuts_s: Indices) -> np.typing.NDArray[np.bool_]:
    """Which cuts lie inside an hour, not at its edge."""
    if not hours.from_s.size:
        return np.zeros(cuts_s.size, dtype=np.bool_)
    hour = np.searchsorted(hours.from_s, cuts_s, side="right") - 1
    at = np.maximum(hour, 0)
    return (hour >= 0) & (hours.from_s[at] < cuts_s) & (cuts_s < hours.until_s[at])


def together(parts: Steps) -> Steps:
    """Parts of the same step, one after the other, as one."""
    if not parts.at_s.size:
        return parts
    starts = np.flatnonzero(np.diff(parts.at_s, prepend=parts.at_s[0] - 1))
    covered: Array = np.add.reduceat(parts.covered_s, starts)
    count = np.diff(np.append(starts, parts.at_s.size))
    weighed = np.add.reduceat(parts.mean_c * parts.covered_s, starts)
    plain = np.add.reduceat(parts.mean_c, starts) / count
    return Steps(
        parts.at_s[starts],
        np.where(covered > 0, weighed / np.where(covered > 0, covered, 1.0), plain),
        np.minimum.reduceat(parts.min_c, starts),
        np.maximum.reduceat(parts.max_c, starts),
        covered,
    )


def joined(parts: Sequence[Steps]) -> Steps:
    """Steps of successive times as one; one step may have parts in several of them."""
    if not parts:
        empty, none = np.zeros(0, dtype=np.int64), np.zeros(0)
        return Steps(empty, none, none, none, none)
    return together(
        Steps(
            np.concatenate([p.at_s for p in parts]),
            np.concatenate([p.mean_c for p in parts]),
            np.concatenate([p.min_c for p in parts]),
            np.concatenate([p.max_c for p in parts]),
            np.concatenate([p.covered_s for p in parts]),
        )
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
