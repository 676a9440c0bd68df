"""Pulling: fish leaves the freezer, and its clock starts."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.assessments.queries import taking as excursions_open
from service.catalogue.queries import lock_species, products_by_id
from service.decisions import Finding, decide
from service.errors import Conflict, Invalid, NotFound
from service.http.bodies import instant_of, refuse_future
from service.ledger import queries as ledger
from service.ledger.actions import reserving
from service.ledger.actions.posting import Event, open_batch, open_children, post
from service.ledger.actions.taking import judged_holdings, stock_findings, takes_of
from service.ledger.rules import (
    Batch,
    Holding,
    MovementKind,
    OutOfCartons,
    Take,
    out_of_cartons,
    take_from,
)
from service.lots import actions as lot_actions
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.rules import may_use
from service.quality.queries.quality import LotQuality
from service.quality.rules import life_findings
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind, finding
from service.thawing import queries
from service.thawing.actions.scanning import scanned_lot
from service.thawing.models import ThawForecast
from service.thawing.queries import BatchView
from service.thawing.rules.choosing import may_plan
from service.thawing.rules.times import Method, thaw_time
from service.thawing.rules.windows import pulled_when
from service.thawing.schemas import PullIn, ThawRequestOut


@dataclass(frozen=True)
class Pulled:
    """A pull that was recorded."""

    batch: BatchView
    movement_id: int
    takes: tuple[Take, ...]
    out_of_cartons: OutOfCartons | None
    breaches: tuple[Finding, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True)
class _Named:
    lot: Lot
    origin: Place
    target: Place


def pull(session: Session, order: PullIn, *, at: datetime, by: Actor) -> Pulled:
    """Take fish of a lot out of the freezer to thaw; both clocks are read from here.

    Raises RuleRefused listing every finding: holds, age, an older lot that is
    available, too little stock.
    """
    refuse_future(order.occurred_at, now=at)
    named = _named(session, order, at, by)
    lock_species(session, [named.lot.species_code])
    session.refresh(named.lot)  # somebody may have rejected it a moment ago
    skew = sites.view(session, named.lot.site_id, at=at).policy.skew
    occurred_at = instant_of(order.occurred_at, now=at, skew=skew)
    if occurred_at < named.lot.arrived_at:
        raise Invalid.at("occurred_at", "lies before the lot arrived")
    view = sites.view(session, named.lot.site_id, at=occurred_at)
    holdings = judged_holdings(
        session,
        lambda: _holdings(session, order, named, occurred_at=occurred_at, at=at),
        order.mass.grams,
        lot=named.lot,
        occurred_at=occurred_at,
        at=at,
        by=by,
        place_id=named.origin.id,
    )
    decision = decide(
        may_use(
            lots.facts(session, [named.lot])[named.lot.id or 0],
            view.policy,
            view.day_of(occurred_at),
        ),
        _older_first(session, named.lot, view, order.thaw_request, occurred_at, at),
        stock_findings(
            holdings,
            order.mass.grams,
            units=view.units,
            what=f"lot {named.lot.code} in {named.origin.code}",
        ),
        _condition(session, named.lot, named.origin, view, occurred_at),
        _as_planned(session, order, named, by, occurred_at),
        excursions_open.findings(
            session,
            named.lot,
            _asked_for(holdings, order.mass.grams),
            view,
            at=occurred_at,
        ),
    )
    code = next_code(session, view, occurred_at)
    breaches = site_actions.allow(
        session,
        decision,
        order,
        site=view,
        subject=f"thaw batch {code}",
        occurred_at=occurred_at,
        at=at,
        by=by,
    )
    takes = takes_of(
        session,
        named.lot,
        named.origin.id or 0,
        holdings,
        order.mass.grams,
        occurred_at=occurred_at,
        at=at,
        by=by,
        already_done=order.already_done,
    )
    batch = open_batch(session, code, site_id=view.id, lot_id=named.lot.id or 0, at=occurred_at)
    legs = open_children(
        session,
        takes,
        place_id=named.target.id or 0,
        opened_at=occurred_at,
        thaw_batch_id=batch.id,
        count_cartons=False,
    )
    _foresee(session, batch, named, view, occurred_at, order.thaw_request)
    event = Event(MovementKind.PULLED, view.id, occurred_at, at, by)
    movement = post(session, event, legs)
    if order.thaw_request is not None:
        reserving.use(session, order.thaw_request, takes, movement_id=movement.id or 0, at=at)
    audit.note(
        session,
        by,
        "pulled",
        code,
        at=at,
        site_id=view.id,
        after=movement,
        detail={
            "lot": named.lot.code,
            "from": named.origin.code,
            "to": named.target.code,
            "g": sum(t.grams for t in takes),
            "breaches": [b.rule for b in breaches],
        },
    )
    shown = queries.batch_view(session, batch, view.policy, at=at)
    return Pulled(
        shown,
        movement.id or 0,
        tuple(takes),
        _out_of_cartons(session, named.lot, takes),
        breaches,
        decision.noteworthy(),
    )


def _out_of_cartons(session: Session, lot: Lot, takes: Sequence[Take]) -> OutOfCartons | None:
    """How single fish came out of its cartons; None for blocks."""
    if any(take.cartons for take in takes):
        return None
    carton_g = products_by_id(session, [lot.product_id])[lot.product_id].carton_g
    left = ledger.parcels_by_id(session, [take.parcel_id for take in takes])
    return sum(
        (
            out_of_cartons(left[take.parcel_id].grams + take.grams, take.grams, carton_g)
            for take in takes
        ),
        OutOfCartons(),
    )


def _foresee(
    session: Session,
    batch: Batch,
    named: _Named,
    view: SiteView,
    occurred_at: datetime,
    request: int | None,
) -> None:
    """Keep how long it should take: a clock that runs from it must not move by itself.

    The early end is never later than the physics alone would have it: what was
    learned may lengthen a plan, and does not lengthen a clock.
    """
    product, kind = named.lot.product_id, PlaceKind(named.target.kind)
    pack = queries.packs_of(session, [named.lot])[product]
    medium = queries.medium_at(session, named.target, view.policy, occurred_at)
    alone = thaw_time(pack, medium, view.policy)
    factor = queries.learned(session, view.id, [product], kind).get(product)
    expected = thaw_time(pack, medium, view.policy, learned=factor)
    session.add(
        ThawForecast(
            thaw_batch_id=batch.id,
            site_id=view.id,
            product_id=product,
            place_kind=kind,
            left_freezer_at=occurred_at,
            hours=expected.value,
            low_h=min(alone.low, expected.low),
            high_h=expected.high,
            modelled_h=alone.value if alone.method is Method.MODEL else None,
            method=expected.method,
            thaw_request_id=request,
        )
    )


def next_code(session: Session, view: SiteView, at: datetime) -> str:
    """The code of a thaw batch's label: the day, letters, a check character."""
    return lot_actions.next_code(session, f"T{view.day_of(at):%y%m%d}", 3)


def _named(session: Session, order: PullIn, at: datetime, by: Actor) -> _Named:
    origin = sites.place_by_code(session, order.from_place, by=by, field="from_place")
    if order.scanned:
        lot = scanned_lot(session, order, origin, at=at, by=by)
    else:
        lot = lots.lot_by_code(session, order.lot or "", by=by)
    target = sites.place_by_code(session, order.to_place, by=by, field="to_place")
    if target.kind == PlaceKind.FREEZER:
        raise Invalid.at("to_place", "is a freezer: fish goes to another one by POST /v1/moves")
    if {origin.site_id, target.site_id} != {lot.site_id}:
        raise Conflict("the lot and the places belong to different sites", kind="another-site")
    if order.thaw_request is not None:
        request = queries.request_by_id(session, order.thaw_request, by=by, field="thaw_request")
        if request.cancelled_at is not None and not order.already_done:
            raise Conflict("this thaw request was cancelled", kind="already-cancelled")
    if order.parcel is not None:
        ids = (lot.id or 0, origin.id or 0)
        if not ledger.parcel_is(session, order.parcel, *ids):
            raise NotFound.of("parcel", order.parcel, "parcel")
    return _Named(lot, origin, target)


def _holdings(
    session: Session, order: PullIn, named: _Named, *, occurred_at: datetime, at: datetime
) -> list[Holding]:
    """What may be pulled; a request's own reservation first."""
    found = ledger.holdings(
        session,
        named.lot.id or 0,
        named.origin.id or 0,
        at=occurred_at,
        now=at,
        but_for=order.thaw_request,
        parcel_id=order.parcel,
        loose=True,
    )
    if order.thaw_request is None:
        return found
    own = {r.parcel_id for r in ledger.reservations_of(session, order.thaw_request)}
    return sorted(found, key=lambda h: h.parcel_id not in own)


def _older_first(
    session: Session, lot: Lot, view: SiteView, request: int | None, on: datetime, at: datetime
) -> Iterator[Finding]:
    """Whether an earlier lot of the same fish, usable and not reserved, is in a freezer.

    Fish that waits for somebody to decide on its excursion is not usable.
    """
    older = ledger.older_available(
        session, lot, now=at, order=view.policy.use_order, but_for=request
    )
    waiting: frozenset[int] | None = None
    for parcel in older:
        if waiting is None:
            waiting = excursions_open.held_back(session, view, at=at)
        if parcel.holding.parcel_id in waiting:
            continue
        if may_plan(parcel.lot, view.policy, view.day_of(on)):
            since = parcel.lot.age_from
            yield finding(
                "older-lot-first",
                "block",
                f"use lot {parcel.lot.code} ({since}) in {parcel.place} first",
                numbers={
                    "older_lot": parcel.lot.code,
                    "older_from": str(since),
                    "place": parcel.place,
                    "available_g": float(parcel.holding.available),
                },
            )
            return
    yield finding("older-lot-first", "pass", f"no older lot than {lot.code} is available")


def _condition(
    session: Session, lot: Lot, origin: Place, view: SiteView, at: datetime
) -> list[Finding]:
    """Storage life used, by the lot's worst parcel there."""
    states = LotQuality(session, lot, view, at).states(origin.id)
    return list(life_findings(states[0].life.value, view.policy)) if states else []


def _as_planned(
    session: Session, order: PullIn, named: _Named, by: Actor, at: datetime
) -> Iterator[Finding]:
    """Whether the lot is pulled when the request that it is for planned it."""
    if order.thaw_request is None:
        return
    request = queries.request_by_id(session, order.thaw_request, by=by, field="thaw_request")
    planned = ThawRequestOut.model_validate(request.plan).pulls
    windows = [
        (pull.pull_not_before, pull.pull_not_after)
        for pull in planned
        if (pull.lot, pull.to_place) == (named.lot.code, named.target.code)
    ]
    yield from pulled_when(windows, at)


def _asked_for(holdings: Sequence[Holding], grams: int) -> list[int]:
    """The parcels that so much fish would be taken from; all, where there is too little."""
    takes, missing = take_from(holdings, grams)
    if missing:
        return [holding.parcel_id for holding in holdings]
    return [take.parcel_id for take in takes]
