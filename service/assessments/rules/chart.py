"""The chart of an excursion as lines in millimetres: a ribbon of hours, air, limits, cores.

Drawn to be read without colour: the air is a plain line, broken where nobody measured; the
core is a hatched band, its most likely course dashed.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from math import ceil, floor
from typing import Any
from zoneinfo import ZoneInfo

from service.assessments.rules.figures import Line
from service.quantities import TemperatureUnit, from_celsius

Point = tuple[float, float]
WIDTH_MM, HEIGHT_MM = 168.0, 74.0
MARGIN_K = 2.0  # of air above and below what is drawn
MOST_HOUR_MARKS = 13
HOURS_APART = (1, 2, 3, 6, 12, 24, 48, 96, 168, 336)
DEGREES_APART = (1, 2, 5, 10, 20)
MOST_DEGREE_MARKS = 8


@dataclass(frozen=True)
class Mark:
    """A line across the chart with a word: an hour, a degree, a limit, a beginning."""

    at_mm: float
    word: str
    strong: bool = False


@dataclass(frozen=True)
class Chart:
    """Everything that is drawn; x to the right, y downwards, from the upper left corner."""

    width_mm: float
    height_mm: float
    hours: tuple[Mark, ...]
    degrees: tuple[Mark, ...]
    limits: tuple[Mark, ...]
    bounds: tuple[Mark, ...]
    air: tuple[tuple[Point, ...], ...]
    air_between: tuple[tuple[Point, ...], ...]
    core: tuple[Point, ...]
    core_between: tuple[Point, ...]
    checks: tuple[tuple[float, float, bool], ...]
    warm: tuple[tuple[float, float], ...]
    silent: tuple[tuple[float, float], ...]

    def drawn(self) -> dict[str, Any]:
        """As the template takes it."""
        return asdict(self)


@dataclass(frozen=True)
class Measured:
    """A core that somebody measured; own: of the fish whose core is drawn."""

    at: datetime
    c: float
    own: bool


@dataclass(frozen=True)
class Limit:
    """A temperature that matters, and its word."""

    c: float
    word: str


def chart(
    air: Line,
    core: Line | None,
    *,
    limits: Sequence[Limit],
    checks: Sequence[Measured],
    begun: datetime,
    ended: datetime | None,
    warm_above_c: float | None,
    zone: ZoneInfo,
    unit: TemperatureUnit,
) -> Chart:
    """The chart of an excursion.

    core : of the fish that may have become warmest; None where there was none. warm_above_c :
    from which air on the ribbon is thick. Where the air's bounds are apart nobody measured:
    its line is broken there and both bounds are shown.
    """
    scale = _Scale.around(air, core, limits, checks)
    apart = [high - low > 0.01 for low, high in zip(air.low, air.high, strict=True)]
    pieces = _pieces([not a for a in apart])
    gaps = [(max(0, a - 1), min(len(apart) - 1, b + 1)) for a, b in _pieces(apart)]
    return Chart(
        WIDTH_MM,
        HEIGHT_MM,
        hours=tuple(_hours(scale, zone)),
        degrees=tuple(_degrees(scale, unit)),
        limits=tuple(Mark(scale.y(each.c), each.word) for each in limits),
        bounds=tuple(_bounds(scale, begun, ended)),
        air=tuple(tuple(scale.points(air.at[a : b + 1], air.value[a : b + 1])) for a, b in pieces),
        air_between=tuple(
            (
                *scale.points(air.at[a : b + 1], air.high[a : b + 1]),
                *reversed(scale.points(air.at[a : b + 1], air.low[a : b + 1])),
            )
            for a, b in gaps
        ),
        core=tuple(scale.points(core.at, core.value)) if core else (),
        core_between=(
            (
                *scale.points(core.at, core.high),
                *reversed(scale.points(core.at, core.low)),
            )
            if core
            else ()
        ),
        checks=tuple((scale.x(each.at), scale.y(each.c), each.own) for each in checks),
        warm=tuple(_warm(scale, air, apart, warm_above_c)),
        silent=tuple((scale.x(air.at[a]), scale.x(air.at[b])) for a, b in gaps),
    )


@dataclass(frozen=True)
class _Scale:
    first: datetime
    last: datetime
    low_c: float
    high_c: float

    @classmethod
    def around(
        cls,
        air: Line,
        core: Line | None,
        limits: Sequence[Limit],
        checks: Sequence[Measured],
    ) -> "_Scale":
        every = [*air.low, *air.high, *(each.c for each in limits), *(each.c for each in checks)]
        every += [*core.low, *core.high] if core else []
        first, last = air.at[0], max(air.at[-1], air.at[0] + timedelta(minutes=10))
        return cls(first, last, min(every) - MARGIN_K, max(every) + MARGIN_K)

    def x(self, at: datetime) -> float:
        share = (at - self.first) / (self.last - self.first)
        return round(WIDTH_MM * min(max(share, 0.0), 1.0), 2)

    def y(self, c: float) -> float:
        return round(HEIGHT_MM * (self.high_c - c) / (self.high_c - self.low_c), 2)

    def points(self, at: Sequence[datetime], c: Sequence[float]) -> list[Point]:
        return [(self.x(when), self.y(what)) for when, what in zip(at, c, strict=True)]


def _pieces(wanted: Sequence[bool]) -> list[tuple[int, int]]:
    """First and last index of each run of True.

    >>> _pieces([True, True, False, True])
    [(0, 1), (3, 3)]
    """
    found: list[tuple[int, int]] = []
    for index, true in enumerate(wanted):
        if not true:
            continue
        if found and found[-1][1] == index - 1:
            found[-1] = (found[-1][0], index)
        else:
            found.append((index, index))
    return found


def _warm(
    scale: _Scale, air: Line, apart: Sequence[bool], above_c: float | None
) -> list[tuple[float, float]]:
    if above_c is None:
        return []
    warm = [c > above_c and not gap for c, gap in zip(air.value, apart, strict=True)]
    last = len(warm) - 1
    return [(scale.x(air.at[a]), scale.x(air.at[min(b + 1, last)])) for a, b in _pieces(warm)]


def _hours(scale: _Scale, zone: ZoneInfo) -> list[Mark]:
    """Full hours of the site's day, midnights with their date."""
    span_h = (scale.last - scale.first) / timedelta(hours=1)
    every = next((h for h in HOURS_APART if span_h / h <= MOST_HOUR_MARKS), HOURS_APART[-1])
    local = scale.first.astimezone(zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    marks = []
    for number in range(floor(span_h / every) + 24 // min(every, 24) + 2):
        at = (midnight + timedelta(hours=number * every)).replace(tzinfo=zone)
        if scale.first <= at <= scale.last:
            is_midnight = at.hour == 0
            word = f"{at:%-d %b}" if is_midnight else f"{at:%H}"
            marks.append(Mark(scale.x(at), word, strong=is_midnight))
    return marks


def _degrees(scale: _Scale, unit: TemperatureUnit) -> list[Mark]:
    low, high = (from_celsius(c, unit) for c in (scale.low_c, scale.high_c))
    every = next(
        (d for d in DEGREES_APART if (high - low) / d <= MOST_DEGREE_MARKS), DEGREES_APART[-1]
    )
    steps = range(ceil(low / every), floor(high / every) + 1)
    per = (scale.high_c - scale.low_c) / (high - low)
    return [
        Mark(
            scale.y(scale.low_c + (step * every - low) * per),
            f"{step * every}".replace("-", "−"),
        )
        for step in steps
    ]


def _bounds(scale: _Scale, begun: datetime, ended: datetime | None) -> list[Mark]:
    marks = [Mark(scale.x(begun), "begins")]
    if ended is not None and ended <= scale.last:
        marks.append(Mark(scale.x(ended), "ends"))
    return marks
