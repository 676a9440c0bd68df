"""A cold room: its temperature over hours or years, its fish, its thermometers, its checks."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

import numpy as np
from fastapi import Query, Response
from sqlalchemy import Row

from service.checks import queries as checks
from service.checks.queries import Wanted
from service.checks.rules import CheckKind
from service.checks.schemas import CheckOut
from service.excursions.queries.shown import Filter, shown
from service.excursions.queries.watching import passed_in
from service.http.bodies import Moment
from service.ledger import queries as ledger
from service.pages.chart import Chart, Gap, Limit, Line, Stretch, chart
from service.pages.page import OnScreen, Screen, page_router
from service.pages.ribbon import Band, Notch, Track
from service.pages.rooms import (
    CHECKS,
    MOST_EXCURSIONS,
    Event,
    Room,
    events_of,
    rooms_of,
)
from service.pages.words import _
from service.probes import queries as probes
from service.quantities import TemperatureUnit, from_celsius
from service.science.arrays import Array
from service.security.guard import MayLook
from service.security.rules import Action
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind, place_limit_c
from service.temperatures import queries as temperatures
from service.temperatures.actions.charting import answerable
from service.temperatures.queries import instant
from service.temperatures.rules.steps import Window, step_for
from service.upkeep import queries as upkeep
from service.upkeep.actions.showing import probe_shown
from service.upkeep.schemas import ProbeShown

router = page_router("/rooms")

MOST_POINTS = 750
MOST_NOTCHES = 200
MOST_LOTS, MOST_CHECKS = 50, 10
NOTCHED = timedelta(days=8)  # over longer times the marks of doors and defrosts run together
SPANS = {
    "6h": (_("6 hours"), timedelta(hours=6)),
    "day": (_("Day"), timedelta(days=1)),
    "week": (_("Week"), timedelta(days=7)),
    "month": (_("Month"), timedelta(days=30)),
    "year": (_("Year"), timedelta(days=365)),
    "5y": (_("5 years"), timedelta(days=1826)),
}
Span = Literal["6h", "day", "week", "month", "year", "5y"]
FIRST = datetime.fromisoformat("2000-01-01T00:00:00+00:00")  # nobody looks further back


@dataclass(frozen=True)
class Way:
    """A link to another stretch of time; `here`: it is the one that is shown."""

    words: str
    href: str
    here: bool = False


@dataclass(frozen=True)
class History:
    """A place over a time: the chart, and what it cannot say by itself.

    unmeasured : for how long nobody measured. notes : what is otherwise than was asked for.
    """

    chart: Chart
    spans: Sequence[Way]
    earlier: Way
    later: Way | None
    unmeasured: timedelta
    gaps: Sequence[Gap]
    notes: Sequence[str]
    events: Sequence[Event]
    csv: str


@dataclass(frozen=True)
class Stock:
    """Fish of a lot that lies in the place."""

    lot: str
    species: str
    grams: int


@dataclass(frozen=True)
class OnePlace:
    """A place now, over a time, and everything that belongs to it. past: excursions of that time
    that nothing is left to be done about."""

    room: Room
    history: History
    past: Sequence[Event]
    stock: Sequence[Stock]
    probes: Sequence[ProbeShown]
    checks: Sequence[CheckOut]
    may_check: bool
    may_set_up: bool
    words: Mapping[CheckKind, str] = field(default_factory=lambda: CHECKS)


@router.get("/{place}")
def one_room(
    place: str,
    screen: OnScreen,
    by: MayLook,
    span: Annotated[Span, Query()] = "day",
    until: Annotated[Moment | None, Query()] = None,
) -> Response:
    """One place: its chart, its fish, its thermometers, what was measured there by hand."""
    found = sites.place_by_code(screen.session, place, by=by, field="place")
    assert found.id is not None
    screen = screen.at_site(found.site_id)
    (room,) = rooms_of(screen, [found])
    history = _history(screen, found, span, min(until or screen.at, screen.at))
    known = {event.number for event in room.events}
    page = OnePlace(
        room=room,
        history=history,
        past=[event for event in history.events if event.number not in known],
        stock=stock_of(screen, found.id),
        probes=_probes(screen, found.id),
        checks=_checks(screen, found),
        may_check=screen.may(Action.CHECK),
        may_set_up=screen.may(Action.SET_UP),
    )
    return screen.show("rooms_place.html", page)


def stock_of(screen: Screen, place_id: int) -> list[Stock]:
    """The lots in a place, the first fifty by code. One query."""
    rows = ledger.lots_in(screen.session, place_id, limit=MOST_LOTS)
    return [Stock(row.lot, row.species, int(row.grams)) for row in rows]


def unit_words(screen: Screen) -> str:
    """The site's unit of temperature as a chart shows it."""
    return "°C" if screen.view.units.temperature is TemperatureUnit.C else "°F"


def in_unit(screen: Screen, celsius: Array) -> list[float]:
    """Temperatures in the site's unit."""
    factor, zero = (
        from_celsius(1.0, screen.view.units.temperature)
        - from_celsius(0.0, screen.view.units.temperature),
        from_celsius(0.0, screen.view.units.temperature),
    )
    values: list[float] = (celsius * factor + zero).round(2).tolist()
    return values


def limit_at(screen: Screen, celsius: float, words: str) -> Limit:
    """A limit with its words and figure."""
    shown_as = screen.write.temperature(celsius)
    return Limit(from_celsius(celsius, screen.view.units.temperature), f"{words} {shown_as}")


def _history(screen: Screen, place: Place, span: Span, end: datetime) -> History:
    begin = max(end - SPANS[span][1], FIRST)
    end = max(end, begin + timedelta(hours=1))
    step = step_for(int(begin.timestamp()), int(end.timestamp()), MOST_POINTS)
    place_id = place.id or 0
    step, window, notes = answerable(
        step,
        begin,
        end,
        screen.view,
        lambda asked: temperatures.raw_kept_in(screen.session, place_id, asked),
    )
    found = temperatures.chart_of_place(
        screen.session,
        place_id,
        step,
        window,
        gap_s=int(screen.view.policy.gap_minutes * 60),
    )
    events = _events(screen, place_id, begin, end)
    limit_c = _limit_of(screen, place)
    drawn = chart(
        begin,
        end,
        [_air(screen, found, window, limit_c)],
        write=screen.write,
        unit=unit_words(screen),
        limits=[] if limit_c is None else [limit_at(screen, limit_c, screen.write.say("limit"))],
        stretches=[_stretch(screen, event) for event in events],
        tracks=_tracks(screen, place_id, {p.probe_id for p in found.pieces}, begin, end),
    )
    return History(
        chart=drawn,
        spans=[
            Way(words, _href(place, key, end, screen.at), here=key == span)
            for key, (words, _length) in SPANS.items()
        ],
        earlier=Way(_("Earlier"), _href(place, span, begin, screen.at)),
        later=None
        if end >= screen.at
        else Way(_("Later"), _href(place, span, end + SPANS[span][1], screen.at)),
        unmeasured=_unmeasured(found, begin, min(end, screen.at)),
        gaps=drawn.gaps,
        notes=notes,
        events=events,
        csv=_csv(place, begin, end),
    )


def _href(place: Place, span: str, until: datetime, now: datetime) -> str:
    asked = {"span": span} | ({} if until >= now else {"until": f"{until:%Y-%m-%dT%H:%M:%SZ}"})
    return f"/rooms/{place.code}?{urlencode(asked)}"


def _csv(place: Place, begin: datetime, end: datetime) -> str:
    asked = {
        "from": f"{begin:%Y-%m-%dT%H:%M:%SZ}",
        "to": f"{end:%Y-%m-%dT%H:%M:%SZ}",
        "points": MOST_POINTS,
        "as": "csv",
    }
    return f"/v1/places/{place.code}/temperatures?{urlencode(asked)}"


def _limit_of(screen: Screen, place: Place) -> float | None:
    return place_limit_c(PlaceKind(place.kind), screen.view.policy, screen.view.units.temperature)


def _air(screen: Screen, found: temperatures.Chart, window: Window, limit_c: float | None) -> Line:
    """The series of a place, each step in its middle."""
    steps = found.steps
    length_s = np.diff(window.cuts_s)
    own = np.searchsorted(window.cuts_s, steps.at_s)
    middle_s = steps.at_s + length_s[own] / 2
    unit = screen.view.units.temperature
    return Line(
        name=screen.write.say("temperature"),
        at_s=middle_s.tolist(),
        value=in_unit(screen, steps.mean_c),
        low=in_unit(screen, steps.min_c),
        high=in_unit(screen, steps.max_c),
        longest_s=float(length_s.max() * 1.6),
        thick_above=None if limit_c is None else from_celsius(limit_c, unit),
    )


def _unmeasured(found: temperatures.Chart, begin: datetime, end: datetime) -> timedelta:
    covered = timedelta(seconds=float(found.steps.covered_s.sum()))
    missing = max(end - begin - covered, timedelta())
    return timedelta() if missing < timedelta(minutes=5) else missing


def _events(screen: Screen, place_id: int, begin: datetime, end: datetime) -> list[Event]:
    asked = Filter(place_id=place_id, from_at=begin, to_at=end)
    rows = shown(screen.session, [screen.view.id], asked, limit=MOST_EXCURSIONS, before_id=None)
    return events_of(screen, rows)


def _stretch(screen: Screen, event: Event) -> Stretch:
    end = event.end or screen.at
    words = f"{screen.write.say(event.what)}: {screen.write.when(event.begin)} – "
    words += screen.write.when(end) if event.end else screen.write.say("goes on")
    return Stretch(event.begin, max(end, event.begin), words)


def _tracks(
    screen: Screen, place_id: int, probe_ids: set[int], begin: datetime, end: datetime
) -> list[Track]:
    """When fish was put in or taken out, and the defrosts, over a time that shows them apart."""
    if end - begin > NOTCHED:
        return []
    doors = ledger.door_openings(screen.session, place_id, begin, end, limit=MOST_NOTCHES)
    frosts = passed_in(
        screen.session,
        probe_ids,
        int(begin.timestamp()),
        int(end.timestamp()),
        limit=MOST_NOTCHES,
    )
    defrosts = [
        Band(instant(f.from_s), instant(f.until_s), "solid", _defrost(screen, f.from_s, f.peak_c))
        for f in frosts
    ]
    notches = [Notch(row.at, _door(screen, row)) for row in doors]
    return [
        Track(screen.write.say("door"), _listed(screen, [n.says for n in notches]), (), notches),
        Track(screen.write.say("defrost"), _listed(screen, [d.says for d in defrosts]), defrosts),
    ]


def _door(screen: Screen, row: Row[Any]) -> str:
    words = _("%(at)s: %(mass)s of %(lot)s put in")
    if not row.into:
        words = _("%(at)s: %(mass)s of %(lot)s taken out")
    write = screen.write
    return write.say(words, at=write.when(row.at), mass=write.mass(int(row.grams)), lot=row.lot)


def _defrost(screen: Screen, from_s: int, peak_c: float) -> str:
    write = screen.write
    at, peak = write.when(instant(from_s)), write.temperature(peak_c)
    return write.say("%(at)s: defrost up to %(peak)s", at=at, peak=peak)


def _listed(screen: Screen, said: Sequence[str]) -> str:
    return "; ".join(reversed(said)) if said else screen.write.say("none")


def _probes(screen: Screen, place_id: int) -> list[ProbeShown]:
    """The thermometers that hang in a place, with all that is known of them."""
    here = [pair for pair in probes.probes(screen.session, by=screen.by) if pair[1].id == place_id]
    return [
        probe_shown(known, screen.view, screen.at)
        for known in (upkeep.known(screen.session, here) if here else ())
        if not known.taken_down
    ]


def _checks(screen: Screen, place: Place) -> list[CheckOut]:
    rows = checks.views(
        screen.session,
        [place.site_id],
        Wanted(place_id=place.id),
        limit=MOST_CHECKS,
        before_id=None,
    )
    return [checks.check_out(row, screen.view.units) for row in rows]
