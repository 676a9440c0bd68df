"""Settings: places, what they hold, and the limit in force there."""

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import Response

from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.words import _
from service.probes import queries as probes
from service.security.guard import MaySetUp
from service.site import actions
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind, place_limit_c
from service.site.schemas import PlaceChange, PlaceIn

router = page_router("/settings/places")

KINDS: tuple[tuple[str, str], ...] = (
    (PlaceKind.FREEZER, _("freezer")),
    (PlaceKind.REFRIGERATOR, _("refrigerator")),
    (PlaceKind.THAW_ROOM, _("thaw room")),
    (PlaceKind.THAW_TANK, _("thaw tank")),
    (PlaceKind.KITCHEN, _("kitchen")),
    (PlaceKind.ICE, _("ice")),
)
LIMIT_OF: dict[str, str] = {
    PlaceKind.FREEZER: "freezer_legal_max",
    PlaceKind.REFRIGERATOR: "refrigerator_max",
    PlaceKind.ICE: "refrigerator_max",
    PlaceKind.THAW_ROOM: "thaw_air_max",
    PlaceKind.THAW_TANK: "thaw_air_max",
}
"""The figure of the policy that is the limit of a kind of place."""


@dataclass(frozen=True)
class PlaceShown:
    """A place. depth: how many places it lies in; probes: what hangs there now."""

    place: Place
    kind: str
    depth: int
    limit_c: float | None
    limit_figure: str | None
    probes: Sequence[str]


@dataclass(frozen=True)
class PlacesShown:
    """All places, each below the one that it is in; parents: where a new one may be."""

    places: Sequence[PlaceShown]
    kinds: Sequence[tuple[str, str]]
    parents: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class OnePlaceShown:
    """A place that is to be changed; holds: its capacity in the site's unit."""

    shown: PlaceShown
    holds: str


@router.get("")
def places(screen: OnScreen, by: MaySetUp) -> Response:
    """The places, each below the one that it is in."""
    found = _shown(screen)
    parents = [(one.place.code, one.place.name) for one in found]
    return screen.show("settings_places.html", PlacesShown(found, KINDS, parents))


@router.post("")
def add_place(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """A further place."""
    new = form.read(PlaceIn, screen.view.zone, site=screen.site.code)
    place = actions.add_place(session, new, at=at, by=by)
    return go_to("/settings/places", said=screen.write.say("%(name)s is set up.", name=place.name))


@router.get("/{place}")
def one_place(place: str, screen: OnScreen, by: MaySetUp) -> Response:
    """One place, to be changed."""
    found = sites.place_by_code(screen.session, place, by=by, field="place")
    shown = next((one for one in _shown(screen) if one.place.id == found.id), None)
    if shown is None:  # of another of their sites
        shown = _one(screen, found, 0, ())
    grams = found.capacity_g
    holds = "" if grams is None else f"{screen.write.units.mass_value(grams):g}"
    return screen.show("settings_place.html", OnePlaceShown(shown, holds))


@router.post("/{place}")
def change_place(
    place: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Change a name, or how much a place holds: an empty field is not known any more."""
    unknown = {} if form.text("capacity.value").strip() else {"capacity": None}
    change = form.read(PlaceChange, screen.view.zone, **unknown)
    changed = actions.change_place(session, place, change, at=at, by=by)
    said = screen.write.say("%(name)s is changed.", name=changed.name)
    return go_to("/settings/places", said=said)


def _shown(screen: Screen) -> list[PlaceShown]:
    """The site's places as a tree, written from the top. Two queries."""
    here = sites.places_of(screen.session, screen.view.id)
    hung: dict[int | None, list[str]] = {}
    for probe, place in probes.probes(screen.session, by=screen.by):
        hung.setdefault(place.id, []).append(probe.code)
    inside: dict[int | None, list[Place]] = {}
    known = {place.id for place in here}
    for place in here:
        parent = place.parent_id if place.parent_id in known else None
        inside.setdefault(parent, []).append(place)

    def below(parent_id: int | None, depth: int) -> list[PlaceShown]:
        return [
            shown
            for place in inside.get(parent_id, [])
            for shown in (
                _one(screen, place, depth, hung.get(place.id, ())),
                *below(place.id, depth + 1),
            )
        ]

    return below(None, 0)


def _one(screen: Screen, place: Place, depth: int, hung: Sequence[str]) -> PlaceShown:
    kind = PlaceKind(place.kind)
    limit_c = place_limit_c(kind, screen.view.policy, screen.view.units.temperature)
    return PlaceShown(place, dict(KINDS)[kind], depth, limit_c, LIMIT_OF.get(kind), hung)
