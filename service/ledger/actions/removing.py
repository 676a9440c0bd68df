"""Fish that leaves the house uneaten: condemned, or back to its supplier.

Both take what is there, reserved or not: who had reserved it is told to plan anew.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlmodel import Session

from service.catalogue.queries import lock_species
from service.decisions import Finding, decide
from service.errors import Conflict, Invalid
from service.http.bodies import instant_of, refuse_future
from service.ledger import queries
from service.ledger.actions import reserving
from service.ledger.actions.posting import Event, post, reopen
from service.ledger.actions.taking import judged_holdings, spending, stock_findings, takes_of
from service.ledger.models import Movement
from service.ledger.rules import Account, Holding, MovementKind, came_of_a_batch
from service.ledger.schemas import CondemnationIn, SupplierReturnIn
from service.lots import actions as lot_actions
from service.lots import queries as lots
from service.lots.models import Hold, Lot
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind, finding


@dataclass(frozen=True)
class Removed:
    """Fish that is gone, what is left of its lot, and whose reservations went with it."""

    lot: Lot
    movement: Movement
    left_g: int
    given_up: Mapping[int, int]
    breaches: tuple[Finding, ...]
    hold: Hold | None = None


@dataclass(frozen=True)
class _Removal:
    """What somebody wants to be gone; the species is locked."""

    lot: Lot
    place: Place | None
    view: SiteView
    event: Event
    order: CondemnationIn


def condemn(
    session: Session, code: str, order: CondemnationIn, *, at: datetime, by: Actor
) -> Removed:
    """Throw away fish of a lot that nobody may eat, thawing fish too; hold what is left.

    Raises RuleRefused `not-enough-stock`, and Invalid for a mass that could lie in
    several places. Cost: one query a place.
    """
    removal = _begin(session, code, order, MovementKind.CONDEMNED, at, by)
    there = _there(session, removal)
    wanted = _wanted(order, there)
    breaches = _allow(session, removal, there, wanted)
    removed = _book(session, removal, Account.DISCARDED, there, wanted, breaches)
    if removed.left_g == 0 or lots.held_ids(session, [removed.lot.id or 0]):
        return removed
    reason = f"condemned: {order.reason}"
    said = order.occurred_at
    hold = lot_actions.place_hold(session, removed.lot, reason, at=at, by=by, said=said)
    return replace(removed, hold=hold)


def give_back(
    session: Session, code: str, order: SupplierReturnIn, *, at: datetime, by: Actor
) -> Removed:
    """Frozen fish of a lot back to its supplier.

    Raises RuleRefused `thawed-not-returned`: what has left the freezer to thaw is
    discarded or condemned; and as `condemn`.
    """
    removal = _begin(session, code, order, MovementKind.RETURNED_TO_SUPPLIER, at, by)
    there = _there(session, removal)
    sound_ids = _never_thawed(session, removal.lot)
    there.sort(key=lambda h: h.parcel_id not in sound_ids)
    sound = [h for h in there if h.parcel_id in sound_ids]
    wanted = _wanted(order, sound)
    breaches = _allow(session, removal, sound, wanted, _only_frozen(removal, there, sound, wanted))
    return _book(session, removal, Account.SUPPLIER, there, wanted, breaches, papers=order.papers)


def _begin(
    session: Session, code: str, order: CondemnationIn, kind: MovementKind, at: datetime, by: Actor
) -> _Removal:
    refuse_future(order.occurred_at, now=at)
    lot = lots.lot_by_code(session, code, by=by)
    named = order.place
    place = None if named is None else sites.place_by_code(session, named, by=by, field="place")
    if place is not None and place.site_id != lot.site_id:
        raise Conflict("the lot and the place belong to different sites", kind="another-site")
    lock_species(session, [lot.species_code])
    skew = sites.view(session, lot.site_id, at=at).policy.skew
    occurred_at = instant_of(order.occurred_at, now=at, skew=skew)
    if occurred_at < lot.arrived_at:
        raise Invalid.at("occurred_at", "lies before the lot arrived")
    view = sites.view(session, lot.site_id, at=occurred_at)
    event = Event(kind, lot.site_id, occurred_at, at, by, reason=order.reason)
    if order.mass is not None and place is None:
        place = _only_place(session, lot, occurred_at)
    return _Removal(lot, place, view, event, order)


def _only_place(session: Session, lot: Lot, at: datetime) -> Place:
    parcels = queries.lot_parcels(session, lot.id or 0)
    found = {p.place_id for p in parcels if p.grams > 0 and p.opened_at <= at}
    places = sites.places_by_id(session, list(found))
    if len(places) != 1:
        where = " and ".join(sorted(p.code for p in places.values())) or "no place by the books"
        raise Invalid.at("place", f"lot {lot.code} is in {where}: say where the mass was taken")
    return places[found.pop()]


def _there(session: Session, removal: _Removal) -> list[Holding]:
    """Every holding that the fish may come from, whole: reservations do not keep it."""
    lot_id, event, place, mass = (
        removal.lot.id or 0,
        removal.event,
        removal.place,
        removal.order.mass,
    )

    def look(place_ids: Iterable[int]) -> list[Holding]:
        found = [
            holding
            for place_id in place_ids
            for holding in queries.holdings(
                session, lot_id, place_id, at=event.occurred_at, now=event.at
            )
        ]
        return [replace(holding, available=holding.grams) for holding in found]

    if mass is not None:
        assert place is not None and place.id is not None
        only = [place.id]
        return judged_holdings(
            session,
            lambda: look(only),
            mass.grams,
            lot=removal.lot,
            occurred_at=event.occurred_at,
            at=event.at,
            by=event.by,
            place_id=place.id,
        )
    every = sorted({p.place_id for p in queries.lot_parcels(session, lot_id)})
    place_ids = every if place is None else [place.id or 0]
    if event.occurred_at < event.at:  # all that was there then, counted since or not
        for place_id in place_ids:
            reopen(session, lot_id, event, place_id=place_id)
    return look(place_ids)


def _wanted(order: CondemnationIn, holdings: Sequence[Holding]) -> int:
    """The grams named, else all. All of nothing cannot be a fact: nobody knows how much."""
    if order.mass is not None:
        return order.mass.grams
    on_hand = sum(holding.grams for holding in holdings)
    if on_hand == 0 and order.already_done:
        raise Invalid.at("mass", "the books know of no such fish: say how much it was")
    return max(1, on_hand)


def _never_thawed(session: Session, lot: Lot) -> Collection[int]:
    """The lot's parcels in freezers that no thaw batch ever held. Two queries."""
    parcels = queries.lot_parcels(session, lot.id or 0)
    family = {p.id: (p.parent_id, p.thaw_batch_id) for p in parcels if p.id is not None}
    places = sites.places_by_id(session, [p.place_id for p in parcels])
    return {
        p.id
        for p in parcels
        if p.id is not None
        and places[p.place_id].kind == PlaceKind.FREEZER
        and not came_of_a_batch(p.id, family)
    }


def _only_frozen(
    removal: _Removal, there: Sequence[Holding], sound: Sequence[Holding], wanted: int
) -> list[Finding]:
    frozen_g = sum(holding.grams for holding in sound)
    other_g = sum(holding.grams for holding in there) - frozen_g
    numbers = {"wanted_g": float(wanted), "frozen_g": float(frozen_g), "other_g": float(other_g)}
    warm = removal.place is not None and removal.place.kind != PlaceKind.FREEZER
    if not warm and (wanted <= frozen_g or other_g == 0):
        return [finding("thawed-not-returned", "pass", "it never left to thaw", numbers=numbers)]
    shown = removal.view.units.mass_out(frozen_g)
    because = f"{shown.value:g} {shown.unit} of it are in a freezer and never left it to thaw"
    return [finding("thawed-not-returned", "block", because, numbers=numbers)]


def _allow(
    session: Session,
    removal: _Removal,
    holdings: Sequence[Holding],
    wanted: int,
    findings: Iterable[Finding] = (),
) -> tuple[Finding, ...]:
    lot, event = removal.lot, removal.event
    what = f"lot {lot.code}" + (f" in {removal.place.code}" if removal.place else "")
    return site_actions.allow(
        session,
        decide(findings, stock_findings(holdings, wanted, what=what, units=removal.view.units)),
        removal.order,
        site=removal.view,
        subject=f"lot {lot.code}",
        occurred_at=event.occurred_at,
        at=event.at,
        by=event.by,
    )


def _book(
    session: Session,
    removal: _Removal,
    account: Account,
    holdings: Sequence[Holding],
    wanted: int,
    breaches: tuple[Finding, ...],
    *,
    papers: str | None = None,
) -> Removed:
    lot, event = removal.lot, removal.event
    takes = takes_of(
        session,
        lot,
        removal.place.id or 0 if removal.place else 0,  # all of what is there never lacks any
        holdings,
        wanted,
        occurred_at=event.occurred_at,
        at=event.at,
        by=event.by,
        already_done=removal.order.already_done,
    )
    legs = spending(session, [(take, account) for take in takes])
    if papers is not None:
        event = replace(event, reason=f"{event.reason}; papers {papers}")
    movement = post(session, event, legs)
    parcels = queries.parcels_by_id(session, [take.parcel_id for take in takes])
    given_up = reserving.give_up(session, list(parcels.values()), at=event.at)
    audit.note(
        session,
        event.by,
        event.kind.replace("_", " "),
        lot.code,
        at=event.at,
        site_id=lot.site_id,
        after=movement,
        detail={"g": sum(leg.grams for leg in legs), "reason": event.reason or ""},
    )
    left_g = sum(parcel.grams for parcel in queries.lot_parcels(session, lot.id or 0))
    return Removed(lot, movement, left_g, given_up, breaches)
