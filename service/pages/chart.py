"""A chart over time: the ribbon of hours, stretched upwards by a value.

Numbers in, positions out. A line breaks where nobody measured and thickens beyond a threshold;
a band shows lowest and highest; limits lie across; stretches (an excursion) stand behind it;
tracks of the ribbon (pulls, defrosts) lie beneath, on the same hours. Values come in the unit
that is shown. x runs from 0 to 1000 to the right, y from 0 to 1000 downwards: the drawing
stretches with the page, its words do not. `rows` say the same as a table.
"""

from bisect import bisect_left
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from math import ceil, floor, inf, isfinite, log10
from typing import Literal, NamedTuple

from service.pages.ribbon import Fill, Ribbon, Track, ribbon
from service.pages.words import MONTHS, Writer

Shape = Literal["line", "steps", "dots"]
SIZE = 1000.0
MARGIN = 0.06  # of the values' range, above and below
MOST_TIMES, MOST_VALUES, MOST_ROWS = 9, 7, 48
MOST_GAPS = 200
MINUTES = (5, 10, 15, 30)
HOURS = (1, 2, 3, 6, 12)
DAYS = (1, 2, 7)
MONTHS_APART = (1, 3, 6, 12, 24, 60, 120)
HOUR_S, DAY_S, MONTH_S = 3600, 86_400, 2_629_746


@dataclass(frozen=True)
class Line:
    """A value over time, in the unit that is shown.

    at_s : seconds since 1970, rising. low, high : of a band around it, as long as `value`.
    longest_s : where two points lie further apart nobody measured: the line breaks there.
    thick_above : the line is thick where its value lies above.
    shape : steps hold their value until the next point.
    """

    name: str
    at_s: Sequence[float]
    value: Sequence[float]
    low: Sequence[float] | None = None
    high: Sequence[float] | None = None
    longest_s: float = inf
    thick_above: float | None = None
    dashed: bool = False
    shape: Shape = "line"

    @classmethod
    def of(
        cls, name: str, points: Iterable[tuple[datetime, float]], *, shape: Shape = "line"
    ) -> "Line":
        """A line from instants and values, without a band."""
        pairs = [(at.timestamp(), value) for at, value in points]
        return cls(name, [at for at, _ in pairs], [value for _, value in pairs], shape=shape)


@dataclass(frozen=True)
class Limit:
    """A value that matters, drawn across, with its words."""

    value: float
    says: str


@dataclass(frozen=True)
class Stretch:
    """A time that stands behind the lines, with its words."""

    begin: datetime
    end: datetime
    says: str
    fill: Fill = "hatched"


class Label(NamedTuple):
    """A labelled place on an axis, in percent of it."""

    at: float
    words: str
    strong: bool = False


@dataclass(frozen=True)
class DrawnLine:
    """A line as paths: itself, its band, and where it is thick; dots are x and y in percent."""

    name: str
    path: str
    band: str
    thick: str
    dots: Sequence[tuple[float, float]]
    dashed: bool


@dataclass(frozen=True)
class DrawnStretch:
    """A stretch: where it begins and how wide it is, in percent."""

    x: float
    width: float
    fill: Fill
    says: str


@dataclass(frozen=True)
class Gap:
    """A time in which nobody measured."""

    begin: datetime
    end: datetime


@dataclass(frozen=True)
class Cell:
    """What a line was during a row of the table: on average, lowest, highest."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Row:
    """A part of the time; None where a line says nothing."""

    begin: datetime
    cells: Sequence[Cell | None]


@dataclass(frozen=True)
class Chart:
    """Everything placed. `under` is the ribbon with the tracks beneath."""

    begin: datetime
    end: datetime
    unit: str
    lines: Sequence[DrawnLine]
    limits: Sequence[Label]
    stretches: Sequence[DrawnStretch]
    times: Sequence[Label]
    values: Sequence[Label]
    gaps: Sequence[Gap]
    rows: Sequence[Row]
    under: Ribbon

    @property
    def empty(self) -> bool:
        """Whether nobody measured anything."""
        return not any(line.path or line.dots for line in self.lines)


def chart(
    begin: datetime,
    end: datetime,
    lines: Sequence[Line],
    *,
    write: Writer,
    unit: str,
    limits: Sequence[Limit] = (),
    stretches: Sequence[Stretch] = (),
    tracks: Sequence[Track] = (),
    lowest: float | None = None,
    highest: float | None = None,
) -> Chart:
    """A chart with everything placed; what lies outside of the time is left out.

    lowest, highest : what the value axis holds at least. Raises ValueError if it ends before
    it begins. Cost: linear in the points; bound them first (about 700 are as fine as a screen).
    """
    if end <= begin:
        raise ValueError("a chart ends after it begins")
    inside = [_inside(line, begin.timestamp(), end.timestamp()) for line in lines]
    scale = _scale(begin, end, inside, limits, lowest, highest)
    return Chart(
        begin=begin,
        end=end,
        unit=unit,
        lines=[_drawn(line, scale) for line in inside],
        limits=[Label(scale.y(each.value) / 10, each.says) for each in limits],
        stretches=[
            _placed(each, scale) for each in stretches if each.end > begin and each.begin < end
        ],
        times=_times(begin, end, write, scale),
        values=_values(scale),
        gaps=_gaps(inside, scale, write.now),
        rows=_rows(begin, end, inside, write),
        under=ribbon(begin, end, now=write.now, zone=write.view.zone, tracks=tracks),
    )


@dataclass(frozen=True)
class _Scale:
    begin_s: float
    end_s: float
    low: float
    high: float

    def x(self, at_s: float) -> float:
        share = (at_s - self.begin_s) / (self.end_s - self.begin_s)
        return round(SIZE * min(1.0, max(0.0, share)), 1)

    def y(self, value: float) -> float:
        return round(SIZE * (self.high - value) / (self.high - self.low), 1)


def _inside(line: Line, begin_s: float, end_s: float) -> Line:
    """The points of a line in a time; of steps also the last before it."""
    kept = [i for i, at in enumerate(line.at_s) if begin_s <= at <= end_s]
    first = kept[0] if kept else bisect_left(line.at_s, begin_s)
    if line.shape == "steps" and first > 0:
        kept.insert(0, first - 1)
    return Line(
        name=line.name,
        at_s=[max(begin_s, float(line.at_s[i])) for i in kept],
        value=[float(line.value[i]) for i in kept],
        low=None if line.low is None else [float(line.low[i]) for i in kept],
        high=None if line.high is None else [float(line.high[i]) for i in kept],
        longest_s=line.longest_s,
        thick_above=line.thick_above,
        dashed=line.dashed,
        shape=line.shape,
    )


def _scale(
    begin: datetime,
    end: datetime,
    lines: Sequence[Line],
    limits: Sequence[Limit],
    lowest: float | None,
    highest: float | None,
) -> _Scale:
    seen = [v for line in lines for v in (*line.value, *(line.low or ()), *(line.high or ()))]
    seen += [limit.value for limit in limits]
    seen += [bound for bound in (lowest, highest) if bound is not None]
    seen = [value for value in seen if isfinite(value)] or [0.0, 1.0]
    low, high = min(seen), max(seen)
    margin = MARGIN * (high - low) or 1.0
    held = lowest is not None and low >= lowest  # an axis from nought stays there
    return _Scale(begin.timestamp(), end.timestamp(), low if held else low - margin, high + margin)


def _drawn(line: Line, scale: _Scale) -> DrawnLine:
    if line.shape == "dots":
        dots = [
            (scale.x(at) / 10, scale.y(value) / 10)
            for at, value in zip(line.at_s, line.value, strict=True)
        ]
        return DrawnLine(line.name, "", "", "", dots, line.dashed)
    pieces = _pieces(line)
    thick = [run for piece in pieces for run in _above(line, piece)]
    return DrawnLine(
        name=line.name,
        path=" ".join(_path(line, piece, scale) for piece in pieces),
        band=" ".join(_band(line, piece, scale) for piece in pieces),
        thick=" ".join(_path(line, run, scale) for run in thick),
        dots=(),
        dashed=line.dashed,
    )


def _pieces(line: Line) -> list[range]:
    """The stretches of a line without a gap, as indices.

    >>> _pieces(Line("air", [0, 60, 600, 660], [1, 1, 1, 1], longest_s=120))
    [range(0, 2), range(2, 4)]
    """
    if not line.at_s:
        return []
    breaks = [
        i for i in range(1, len(line.at_s)) if line.at_s[i] - line.at_s[i - 1] > line.longest_s
    ]
    edges = [0, *breaks, len(line.at_s)]
    return [range(low, high) for low, high in pairwise(edges)]


def _above(line: Line, piece: range) -> list[range]:
    """The runs of a piece that lie above where the line is thick."""
    if line.thick_above is None:
        return []
    runs: list[range] = []
    for i in piece:
        if line.value[i] <= line.thick_above:
            continue
        joins = runs and runs[-1].stop == i
        runs[-1:] = [range(runs[-1].start, i + 1)] if joins else [*runs[-1:], range(i, i + 1)]
    return runs


def _path(line: Line, piece: range, scale: _Scale) -> str:
    points = [(scale.x(line.at_s[i]), scale.y(line.value[i])) for i in piece]
    if line.shape == "steps":
        ends = [*(x for x, _ in points[1:]), scale.x(scale.end_s)]
        return "M" + " V".join(
            f"{x:g},{y:g} H{end:g}" if n == 0 else f"{y:g} H{end:g}"
            for n, ((x, y), end) in enumerate(zip(points, ends, strict=True))
        )
    if len(points) == 1:
        points *= 2  # a dot: the line's ends are round
    return "M" + "L".join(f"{x:g},{y:g}" for x, y in points)


def _band(line: Line, piece: range, scale: _Scale) -> str:
    if line.low is None or line.high is None:
        return ""
    over = [f"{scale.x(line.at_s[i]):g},{scale.y(line.high[i]):g}" for i in piece]
    back = [f"{scale.x(line.at_s[i]):g},{scale.y(line.low[i]):g}" for i in reversed(piece)]
    return "M" + "L".join(over + back) + "Z"


def _placed(stretch: Stretch, scale: _Scale) -> DrawnStretch:
    x, end = scale.x(stretch.begin.timestamp()), scale.x(stretch.end.timestamp())
    width = round(max(end - x, 2.0) / 10, 2)
    return DrawnStretch(x / 10, width, stretch.fill, stretch.says)


def _gaps(lines: Sequence[Line], scale: _Scale, now: datetime) -> list[Gap]:
    """Where the first line that can break has no point; until now, not in the future."""
    line = next((each for each in lines if each.longest_s < inf), None)
    if line is None:
        return []
    until_s = min(scale.end_s, now.timestamp())
    edges = [scale.begin_s, *line.at_s, until_s]
    return [
        Gap(datetime.fromtimestamp(low, UTC), datetime.fromtimestamp(high, UTC))
        for low, high in pairwise(edges)
        if high - low > line.longest_s
    ][:MOST_GAPS]


def _values(scale: _Scale) -> list[Label]:
    step = nice_step((scale.high - scale.low) / MOST_VALUES)
    digits = max(0, -floor(log10(step)))
    first, last = ceil(scale.low / step - 1e-9), floor(scale.high / step + 1e-9)
    return [
        Label(scale.y(n * step) / 10, f"{n * step:.{digits}f}".replace("-", "−"), strong=n == 0)
        for n in range(first, last + 1)
    ]


def nice_step(least: float) -> float:
    """The next of 1, 2, 5, 10, 20 … that is not less.

    >>> nice_step(0.3), nice_step(4), nice_step(11)
    (0.5, 5.0, 20.0)
    """
    power = 10.0 ** floor(log10(least))
    return float(next(f * power for f in (1, 2, 5, 10) if f * power >= least * (1 - 1e-9)))


def _times(begin: datetime, end: datetime, write: Writer, scale: _Scale) -> list[Label]:
    return [
        Label(scale.x(at.timestamp()) / 10, words, strong)
        for at, words, strong in _marks(begin, end, write, MOST_TIMES)
    ]


class _Mark(NamedTuple):
    at: datetime
    words: str
    strong: bool


def _marks(begin: datetime, end: datetime, write: Writer, most: int) -> list[_Mark]:
    """At most about so many instants that a person can read off, in the site's zone."""
    span_s = (end - begin).total_seconds()
    zone = write.view.zone

    def fits(seconds: float) -> bool:
        return span_s / seconds <= most

    for minutes in MINUTES:
        if fits(minutes * 60):
            return _by_minutes(begin, end, write, minutes)
    for hours in HOURS:
        if fits(hours * HOUR_S):
            return _by_minutes(begin, end, write, hours * 60)
    for days in DAYS:
        if fits(days * DAY_S):
            return _by_days(begin, end, write, days)
    months = next((m for m in MONTHS_APART if fits(m * MONTH_S)), MONTHS_APART[-1])
    local = begin.astimezone(zone)
    first = local.replace(day=1, month=1)
    return _walk(begin, end, _month_after(months), first, lambda at: _month_word(write, at))


def _by_minutes(begin: datetime, end: datetime, write: Writer, minutes: int) -> list[_Mark]:
    """Instants of the clock; midnights with their date. A day has 23, 24 or 25 hours."""
    step = timedelta(minutes=min(minutes, 60))
    at = begin.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    found = []
    while at <= end:
        local = at.astimezone(write.view.zone)
        midnight = local.hour == local.minute == 0
        if at >= begin and (local.hour * 60 + local.minute) % minutes == 0:
            words = _day_word(write, local) if midnight else f"{local:%H:%M}"
            found.append(_Mark(at, words, midnight))
        at += step
    return found


def _by_days(begin: datetime, end: datetime, write: Writer, days: int) -> list[_Mark]:
    local = begin.astimezone(write.view.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    if days > 1:
        local -= timedelta(days=local.toordinal() % days)
    return _walk(
        begin,
        end,
        lambda at: at + timedelta(days=days),
        local,
        lambda at: (_day_word(write, at), at.day == 1),
    )


def _month_after(months: int) -> Callable[[datetime], datetime]:
    def after(at: datetime) -> datetime:
        count = at.year * 12 + at.month - 1 + months
        return at.replace(year=count // 12, month=count % 12 + 1)

    return after


def _month_word(write: Writer, at: datetime) -> tuple[str, bool]:
    return (str(at.year), True) if at.month == 1 else (write.say(MONTHS[at.month - 1]), False)


def _walk(
    begin: datetime,
    end: datetime,
    after: Callable[[datetime], datetime],
    first: datetime,
    words: Callable[[datetime], tuple[str, bool]],
) -> list[_Mark]:
    """From one local midnight to the next: arithmetic on the site's calendar."""
    at = first.replace(hour=0, minute=0, second=0, microsecond=0)
    found = []
    while at.astimezone(UTC) <= end:
        if at.astimezone(UTC) >= begin:
            found.append(_Mark(at.astimezone(UTC), *words(at)))
        at = after(at)
    return found


def _day_word(write: Writer, local: datetime) -> str:
    return f"{local.day} {write.say(MONTHS[local.month - 1])}"


def _rows(begin: datetime, end: datetime, lines: Sequence[Line], write: Writer) -> list[Row]:
    """The lines as a table, in at most some fifty parts of the time."""
    cuts = [mark.at for mark in _marks(begin, end, write, MOST_ROWS)]
    edges = [begin, *(cut for cut in cuts if begin < cut < end), end]
    return [
        Row(low, [_cell(line, low.timestamp(), high.timestamp()) for line in lines])
        for low, high in pairwise(edges)
    ]


def _cell(line: Line, begin_s: float, end_s: float) -> Cell | None:
    held = range(bisect_left(line.at_s, begin_s), bisect_left(line.at_s, end_s))
    if not held and line.shape == "steps":
        held = range(max(0, held.start - 1), held.start)
    if not held:
        return None
    values = [line.value[i] for i in held]
    lows = values if line.low is None else [line.low[i] for i in held]
    highs = values if line.high is None else [line.high[i] for i in held]
    return Cell(sum(values) / len(values), min(lows), max(highs))
