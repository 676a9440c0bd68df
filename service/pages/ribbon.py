"""The day as a ribbon of hours, as in a tide table: where everything stands on it.

Now is one upright line. A band lasts (a thaw batch from pull to discard-after, outlined while
it thaws and solid once thawed); a notch is an instant (a feed, a pull); a thread is a freezer,
thick where it was warm, broken where nobody measured. Places are per mille of the ribbon's
length, so that a template draws without arithmetic. Nothing is told by shape alone: every mark
carries its words.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

Fill = Literal["solid", "hatched", "outlined"]
STEPS_H = (1, 2, 3, 6, 12, 24)
MOST_LABELS = 12
LONGEST_LABELLED_H = 24 * 62  # of a longer ribbon nobody reads the hours


@dataclass(frozen=True)
class Band:
    """Something that lasts."""

    begin: datetime
    end: datetime
    fill: Fill
    says: str


@dataclass(frozen=True)
class Notch:
    """Something that happens at an instant."""

    at: datetime
    says: str


@dataclass(frozen=True)
class Thread:
    """A stretch of a place's temperature: `warm` is drawn thick. Between two there is a gap."""

    begin: datetime
    end: datetime
    warm: bool
    says: str


@dataclass(frozen=True)
class Track:
    """One line of the ribbon: a thaw batch, a place, an animal."""

    name: str
    says: str
    bands: Sequence[Band] = ()
    notches: Sequence[Notch] = ()
    threads: Sequence[Thread] = ()
    href: str | None = None


@dataclass(frozen=True)
class Hour:
    """A labelled hour of the ribbon."""

    at: float
    label: str
    midnight: bool


@dataclass(frozen=True)
class Piece:
    """A mark as it is drawn: where it begins and how long it is, in percent of the ribbon."""

    x: float
    width: float
    kind: str
    says: str


@dataclass(frozen=True)
class Drawn:
    """A track with everything placed."""

    name: str
    says: str
    href: str | None
    pieces: Sequence[Piece]


@dataclass(frozen=True)
class Ribbon:
    """A stretch of hours, its labels, where now is (None: outside), and its tracks."""

    begin: datetime
    end: datetime
    hours: Sequence[Hour]
    now: float | None
    tracks: Sequence[Drawn]


def ribbon(
    begin: datetime, end: datetime, *, now: datetime, zone: ZoneInfo, tracks: Sequence[Track] = ()
) -> Ribbon:
    """A ribbon with everything placed; marks outside of it are cut off or left out.

    Raises ValueError if it ends before it begins. Cost: linear in the marks.
    """
    if end <= begin:
        raise ValueError("a ribbon ends after it begins")
    scale = _Scale(begin, end)
    return Ribbon(
        begin=begin,
        end=end,
        hours=_hours(scale, zone),
        now=scale.of(now) if begin <= now <= end else None,
        tracks=[_drawn(track, scale) for track in tracks],
    )


@dataclass(frozen=True)
class _Scale:
    begin: datetime
    end: datetime

    def of(self, at: datetime) -> float:
        """Percent of the ribbon, held inside it."""
        share = (at - self.begin) / (self.end - self.begin)
        return round(100 * min(1.0, max(0.0, share)), 2)

    def piece(self, begin: datetime, end: datetime, kind: str, says: str) -> Piece | None:
        """What of a mark lies inside."""
        if end < self.begin or begin > self.end:
            return None
        x = self.of(begin)
        return Piece(x, round(self.of(end) - x, 2), kind, says)


def _hours(scale: _Scale, zone: ZoneInfo) -> list[Hour]:
    length_h = (scale.end - scale.begin) / timedelta(hours=1)
    if length_h > LONGEST_LABELLED_H:
        return []
    step = next((s for s in STEPS_H if length_h / s <= MOST_LABELS), STEPS_H[-1])
    first = scale.begin.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    found = []
    for count in range(int(length_h) + 2):
        at = first + timedelta(hours=count)
        local = at.astimezone(zone)
        if scale.begin <= at <= scale.end and local.hour % step == 0:
            found.append(Hour(scale.of(at), f"{local:%H}", local.hour == 0))
    return found


def _drawn(track: Track, scale: _Scale) -> Drawn:
    bands = [scale.piece(b.begin, b.end, b.fill, b.says) for b in track.bands]
    threads = [
        scale.piece(t.begin, t.end, "warm" if t.warm else "cold", t.says) for t in track.threads
    ]
    notches = [scale.piece(n.at, n.at, "notch", n.says) for n in track.notches]
    pieces = [piece for piece in (*bands, *threads, *notches) if piece is not None]
    return Drawn(track.name, track.says, track.href, pieces)
