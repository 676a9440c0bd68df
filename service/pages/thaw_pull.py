"""Pulling: the list of a day, cartons confirmed by scanning them, and pulls by hand.

Cartons are counted while they are scanned; what is stored is one pull and one thaw batch.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated
from urllib.parse import urlencode

from fastapi import Query, Response

from service.catalogue.rules import species_facts
from service.http.bodies import Body, Day, Number
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.frame import WHO_DECIDES
from service.pages.page import OnScreen, Screen, go_to, local_path, page_router
from service.pages.thaw import THAW_KINDS, places_of, tabs, told
from service.pages.thaw_plan import at_its_site, plan_of, pull_of
from service.pages.words import _
from service.security.guard import MayLook, MayPull
from service.security.rules import Action
from service.site import queries as sites
from service.site.rules import PlaceKind
from service.thawing.actions import listing, pulling, scanning
from service.thawing.actions.pulling import Pulled
from service.thawing.schemas import PlannedPull, PullIn, PullLine, ScannedText

router = page_router("/thaw")

MOST_LINES = 50
Cartons = Annotated[int, Query(ge=0, le=1000)]


class ScanIn(Body):
    """What a scanner typed."""

    scanned: ScannedText


@dataclass(frozen=True)
class PullList:
    """The pulls of a day, those to be made first."""

    day: date
    tabs: Sequence[tuple[date, str]]
    due: Sequence[PullLine]
    done: Sequence[PullLine]
    page: int
    pages: int
    may_pull: bool


@dataclass(frozen=True)
class OnePull:
    """One line of the pull list, on a screen of its own."""

    request: int
    pull: PlannedPull
    name: str
    left_g: int
    """Grams that are still to be pulled."""
    cartons_left: int | None
    """Of blocks, which are pulled whole."""
    counted: int
    """Cartons that were scanned."""
    scanned: str | None
    mass: str
    """What the form offers, as a number in the site's unit."""
    late: bool
    early: bool
    day: date
    places: Sequence[tuple[str, str]]
    ranges: bool
    may_pull: bool


@dataclass(frozen=True)
class ByHand:
    """A pull that no plan asked for."""

    freezers: Sequence[tuple[str, str]]
    places: Sequence[tuple[str, str]]
    unit: str


@router.get("/pulls")
def pull_list(
    screen: OnScreen,
    by: MayLook,
    day: Day | None = None,
    page: Annotated[int, Query(ge=1, le=1000)] = 1,
) -> Response:
    """What to pull for a day's feeds; left out: today's."""
    asked = day or screen.view.day_of(screen.at)
    lines = listing.pull_list(screen.session, screen.view, asked, now=screen.at)
    lines.sort(key=lambda line: line.done)
    pages = max(1, -(-len(lines) // MOST_LINES))
    first = (min(page, pages) - 1) * MOST_LINES
    shown = lines[first : first + MOST_LINES]
    return screen.show(
        "thaw_pulls.html",
        PullList(
            day=asked,
            tabs=tabs(screen, asked),
            due=[line for line in shown if not line.done],
            done=[line for line in shown if line.done],
            page=min(page, pages),
            pages=pages,
            may_pull=screen.may(Action.PULL),
        ),
    )


@router.post("/pulls/scan")
def scan(form: Form, screen: OnScreen, by: MayPull) -> Response:
    """A carton was scanned: to its line, or told what to take instead. Nothing is stored."""
    order = form.read(ScanIn, screen.view.zone)
    day = _day(form.text("_day"), screen)
    lines = listing.pull_list(screen.session, screen.view, day, now=screen.at)
    line = scanning.line_of_carton(screen.session, lines, order.scanned, screen.view, at=screen.at)
    return go_to(_line_path(line.thaw_request, line.pull, 1, order.scanned))


def _day(said: str, screen: Screen) -> date:
    try:
        return date.fromisoformat(said)
    except ValueError:
        return screen.view.day_of(screen.at)


def _line_path(request: int, pull: int, cartons: int, scanned: str) -> str:
    asked = urlencode({"cartons": cartons, "scanned": scanned})
    return f"/thaw/plans/{request}/pulls/{pull}?{asked}"


@router.get("/plans/{number}/pulls/{pull}")
def one_pull(
    number: Number,
    pull: Number,
    screen: OnScreen,
    by: MayLook,
    cartons: Cartons = 0,
    scanned: Annotated[str | None, Query(max_length=4296)] = None,
) -> Response:
    """One line: what to take from where; its cartons are counted up as they are scanned."""
    screen = at_its_site(screen, number)
    plan = plan_of(screen, number)
    planned = pull_of(plan, pull)
    left_g = max(0, planned.mass.g - (planned.pulled.g if planned.pulled else 0))
    return screen.show(
        "thaw_pull.html",
        OnePull(
            request=number,
            pull=planned,
            name=species_facts()[planned.species].name,
            left_g=left_g,
            cartons_left=_cartons_left(planned, left_g),
            counted=cartons,
            scanned=scanned,
            mass=screen.write.amount(_offered(planned, left_g, cartons)),
            late=planned.pull_not_after < screen.at,
            early=planned.pull_not_before > screen.at,
            day=screen.view.day_of(plan.first_feed_at),
            places=places_of(screen, *THAW_KINDS),
            ranges=screen.by.role in WHO_DECIDES,
            may_pull=screen.may(Action.PULL),
        ),
    )


def _cartons_left(pull: PlannedPull, left_g: int) -> int | None:
    if not pull.cartons:
        return None
    return -(-left_g * pull.cartons // pull.mass.g)


def _offered(pull: PlannedPull, left_g: int, counted: int) -> int:
    """Grams of what was scanned; all that is left where nothing, or no whole carton, is."""
    wanted = _cartons_left(pull, left_g)
    if wanted is None or not pull.cartons or counted in (0, wanted):
        return left_g
    return counted * pull.mass.g // pull.cartons


@router.post("/plans/{number}/pulls/{pull}/scan")
def count_carton(
    number: Number, pull: Number, form: Form, screen: OnScreen, by: MayPull
) -> Response:
    """One more carton of this line, if it is of the right lot. Nothing is stored."""
    order = form.read(ScanIn, screen.view.zone)
    planned = pull_of(plan_of(screen, number), pull)
    asked = PullIn.model_validate(
        {
            "lot": planned.lot,
            "scanned": order.scanned,
            "from_place": planned.from_place,
            "to_place": planned.to_place,
            "mass": f"{planned.mass.g} g",
            "thaw_request": number,
        }
    )
    origin = sites.place_by_code(screen.session, planned.from_place, by=by, field="from_place")
    scanning.scanned_lot(screen.session, asked, origin, at=screen.at, by=by)
    counted = form.text("_counted")
    so_far = min(int(counted), 999) if counted.isdecimal() and len(counted) < 5 else 0
    return go_to(_line_path(number, pull, so_far + 1, order.scanned))


@router.get("/pulls/by-hand")
def by_hand(screen: OnScreen, by: MayPull) -> Response:
    """A pull beside the plans."""
    return screen.show(
        "thaw_by_hand.html",
        ByHand(
            freezers=places_of(screen, PlaceKind.FREEZER),
            places=places_of(screen, *THAW_KINDS),
            unit=screen.view.units.mass,
        ),
    )


@router.post("/pulls")
def pull(form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayPull) -> Response:
    """Fish leaves the freezer, and its clock starts."""
    screen = _where_it_lies(screen, form.text("from_place"))
    order = form.read(PullIn, screen.view.zone)
    done = pulling.pull(session, order, at=at, by=by)
    then = form.text("_then") or f"/thaw/batches/{done.batch.batch.code}"
    return go_to(local_path(then), said=_said(screen, done))


def _where_it_lies(screen: Screen, place: str) -> Screen:
    """The screen at the site of a freezer; as it is where nobody knows the place."""
    here = sites.places(screen.session, by=screen.by)
    return next(
        (screen.at_site(each.site_id) for each in here if each.code == place.strip().upper()),
        screen,
    )


def _said(screen: Screen, done: Pulled) -> str:
    sentence = screen.write.say(
        _("Pulled %(mass)s: thaw batch %(code)s."),
        mass=screen.write.mass(done.batch.pulled_g),
        code=done.batch.batch.code,
    )
    out = done.out_of_cartons
    if out is not None and (out.opened_g or out.newly_opened_g):
        sentence += " " + screen.write.say(
            _("%(opened)s from the opened carton, %(whole)s whole, %(new)s from a new one."),
            opened=screen.write.mass(out.opened_g),
            whole=out.whole,
            new=screen.write.mass(out.newly_opened_g),
        )
    return told(screen, sentence, {f.rule: f for f in (*done.breaches, *done.findings)}.values())
