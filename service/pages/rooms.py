"""Cold rooms: how cold each place is now, how the last day was, and what is in it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from fastapi import Response

from service.checks.rules import CheckKind
from service.excursions import queries as excursions
from service.excursions.models import Excursion
from service.excursions.queries.shown import Filter, Shown, shown
from service.excursions.rules import SETTLED, ExcursionKind, ExcursionState
from service.http.bodies import Cursor, decode_cursor, encode_cursor
from service.ledger import queries as ledger
from service.pages.page import OnScreen, Screen, page_router
from service.pages.ribbon import Drawn, Ribbon, Thread, Track, ribbon
from service.pages.words import _
from service.probes import queries as probes
from service.probes.rules import Standing
from service.security.guard import MayLook
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind, place_limit_c
from service.temperatures import queries as temperatures
from service.temperatures.queries import HourSeen, instant
from service.temperatures.rules.governing import Piece, governing_of
from service.temperatures.rules.steps import DAY_S
from service.upkeep.queries import last_readings

router = page_router("/rooms")

SHOWN_BACK = timedelta(hours=24)
MOST_EXCURSIONS = 50
KINDS = {
    PlaceKind.FREEZER: _("freezer"),
    PlaceKind.REFRIGERATOR: _("refrigerator"),
    PlaceKind.THAW_ROOM: _("thaw room"),
    PlaceKind.THAW_TANK: _("thaw tank"),
    PlaceKind.KITCHEN: _("kitchen"),
    PlaceKind.ICE: _("ice"),
}
HAPPENED = {
    ExcursionKind.WARM: _("too warm"),
    ExcursionKind.RISING: _("rising"),
    ExcursionKind.SILENT: _("nobody measured"),
}
CHECKS = {
    CheckKind.AIR: _("the air"),
    CheckKind.CORE: _("a core"),
    CheckKind.CONTAINER: _("a tub of thawed fish"),
    CheckKind.CLEANED: _("cleaned"),
    CheckKind.SANITISED: _("sanitised"),
    CheckKind.ICE_POINT: _("a probe in melting ice"),
}
STATES = {
    ExcursionState.OPEN: _("goes on"),
    ExcursionState.ENDED: _("over, not assessed yet"),
    ExcursionState.ASSESSED: _("waits for a decision"),
    ExcursionState.DECIDED: _("decided"),
    ExcursionState.WITHDRAWN: _("withdrawn"),
}


@dataclass(frozen=True)
class State:
    """How things stand with a place, in words; urgent: somebody has to go there."""

    words: str
    urgent: bool


@dataclass(frozen=True)
class Event:
    """An excursion in a list: what happened, and how far it is dealt with."""

    number: int
    place: str
    what: str
    state: str
    settled: bool
    begin: datetime
    end: datetime | None
    peak_c: float | None

    @property
    def href(self) -> str:
        """Its page."""
        return f"/rooms/excursions/{self.number}"


@dataclass(frozen=True)
class Room:
    """A place now. measured_at: when it was last so cold; None: never measured."""

    code: str
    name: str
    kind: str
    temperature_c: float | None
    measured_at: datetime | None
    limit_c: float | None
    state: State
    grams: int
    events: Sequence[Event]
    thread: Drawn

    @property
    def href(self) -> str:
        """Its page."""
        return f"/rooms/{self.code}"


@dataclass(frozen=True)
class Rooms:
    """Every place of a site, and the day that its threads lie on."""

    rooms: Sequence[Room]
    day: Ribbon
    caution: bool


@dataclass(frozen=True)
class Events:
    """Some excursions, newest first, and where the next ones are."""

    events: Sequence[Event]
    more: str | None


@router.get("")
def rooms(screen: OnScreen, by: MayLook) -> Response:
    """Every place now, those that need somebody first."""
    here = sites.places_of(screen.session, screen.view.id)
    found = sorted(rooms_of(screen, here), key=lambda room: (not room.state.urgent, room.code))
    warned = any(room.events or room.state.urgent for room in found)
    return screen.show("rooms.html", Rooms(found, _day(screen, ()), warned))


@router.get("/excursions")
def excursion_list(screen: OnScreen, by: MayLook, cursor: Cursor = None) -> Response:
    """The excursions of the site, newest first."""
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    rows = shown(
        screen.session, [screen.view.id], Filter(), limit=MOST_EXCURSIONS + 1, before_id=last
    )
    kept = rows[:MOST_EXCURSIONS]
    more = encode_cursor(kept[-1][0].id or 0) if len(rows) > len(kept) else None
    return screen.show("rooms_excursions.html", Events(events_of(screen, kept), more))


def rooms_of(screen: Screen, places: Sequence[Place]) -> list[Room]:
    """Places as they are now. About ten queries, however many places; cost grows with the
    hours of a day."""
    ids = [place.id or 0 for place in places]
    seen = _Seen.of(screen, ids)
    grams = ledger.grams_by_place(screen.session)
    recent = excursions.excursions_of(screen.session, ids, screen.at - SHOWN_BACK, screen.at)
    waiting: dict[str, list[Event]] = {}
    asked = Filter(unsettled=True, place_id=ids[0] if len(ids) == 1 else None)
    rows = shown(screen.session, [screen.view.id], asked, limit=MOST_EXCURSIONS, before_id=None)
    for event in events_of(screen, rows):
        waiting.setdefault(event.place, []).append(event)
    return [
        _room(
            screen,
            place,
            seen,
            [e for e in recent if e.place_id == place.id],
            waiting.get(place.code, []),
            grams.get(place.id or 0, 0),
        )
        for place in places
    ]


def events_of(screen: Screen, rows: Sequence[Shown]) -> list[Event]:
    """Excursions with what their parts add to them. One query."""
    wholes = excursions.wholes(screen.session, [row for row, _, _ in rows])
    return [
        Event(
            number=row.id or 0,
            place=place,
            what=HAPPENED[ExcursionKind(row.kind)],
            state=STATES[ExcursionState(row.state)],
            settled=ExcursionState(row.state) in SETTLED,
            begin=wholes[row.id or 0].from_at,
            end=wholes[row.id or 0].ended_at,
            peak_c=wholes[row.id or 0].peak_c,
        )
        for row, place, _ in rows
    ]


@dataclass(frozen=True)
class _Seen:
    """What probes saw of places in a day: which stands for which when, their hours, and the
    last reading of each."""

    standings: Mapping[int, Sequence[Standing]]
    pieces: Mapping[int, Sequence[Piece]]
    hours: Mapping[int, Sequence[HourSeen]]
    last: Mapping[int, tuple[int, float]]

    @classmethod
    def of(cls, screen: Screen, place_ids: Sequence[int]) -> "_Seen":
        now_s = int(screen.at.timestamp())
        # Whole UTC days: which of several probes stands for a place is chosen by them.
        from_s = int((screen.at - SHOWN_BACK).timestamp()) // DAY_S * DAY_S
        standings = probes.standings_of(screen.session, place_ids, from_s, now_s + 1)
        ids = {s.probe_id for of in standings.values() for s in of}
        several = {
            s.probe_id
            for of in standings.values()
            for s in of
            if len({other.probe_id for other in of}) > 1
        }
        measured = (
            temperatures.measured_hours(screen.session, several, from_s, now_s) if several else {}
        )
        pieces = {
            place_id: governing_of(of, measured, from_s, now_s + 1).pieces()
            if len({s.probe_id for s in of}) > 1
            else [Piece(s.probe_id, s.from_s, s.until_s) for s in of]
            for place_id, of in standings.items()
        }
        hours = temperatures.hours_seen(screen.session, ids, from_s, now_s + 1)
        return cls(standings, pieces, hours, last_readings(screen.session, ids))

    def now(self, place_id: int, fresh_since_s: float) -> tuple[int, float] | None:
        """The last reading of a place: of the probe that stands for it, unless that one is
        silent and another is not."""
        governing = [self.last.get(piece.probe_id) for piece in self.pieces[place_id][-1:]]
        for last in governing:
            if last is not None and last[0] >= fresh_since_s:
                return last
        others = [self.last.get(s.probe_id) for s in self.standings[place_id]]
        return max((last for last in others if last is not None), default=None)


def _room(
    screen: Screen,
    place: Place,
    seen: _Seen,
    recent: Sequence[Excursion],
    waiting: Sequence[Event],
    grams: int,
) -> Room:
    place_id = place.id or 0
    gap = timedelta(minutes=screen.view.policy.gap_minutes)
    last = seen.now(place_id, (screen.at - gap).timestamp())
    measured_at = None if last is None else instant(last[0])
    kind = PlaceKind(place.kind)
    limit_c = place_limit_c(kind, screen.view.policy, screen.view.units.temperature)
    state = _state(
        screen,
        hung=bool(seen.standings[place_id]),
        last=last,
        silent=measured_at is not None and screen.at - measured_at > gap,
        limit_c=limit_c,
        open_=[e for e in recent if e.ended_at is None],
    )
    threads = _threads(screen, seen, place_id, recent, limit_c, gap)
    track = Track(place.name, _in_words(screen, threads, limit_c), threads=threads)
    (thread,) = _day(screen, [track]).tracks
    return Room(
        code=place.code,
        name=place.name,
        kind=KINDS[kind],
        temperature_c=None if last is None else last[1],
        measured_at=measured_at,
        limit_c=limit_c,
        state=state,
        grams=grams,
        events=waiting,
        thread=thread,
    )


def _state(
    screen: Screen,
    *,
    hung: bool,
    last: tuple[int, float] | None,
    silent: bool,
    limit_c: float | None,
    open_: Sequence[Excursion],
) -> State:
    write = screen.write
    if not hung:
        return State(write.say("no thermometer hangs here"), urgent=False)
    if last is None:
        return State(write.say("nobody has measured here yet"), urgent=limit_c is not None)
    if silent:
        since = write.when(instant(last[0]))
        return State(write.say("nobody measured since %(at)s", at=since), urgent=True)
    return _warmth(screen, last[1], limit_c, open_)


def _warmth(
    screen: Screen, temperature_c: float, limit_c: float | None, open_: Sequence[Excursion]
) -> State:
    write = screen.write
    if warm := [e for e in open_ if e.kind != ExcursionKind.SILENT]:
        since = write.when(min(e.from_at for e in warm))
        rising = all(e.kind == ExcursionKind.RISING for e in warm)
        words = _("rising since %(at)s") if rising else _("warm since %(at)s")
        return State(write.say(words, at=since), urgent=True)
    if limit_c is None:
        return State(write.say("no limit is set"), urgent=False)
    if temperature_c > limit_c:
        return State(write.say("above its limit, not for long yet"), urgent=False)
    return State(write.say("cold"), urgent=False)


def _day(screen: Screen, tracks: Sequence[Track]) -> Ribbon:
    return ribbon(
        screen.at - SHOWN_BACK, screen.at, now=screen.at, zone=screen.view.zone, tracks=tracks
    )


def _threads(
    screen: Screen,
    seen: _Seen,
    place_id: int,
    recent: Sequence[Excursion],
    limit_c: float | None,
    gap: timedelta,
) -> list[Thread]:
    """The last day of a place: cold or warm by the hour, and warm exactly by its excursions."""
    warm = [(e.from_at, e.ended_at or screen.at) for e in recent if e.kind != ExcursionKind.SILENT]
    silent = [
        (e.from_at, e.ended_at or screen.at) for e in recent if e.kind == ExcursionKind.SILENT
    ]
    found: list[Thread] = []
    for piece in seen.pieces[place_id]:
        for hour in seen.hours.get(piece.probe_id, ()):
            begin = instant(max(hour.first_at_s, piece.from_s))
            end = instant(min(hour.last_at_s, piece.until_s))
            if end < begin or end < screen.at - SHOWN_BACK:
                continue
            known = any(a < end and b > begin for a, b in warm)
            thick = limit_c is not None and hour.mean_c > limit_c and not known
            _append(found, Thread(begin, end, thick, ""), gap)
    cut = [part for thread in found for part in _without(thread, silent)]
    told = [*cut, *(Thread(begin, end, True, "") for begin, end in warm)]
    return [Thread(t.begin, t.end, t.warm, _said(screen, t)) for t in told]


def _append(found: list[Thread], new: Thread, gap: timedelta) -> None:
    """Add an hour to a thread: to its end where readings follow on one another."""
    last = found[-1] if found else None
    if last is None or new.begin - last.end > gap:
        found.append(new)
    elif last.warm == new.warm:
        found[-1] = Thread(last.begin, max(last.end, new.end), last.warm, "")
    else:
        found.append(Thread(last.end, new.end, new.warm, ""))


def _without(thread: Thread, spans: Sequence[tuple[datetime, datetime]]) -> list[Thread]:
    """What is left of a thread outside of these times."""
    parts = [thread]
    for begin, end in spans:
        left = [Thread(p.begin, min(p.end, begin), p.warm, "") for p in parts if p.begin < begin]
        right = [Thread(max(p.begin, end), p.end, p.warm, "") for p in parts if p.end > end]
        parts = left + right
    return parts


def _said(screen: Screen, thread: Thread) -> str:
    begin, end = screen.write.when(thread.begin), screen.write.when(thread.end)
    words = _("warm from %(a)s to %(b)s") if thread.warm else _("measured from %(a)s to %(b)s")
    return screen.write.say(words, a=begin, b=end)


def _in_words(screen: Screen, threads: Sequence[Thread], limit_c: float | None) -> str:
    """The thread of a place, for who cannot see it."""
    if not threads:
        return screen.write.say("nobody measured in the last 24 h")
    warm = [thread.says for thread in threads if thread.warm]
    if warm:
        return ", ".join(warm)
    if limit_c is None:
        return screen.write.say("measured in the last 24 h")
    return screen.write.say("cold whenever it was measured in the last 24 h")
