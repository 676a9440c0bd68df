"""Tables as loggers write them: which column is what, and which instant a local time means.

A line is read for itself: an open quote does not swallow those after it.
"""

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from itertools import pairwise

from service.quantities import TemperatureUnit, to_celsius

NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
LONGEST_SHOWN = 40


class Unreadable(ValueError):
    """A line that holds no reading, and why; or a table that lacks a column."""


@dataclass(frozen=True)
class Layout:
    """How a logger writes its table. Columns are named as in its header, or by number from 1.

    time : one column, or date and time in two. time_format : as `strptime` takes it, None
    for ISO 8601. temperatures : each column of temperatures and the probe that it is of; None
    as the probe: the line names it, in probe_column. zone : of local times.
    """

    time: tuple[str, ...]
    temperatures: tuple[tuple[str, str | None], ...]
    zone: tzinfo
    probe_column: str | None = None
    time_format: str | None = None
    delimiter: str = ","
    decimal_comma: bool = False
    header: bool = True
    skip: int = 0
    unit: TemperatureUnit = TemperatureUnit.C


@dataclass(frozen=True)
class Found:
    """A reading, and the line that it stands in."""

    line: int
    probe: str
    at: datetime
    temperature_c: float


@dataclass(frozen=True)
class Refused:
    """A line that cannot be read, and why."""

    line: int
    why: str


@dataclass(frozen=True)
class _Line:
    """A line whose clock time came twice: which instant is meant shows only by what follows."""

    number: int
    local: datetime
    values: list[tuple[str, float]]


@dataclass
class _Series:
    """What stood before in the file, of one probe or (a table with one column each) of all."""

    last: datetime | None = None
    unclear: list[_Line] = field(default_factory=list)


def read_table(lines: Iterable[str], layout: Layout) -> Iterator[Found | Refused]:
    """Every reading of a table and every line at fault, about in order. Holds one line, and
    those of a repeated hour. Raises Unreadable for a table without the columns named."""
    numbered = ((n, line) for n, line in enumerate(lines, 1) if n > layout.skip and line.strip())
    reader = _Reader(layout, next(numbered, (0, ""))[1] if layout.header else "")
    for number, line in numbered:
        try:
            yield from reader.read(number, line)
        except Unreadable as error:
            yield Refused(number, str(error))
        except OverflowError:
            yield Refused(number, "at: lies outside the calendar")
    yield from reader.rest()


class _Reader:
    def __init__(self, layout: Layout, header: str) -> None:
        self._layout = layout
        names = [name.strip() for name in _cells(header, layout.delimiter)]
        self._time = [_position(name, names, layout) for name in layout.time]
        self._probe = (
            None if layout.probe_column is None else _position(layout.probe_column, names, layout)
        )
        self._temperatures = [
            (_position(name, names, layout), code) for name, code in layout.temperatures
        ]
        self._series: dict[str, _Series] = {}

    def read(self, number: int, line: str) -> Iterator[Found | Refused]:
        """What one line brings to light: its readings, and those before that waited for it."""
        cells = _cells(line, self._layout.delimiter)
        at = self._instant(" ".join(_cell(cells, place) for place in self._time))
        values = list(self._values(cells))
        series = self._series.setdefault(values[0][0] if self._probe is not None else "", _Series())
        if at.tzinfo is None:
            early, late = (_offset(at, self._layout.zone, fold) for fold in (0, 1))
            if early < late:
                raise Unreadable(f"at: {at} did not exist: the clocks went forward")
            if early > late:
                series.unclear.append(_Line(number, at, values))
                return
            yield from self._settled(series, at)
            series.last = at
            at = (at - early).replace(tzinfo=UTC)
        for probe, temperature_c in values:
            yield Found(number, probe, at, temperature_c)

    def rest(self) -> Iterator[Found | Refused]:
        """What waited for a line that did not come."""
        for series in self._series.values():
            yield from self._settled(series, None)

    def _instant(self, said: str) -> datetime:
        try:
            if self._layout.time_format is None:
                at = datetime.fromisoformat(said)
            else:
                at = datetime.strptime(said, self._layout.time_format)  # noqa: DTZ007 - local
            return at if at.tzinfo is None else at.astimezone(UTC)
        except (ValueError, OverflowError) as error:
            raise Unreadable(f"at: {said[:LONGEST_SHOWN]!r} is no instant of this form") from error

    def _values(self, cells: Sequence[str]) -> Iterator[tuple[str, float]]:
        """Probes and °C of a line. Where columns are named for probes, an empty one is nothing."""
        found = 0
        for place, code in self._temperatures:
            said = _cell(cells, place)
            if code is not None and not said and len(self._temperatures) > 1:
                continue
            found += 1
            probe = code if code is not None else _cell(cells, self._probe or 0)
            yield probe, self._celsius(said)
        if not found:
            raise Unreadable("no temperature in this line")

    def _celsius(self, said: str) -> float:
        plain = said.replace("\N{MINUS SIGN}", "-")
        if self._layout.decimal_comma:
            plain = plain.replace(",", ".")
        if not NUMBER.fullmatch(plain):
            raise Unreadable(f"temperature: {said[:LONGEST_SHOWN]!r} is no number")
        return to_celsius(float(plain), self._layout.unit)

    def _settled(self, series: _Series, after: datetime | None) -> Iterator[Found | Refused]:
        """The lines of a repeated hour, now that it is known what stands around them.

        Read forwards, the file steps back once, where the hour begins again: before it
        the first time is meant, from it on the second. A file that goes backwards steps
        forward once. Without such a step nothing says which is meant.
        """
        lines, series.unclear = series.unclear, []
        if not lines:
            return
        first = lines[0].local
        backwards = (series.last is not None and series.last > first) or (
            series.last is None and after is not None and after < first
        )
        steps = [
            number
            for number, (one, other) in enumerate(pairwise(lines), 1)
            if (one.local <= other.local if backwards else one.local >= other.local)
        ]
        if len(steps) != 1:
            why = "came twice that night, and the order of the file does not say which is meant"
            yield from (Refused(line.number, f"at: {line.local} {why}") for line in lines)
            return
        for number, line in enumerate(lines):
            second = (number >= steps[0]) is not backwards
            at = (line.local - _offset(line.local, self._layout.zone, int(second))).replace(
                tzinfo=UTC
            )
            for probe, temperature_c in line.values:
                yield Found(line.number, probe, at, temperature_c)


def _cells(line: str, delimiter: str) -> list[str]:
    line = line.rstrip("\r\n")
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise Unreadable(f"the line cannot be taken apart: {error}") from error


def _cell(cells: Sequence[str], place: int) -> str:
    if place >= len(cells):
        raise Unreadable(f"{len(cells)} cells, column {place + 1} is missing")
    return cells[place].strip()


def _position(name: str, names: Sequence[str], layout: Layout) -> int:
    """Where a column stands, counted from 0."""
    if layout.header and names.count(name) == 1:
        return names.index(name)
    if name.isdigit() and int(name) >= 1:
        return int(name) - 1
    how = f"the header has {names}" if layout.header else "without a header, number them from 1"
    raise Unreadable(f"there is no one column called {name!r}: {how}")


def _offset(local: datetime, zone: tzinfo, fold: int) -> timedelta:
    return local.replace(tzinfo=zone, fold=fold).utcoffset() or timedelta(0)
