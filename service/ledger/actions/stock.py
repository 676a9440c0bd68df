"""Receiving, moving, counting and taking back."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session

from service.catalogue.queries import lock_species
from service.decisions import Finding, decide
from service.errors import Conflict, Invalid
from service.http.bodies import instant_of, refuse_future
from service.ledger import queries
from service.ledger.actions import reserving
from service.ledger.actions.posting import (
    Event,
    Leg,
    difference_legs,
    open_children,
    post,
    release,
)
from service.ledger.actions.taking import judged_holdings, stock_findings, takes_of
from service.ledger.models import Movement, Parcel, StockCount
from service.ledger.rules import Account, Holding, MovementKind, Pool
from service.ledger.schemas import CountIn, MoveIn
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.rules import ReceivedAs
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind, finding


def receive(
    session: Session,
    lot: Lot,
    place: Place,
    *,
    occurred_at: datetime,
    at: datetime,
    by: Actor,
    found: bool = False,
) -> Movement:
    """A lot's grams from the supplier into a place.

    found: they came with a delivery that was booked, and nobody knows with which lot: the
    count of that one will miss them.
    """
    assert lot.id is not None and place.id is not None
    lock_species(session, [lot.species_code])
    parcel = Parcel(
        lot_id=lot.id,
        place_id=place.id,
        opened_at=occurred_at,
        grams=0,
        cartons=0 if lot.cartons is not None else None,
    )
    session.add(parcel)
    session.flush()
    kind, account = MovementKind.RECEIVED, Account.SUPPLIER
    if found:
        kind, account = MovementKind.FOUND, Account.COUNT_DIFFERENCE
    event = Event(kind, lot.site_id, occurred_at, at, by)
    return post(session, event, [Leg(lot.id, account, parcel, lot.grams, lot.cartons)])


def move(
    session: Session, order: MoveIn, *, at: datetime, by: Actor
) -> tuple[Movement, tuple[Finding, ...]]:
    """Fish of one lot to another place; blocks as whole cartons.

    Raises RuleRefused: thawing fish never returns to a freezer by a move, and
    more than what is there cannot be taken.
    """
    refuse_future(order.occurred_at, now=at)
    lot = lots.lot_by_code(session, order.lot, by=by)
    origin = sites.place_by_code(session, order.from_place, by=by, field="from_place")
    target = sites.place_by_code(session, order.to_place, by=by, field="to_place")
    assert lot.id is not None and origin.id is not None and target.id is not None
    _same_site(lot, origin, target)
    if origin.id == target.id:
        raise Invalid.at("to_place", "is the place that the fish is in")
    if origin.kind == PlaceKind.FREEZER and target.kind != PlaceKind.FREEZER:
        raise Invalid.at(
            "to_place", "fish leaves a freezer by POST /v1/pulls, which starts its clock"
        )
    lock_species(session, [lot.species_code])
    view = sites.view(session, lot.site_id, at=at)
    occurred_at = instant_of(order.occurred_at, now=at, skew=view.policy.skew)
    if occurred_at < lot.arrived_at:
        raise Invalid.at("occurred_at", "lies before the lot arrived")
    view = sites.view(session, lot.site_id, at=occurred_at)
    lot_id, origin_id = lot.id, origin.id
    holdings = judged_holdings(
        session,
        lambda: queries.holdings(session, lot_id, origin_id, at=occurred_at, now=at),
        order.mass.grams,
        lot=lot,
        occurred_at=occurred_at,
        at=at,
        by=by,
        place_id=origin_id,
    )
    decision = decide(
        _refreezing(session, lot, origin, target, holdings),
        stock_findings(
            holdings, order.mass.grams, what=f"lot {lot.code} in {origin.code}", units=view.units
        ),
    )
    breaches = site_actions.allow(
        session,
        decision,
        order,
        site=view,
        subject=f"lot {lot.code}",
        occurred_at=occurred_at,
        at=at,
        by=by,
    )
    takes = takes_of(
        session,
        lot,
        origin.id,
        holdings,
        order.mass.grams,
        occurred_at=occurred_at,
        at=at,
        by=by,
        already_done=order.already_done,
    )
    sources = queries.parcels_by_id(session, [t.parcel_id for t in takes])
    legs: list[Leg] = []
    for take in takes:
        legs += open_children(
            session,
            [take],
            place_id=target.id,
            opened_at=occurred_at,
            thaw_batch_id=sources[take.parcel_id].thaw_batch_id,
        )
    event = Event(MovementKind.MOVED, lot.site_id, occurred_at, at, by)
    movement = post(session, event, legs)
    if target.kind == PlaceKind.FREEZER and lot.frozen_on is None and lot.caught_from is not None:
        lot.frozen_on = view.day_of(occurred_at)  # here, for the first time; age is from the catch
        session.add(lot)
    audit.note(
        session,
        by,
        "moved",
        lot.code,
        at=at,
        site_id=lot.site_id,
        after=movement,
        detail={"from": origin.code, "to": target.code, "g": sum(x.grams for x in legs)},
    )
    return movement, breaches


def _same_site(lot: Lot, *places: Place) -> None:
    if any(place.site_id != lot.site_id for place in places):
        raise Conflict("the lot and the places belong to different sites", kind="another-site")


def _refreezing(
    session: Session, lot: Lot, origin: Place, target: Place, holdings: Sequence[Holding]
) -> list[Finding]:
    """Thawed fish never returns; fish that was never frozen may be frozen once."""
    if target.kind != PlaceKind.FREEZER or origin.kind == PlaceKind.FREEZER:
        return []
    assert lot.id is not None
    once_frozen = lot.received_as == ReceivedAs.FROZEN or queries.ever_in_a_freezer(
        session, lot.id, [holding.parcel_id for holding in holdings]
    )
    if not once_frozen:
        return [finding("no-refreeze", "pass", "never frozen before: may be frozen once")]
    return [
        finding(
            "no-refreeze",
            "block",
            f"fish of lot {lot.code} in {origin.code} has left "
            "the freezer; hard frozen fish is put back through its thaw batch",
        )
    ]


def count(session: Session, order: CountIn, *, at: datetime, by: Actor) -> tuple[Movement, int]:
    """Bring the books to what somebody counted. Returns the movement and the difference."""
    refuse_future(order.occurred_at, now=at)
    lot = lots.lot_by_code(session, order.lot, by=by)
    place = sites.place_by_code(session, order.place, by=by, field="place")
    assert lot.id is not None and place.id is not None
    _same_site(lot, place)
    lock_species(session, [lot.species_code])
    policy = sites.view(session, lot.site_id, at=at).policy
    # A clock may run ahead, but what is counted is what the books hold by now.
    occurred_at = min(at, instant_of(order.occurred_at, now=at, skew=policy.skew))
    if occurred_at < lot.arrived_at:
        raise Invalid.at("occurred_at", "lies before the lot arrived")
    counted = StockCount(
        lot_id=lot.id,
        place_id=place.id,
        counted_g=order.mass.grams,
        occurred_at=occurred_at,
        recorded_at=at,
    )
    session.add(counted)
    session.flush()
    difference = order.mass.grams - queries.booked_at(session, lot.id, place.id, occurred_at)
    event = Event(
        MovementKind.COUNTED,
        lot.site_id,
        occurred_at,
        at,
        by,
        reason=order.reason,
        count_id=counted.id,
    )
    legs = difference_legs(session, lot.id, place.id, difference, at=occurred_at)
    movement = post(session, event, legs, pools=[Pool(lot.id, place.id, whole=True)])
    audit.note(
        session,
        by,
        "counted",
        lot.code,
        at=at,
        site_id=lot.site_id,
        after=movement,
        detail={"place": place.code, "difference_g": difference, "reason": order.reason},
    )
    return movement, difference


def reverse(
    session: Session,
    movement_id: int,
    reason: str,
    *,
    at: datetime,
    by: Actor,
    said: datetime | None = None,
) -> Movement:
    """Take a movement back, effective when it happened.

    Raises Conflict `already-reversed`, or `has-successors` listing the later
    movements that used its fish.
    """
    movement = queries.movement_by_id(session, movement_id, by=by)
    sites.happened_at(session, movement.site_id, said, now=at)
    transfers = [t for t, _ in queries.transfers_of(session, movement_id)]
    pools = _pools_counted(session, movement)
    lot_ids = sorted({t.lot_id for t in transfers} | {pool.lot_id for pool in pools})
    found = lots.lots_by_id(session, lot_ids)
    lock_species(session, [lot.species_code for lot in found.values()])
    _refuse_if_used(session, movement, [t.to_parcel_id for t in transfers])
    ids = [i for t in transfers for i in (t.from_parcel_id, t.to_parcel_id) if i is not None]
    parcels = queries.parcels_by_id(session, ids)
    event = Event(
        MovementKind.REVERSED,
        movement.site_id,
        movement.occurred_at,
        at,
        by,
        reason=reason,
        reverses_id=movement.id,
    )
    filled = {t.to_parcel_id for t in transfers}
    release(session, event, [p for p in parcels.values() if p.id in filled])
    legs = [
        Leg(
            t.lot_id,
            _end(parcels, t.to_parcel_id, t.to_account),
            _end(parcels, t.from_parcel_id, t.from_account),
            t.grams,
            t.cartons,
        )
        for t in reversed(transfers)
    ]
    undone = post(session, event, legs, pools=pools)
    if movement.kind == MovementKind.PULLED:
        reserving.keep_again(session, movement_id)
    audit.note(
        session,
        by,
        "reversed",
        movement_id,
        at=at,
        site_id=movement.site_id,
        after=undone,
        detail={"reason": reason},
    )
    return undone


def _pools_counted(session: Session, movement: Movement) -> list[Pool]:
    """What a count was about: it is settled anew even if the count changed nothing."""
    if movement.count_id is None:
        return []
    counted = queries.count_by_id(session, movement.count_id)
    return [Pool(counted.lot_id, counted.place_id, whole=True)]


def _refuse_if_used(session: Session, movement: Movement, targets: Sequence[int | None]) -> None:
    assert movement.id is not None
    if movement.kind == MovementKind.REVERSED:
        raise Conflict(
            "a reversal is not reversed: record what happened again", kind="already-reversed"
        )
    if movement.kind == MovementKind.COUNTED and movement.count_id is None:
        raise Conflict(
            "the service booked this difference itself, to keep the books right",
            advice="Take back the count, or the record that came late.",
        )
    if queries.reversal_of(session, movement.id) is not None:
        raise Conflict("this movement has been taken back before", kind="already-reversed")
    filled = [i for i in targets if i is not None]
    later = queries.later_movements_from(session, filled, movement.id) if filled else []
    if later:
        raise Conflict(
            f"{len(later)} later movement(s) used this fish",
            kind="has-successors",
            advice="Take those back first, newest first.",
            extra={"successors": list(later)},
        )


def _end(
    parcels: dict[int, Parcel], parcel_id: int | None, account: str | None
) -> Parcel | Account:
    return parcels[parcel_id] if parcel_id is not None else Account(account or "")
