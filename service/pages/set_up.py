"""Settings: what is set up here, and the house itself: its name, its time, its units."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Generic, TypeVar
from zoneinfo import available_timezones

from fastapi import Query, Response
from sqlmodel import Session

from service.catalogue import queries as catalogue
from service.http.bodies import LARGEST_NUMBER
from service.http.sessions import Now, WriteSession
from service.notifications import queries as notifications
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.words import _
from service.probes import queries as probes
from service.security import people
from service.security.guard import MaySetUp
from service.site import actions
from service.site import queries as sites
from service.site.models import Site
from service.site.rules import Policy
from service.site.schemas import SiteIn

router = page_router("/settings")
A_PAGE = 50
Row = TypeVar("Row")
PageNumber = Annotated[int, Query(ge=1, le=LARGEST_NUMBER)]


@dataclass(frozen=True)
class Paged(Generic[Row]):
    """Some of a list, fifty at a time; before and after: the pages beside it."""

    rows: Sequence[Row]
    before: int | None
    after: int | None


def paged(rows: Sequence[Row], number: int) -> Paged[Row]:
    """One page of a list that is bounded by what a house has."""
    begin = (number - 1) * A_PAGE
    return Paged(
        rows=rows[begin : begin + A_PAGE],
        before=number - 1 if number > 1 else None,
        after=number + 1 if begin + A_PAGE < len(rows) else None,
    )


@dataclass(frozen=True)
class Way:
    """A part of the settings: where it is, what it holds, and how many there are."""

    path: str
    name: str
    says: str
    count: int | None = None


@dataclass(frozen=True)
class SettingsShown:
    """The parts of the settings; first_steps: whether a house is still being set up."""

    ways: Sequence[Way]
    first_steps: bool


@router.get("")
def settings(screen: OnScreen, by: MaySetUp) -> Response:
    """What is set up here."""
    ways = _ways(screen)
    empty = not next(way for way in ways if way.path == "/settings/fish").count
    return screen.show("settings.html", SettingsShown(ways, first_steps=empty))


def _ways(screen: Screen) -> list[Way]:
    session, by = screen.session, screen.by
    site_id = screen.view.id
    here = sites.places_of(session, site_id)
    hung = [place for _probe, place in probes.probes(session, by=by) if place.site_id == site_id]
    told = notifications.recipients(session, [site_id], limit=A_PAGE, before_id=None)
    return [
        Way("/settings/house", _("The house"), _("Name, time zone, units")),
        Way("/settings/places", _("Places"), _("Where fish is kept and thawed"), len(here)),
        Way("/settings/opening", _("Fish that is there already"), _("When the books begin")),
        Way("/settings/probes", _("Probes"), _("Thermometers, and where they hang"), len(hung)),
        Way(
            "/settings/fish",
            _("Fish that you buy"),
            _("Suppliers, and what they sell"),
            len(catalogue.products(session)),
        ),
        Way(
            "/settings/supplement-products",
            _("Supplement products"),
            _("Tablets, capsules, powders"),
            len(catalogue.supplement_products(session)),
        ),
        Way(
            "/settings/people",
            _("People"),
            _("Who may log in, and as what"),
            len(people.everybody(session, by=by)),
        ),
        Way(
            "/settings/figures",
            _("Figures of the rules"),
            _("Limits, clocks and intervals, and what a change does"),
            len(Policy.model_fields),
        ),
        Way(
            "/settings/told",
            _("Who is told"),
            _("E-mail when something is urgent"),
            sum(recipient.withdrawn_at is None for recipient, _site in told),
        ),
    ]


@dataclass(frozen=True)
class HouseShown:
    """The house as it is, to be changed. version: the ETag that a change is based on."""

    site: Site
    version: str
    zones: Sequence[str]


@router.get("/house")
def house(screen: OnScreen, by: MaySetUp) -> Response:
    """Name, time zone and units."""
    return screen.show("settings_house.html", house_shown(screen.site))


@router.post("/house")
def change_house(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Change name, time zone or units; refused if somebody else did meanwhile."""
    save_house(form, screen, session)
    return go_to("/settings", said=screen.write.say("The house is changed."))


def house_shown(site: Site) -> HouseShown:
    """What the form of the house shows."""
    return HouseShown(site, actions.etag(site), _zones())


def save_house(form: Form, screen: Screen, session: Session) -> None:
    """Store what the form of the house says."""
    change = form.read(SiteIn, screen.view.zone)
    actions.change_site(
        session,
        screen.site.code,
        change,
        if_match=form.text("_version") or None,
        at=screen.at,
        by=screen.by,
    )


@lru_cache(maxsize=1)
def _zones() -> Sequence[str]:
    """The time zones of places, for the list to choose from."""
    return sorted(zone for zone in available_timezones() if "/" in zone or zone == "UTC")
