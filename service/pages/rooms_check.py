"""Measuring or cleaning a cold room by hand, and writing it down."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import Query, Response

from service.assessments.actions import checking
from service.checks.rules import CheckKind, Method, Position
from service.checks.schemas import CheckIn
from service.errors import Invalid
from service.http.sessions import Now, WriteSession
from service.pages.forms import Entered, Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.rooms import CHECKS, KINDS
from service.pages.rooms_place import Stock, Way, stock_of
from service.pages.words import _
from service.probes import queries as probes
from service.security.guard import MayCheck
from service.security.rules import Action
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind

router = page_router("/rooms")

QUESTIONS = {
    CheckKind.AIR: _("How cold is the air, by a thermometer held in the place?"),
    CheckKind.CORE: _("How cold is the core of the fish?"),
    CheckKind.CONTAINER: _("How cold is the thawed fish?"),
    CheckKind.CLEANED: _("Was it cleaned?"),
    CheckKind.SANITISED: _("How was it sanitised?"),
    CheckKind.ICE_POINT: _("What does the probe show in melting ice?"),
}
POSITIONS = ((Position.CORNER, _("an outer corner")), (Position.MIDDLE, _("the middle")))
METHODS = (
    (Method.DISHWASHER, _("dishwasher")),
    (Method.DISINFECTANT, _("disinfectant")),
    (Method.STEAM, _("steam")),
)
WITH_TUBS = (PlaceKind.REFRIGERATOR, PlaceKind.THAW_ROOM, PlaceKind.KITCHEN, PlaceKind.ICE)


@dataclass(frozen=True)
class ByHand:
    """A form for one kind of check in one place. unit: C or F, as the site measures."""

    code: str
    name: str
    place_kind: str
    kind: CheckKind
    question: str
    ways: Sequence[Way]
    stock: Sequence[Stock]
    probes: Sequence[str]
    unit: str
    positions: Sequence[tuple[Position, str]] = POSITIONS
    methods: Sequence[tuple[Method, str]] = METHODS


@router.get("/{place}/check")
def check_form(
    place: str,
    screen: OnScreen,
    by: MayCheck,
    kind: Annotated[CheckKind, Query()] = CheckKind.AIR,
) -> Response:
    """One question: what was measured, or done."""
    found = sites.place_by_code(screen.session, place, by=by, field="place")
    screen = screen.at_site(found.site_id)
    page = ByHand(
        code=found.code,
        name=found.name,
        place_kind=KINDS[PlaceKind(found.kind)],
        kind=kind,
        question=QUESTIONS[kind],
        ways=[
            Way(CHECKS[each], f"/rooms/{found.code}/check?kind={each}", here=each is kind)
            for each in _kinds(screen, found)
        ],
        stock=stock_of(screen, found.id or 0),
        probes=_probes(screen, found) if kind is CheckKind.ICE_POINT else (),
        unit=screen.view.units.temperature.upper(),
    )
    return screen.show("rooms_check.html", page)


@router.post("/{place}/check")
def record_check(
    place: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayCheck
) -> Response:
    """Write down what was measured or done; a core counts in the assessment at once."""
    found = sites.place_by_code(session, place, by=by, field="place")
    screen = screen.at_site(found.site_id)
    order = _read(form, screen, found)
    done = checking.record(session, order, at=at, by=by)
    said = screen.write.say("Written down: %(what)s.", what=_in_words(screen, order))
    if done.excursions:
        said += " " + screen.write.say("It counts in the assessment at once.")
        return go_to(f"/rooms/excursions/{order.excursion or done.excursions[-1]}", said=said)
    return go_to(f"/rooms/{found.code}", said=said)


def _read(form: Entered, screen: Screen, place: Place) -> CheckIn:
    if form.text("kind") not in set(CheckKind):
        raise Invalid.at("kind", "say what was measured or done")
    about = {} if form.text("kind") == CheckKind.ICE_POINT else {"place": place.code}
    return form.read(CheckIn, screen.view.zone, **about)


def _in_words(screen: Screen, order: CheckIn) -> str:
    said = order.measured or order.temperature
    words = screen.write.say(CHECKS[order.kind])
    return words if said is None else f"{words}, {screen.write.temperature(said.c)}"


def _kinds(screen: Screen, place: Place) -> list[CheckKind]:
    """What is checked in a place of this kind by whoever looks."""
    left_out = set()
    if PlaceKind(place.kind) not in WITH_TUBS:
        left_out.add(CheckKind.CONTAINER)
    if not screen.may(Action.CALIBRATE):
        left_out.add(CheckKind.ICE_POINT)
    return [kind for kind in CHECKS if kind not in left_out]


def _probes(screen: Screen, place: Place) -> list[str]:
    every = probes.probes(screen.session, by=screen.by)
    return [probe.code for probe, home in every if home.id == place.id]
