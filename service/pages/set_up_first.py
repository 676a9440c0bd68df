"""The first run, once the first manager is known: the house, its places, fish, and people.

Each step may be left out and come back to; what has been set up shows that it was done.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from fastapi import Response
from pydantic import Field, ValidationError, model_validator

from service.catalogue import actions as catalogue_actions
from service.catalogue import queries as catalogue
from service.catalogue.schemas import ProductIn, SupplierIn
from service.errors import FieldError, FishhouseError, Invalid
from service.http.bodies import Body
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form, invalid
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.set_up import HouseShown, house_shown, save_house
from service.pages.set_up_goods import FORMS, species_to_choose
from service.pages.set_up_people import KEYLESS, ROLES, let_in
from service.pages.words import _
from service.security import people
from service.security.guard import MaySetUp
from service.security.rules import Role
from service.security.schemas import UserIn
from service.site import actions
from service.site import queries as sites
from service.site.rules import PlaceKind
from service.site.schemas import PlaceIn

router = page_router("/settings/first")


@dataclass(frozen=True)
class Step:
    """One of the five steps: where it is, and its word."""

    path: str
    name: str


STEPS = (
    Step("/first-run", _("You")),
    Step("/settings/first/house", _("The house")),
    Step("/settings/first/places", _("Places")),
    Step("/settings/first/fish", _("Fish")),
    Step("/settings/first/people", _("People")),
)
NEXT = "/settings/first/next"


@dataclass(frozen=True)
class Mark:
    """A step on the ribbon: done, the one that is open, or still to come."""

    step: Step
    state: str


@dataclass(frozen=True)
class Progress:
    """How far the first run is; number counts from one."""

    marks: Sequence[Mark]
    number: int
    skip: str


@dataclass(frozen=True)
class HouseStep:
    """Step two: name, time zone, units."""

    progress: Progress
    house: HouseShown


@dataclass(frozen=True)
class Proposed:
    """A place that most houses have; ticked where nearly all do."""

    code: str
    name: str
    kind: str
    ticked: bool


@dataclass(frozen=True)
class PlacesStep:
    """Step three: several places at once; there: codes of those that are set up."""

    progress: Progress
    proposed: Sequence[Proposed]
    there: Sequence[str]


@dataclass(frozen=True)
class FishStep:
    """Step four: a supplier and the first product; there: what is set up."""

    progress: Progress
    there: Sequence[str]
    species: Sequence[tuple[str, str]]
    forms: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class PeopleStep:
    """Step five: who works here; there: who is known."""

    progress: Progress
    there: Sequence[tuple[str, str]]
    roles: Sequence[tuple[str, str]]
    lines: int


@dataclass(frozen=True)
class NextShown:
    """What comes after the first run."""

    left_out: Sequence[Step]


class PlaceLine(Body):
    """A place of the list; wanted: it is there."""

    wanted: bool = False
    code: str = ""
    name: str = ""
    kind: PlaceKind


class PlaceLines(Body):
    """The places that a house has."""

    places: list[PlaceLine] = Field(max_length=20)


class FirstFish(Body):
    """A supplier, and the first product bought there."""

    supplier: SupplierIn
    product: ProductIn

    @model_validator(mode="before")
    @classmethod
    def _sold_by_the_supplier(cls, given: Any) -> Any:
        if isinstance(given, dict) and isinstance(given.get("product"), dict):
            supplier = given.get("supplier")
            code = supplier.get("code") if isinstance(supplier, dict) else None
            return given | {"product": given["product"] | {"supplier": code or "-"}}
        return given


class PersonLine(Body):
    """Somebody who works here; a line without a name is left out."""

    name: str = ""
    role: Role = Role.KEEPER
    password: str = ""


class PersonLines(Body):
    """Who works here."""

    people: list[PersonLine] = Field(max_length=8)


PROPOSED = (
    Proposed("FZ1", _("Freezer 1"), PlaceKind.FREEZER, ticked=True),
    Proposed("FZ2", _("Freezer 2"), PlaceKind.FREEZER, ticked=False),
    Proposed("COOL", _("Refrigerator"), PlaceKind.REFRIGERATOR, ticked=True),
    Proposed("ROOM", _("Thaw room"), PlaceKind.THAW_ROOM, ticked=False),
    Proposed("TANK", _("Thaw tank"), PlaceKind.THAW_TANK, ticked=True),
    Proposed("KITCHEN", _("Kitchen"), PlaceKind.KITCHEN, ticked=True),
)
LINES = 4


@router.get("/house")
def house(screen: OnScreen, by: MaySetUp) -> Response:
    """What is the house called, and how does it measure?"""
    return screen.show("first_house.html", HouseStep(_here(screen, 1), house_shown(screen.site)))


@router.post("/house")
def change_house(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Name, time zone, units; then the places."""
    save_house(form, screen, session)
    return go_to(STEPS[2].path)


@router.get("/places")
def places(screen: OnScreen, by: MaySetUp) -> Response:
    """Where is fish kept and thawed?"""
    there = [p.code for p in sites.places(screen.session, by=by)]
    proposed = [p for p in PROPOSED if p.code not in there]
    return screen.show("first_places.html", PlacesStep(_here(screen, 2), proposed, there))


@router.post("/places")
def add_places(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Several places at once; then the fish."""
    lines = form.read(PlaceLines, screen.view.zone).places
    wanted = [(n, line) for n, line in enumerate(lines) if line.wanted]
    if not wanted:
        raise Invalid.at("places", "tick at least one, or leave this step out")
    for number, line in wanted:
        sent = {"code": line.code, "name": line.name, "kind": line.kind, "site": screen.site.code}
        with under(f"places.{number}"):
            actions.add_place(session, PlaceIn.model_validate(sent), at=at, by=by)
    return go_to(STEPS[3].path)


@router.get("/fish")
def fish(screen: OnScreen, by: MaySetUp) -> Response:
    """What do you buy, and from whom?"""
    there = [product.code for product, _supplier in catalogue.products(screen.session)]
    page = FishStep(_here(screen, 3), there, species_to_choose(), FORMS)
    return screen.show("first_fish.html", page)


@router.post("/fish")
def add_fish(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """A supplier and a product; then the people."""
    new = form.read(FirstFish, screen.view.zone)
    catalogue_actions.add_supplier(session, new.supplier, at=at, by=by)
    catalogue_actions.add_product(session, new.product, at=at, by=by)
    return go_to(STEPS[4].path)


@router.get("/people")
def who(screen: OnScreen, by: MaySetUp) -> Response:
    """Who works here?"""
    there = [
        (known.user.name, dict(ROLES)[known.user.role])
        for known in people.everybody(screen.session, by=by)
    ]
    roles = [role for role in ROLES if role[0] != Role.DEVICE]
    return screen.show("first_people.html", PeopleStep(_here(screen, 4), there, roles, LINES))


@router.post("/people", dependencies=KEYLESS)
def add_people(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Several people at once; then what comes next."""
    lines = form.read(PersonLines, screen.view.zone).people
    named = [(n, line) for n, line in enumerate(lines) if line.name]
    if not named:
        raise Invalid.at("people.0.name", "name somebody, or leave this step out")
    limited = [site.code for site in screen.sites] if by.sites is not None else []
    for number, line in named:
        if not line.password:
            raise Invalid.at(f"people.{number}.password", "this is needed")
        sent = {"name": line.name, "role": line.role, "password": line.password, "sites": limited}
        with under(f"people.{number}"):
            let_in(session, UserIn.model_validate(sent), screen)
    return go_to(NEXT)


@router.get("/next")
def what_next(screen: OnScreen, by: MaySetUp) -> Response:
    """What comes next."""
    done = _done(screen)
    left_out = [step for step, is_done in zip(STEPS, done, strict=True) if not is_done]
    return screen.show("first_next.html", NextShown(left_out))


def progress(here: int, *, done: Sequence[bool]) -> Progress:
    """The ribbon of steps, at the one that is open."""
    states = [
        "now" if n == here else "done" if is_done else "to come" for n, is_done in enumerate(done)
    ]
    marks = [Mark(step, state) for step, state in zip(STEPS, states, strict=True)]
    skip = STEPS[here + 1].path if here + 1 < len(STEPS) else NEXT
    return Progress(marks, here + 1, skip)


@contextmanager
def under(path: str) -> Iterator[None]:
    """What is refused about one line of a form names its field by the line's path."""
    try:
        yield
    except ValidationError as error:
        raise _named_under(path, invalid(error)) from error
    except FishhouseError as error:
        raise _named_under(path, error) from error


def _named_under(path: str, error: FishhouseError) -> FishhouseError:
    error.errors = tuple(FieldError(f"{path}.{e.field}", e.message) for e in error.errors)
    return error


def _here(screen: Screen, here: int) -> Progress:
    return progress(here, done=_done(screen))


def _done(screen: Screen) -> list[bool]:
    """Which of the five steps have been done, by what is there. Four queries."""
    session, by = screen.session, screen.by
    return [
        True,
        screen.site.version > 1,
        bool(sites.places_of(session, screen.view.id)),
        bool(catalogue.products(session)),
        len(people.everybody(session, by=by)) > 1,
    ]
