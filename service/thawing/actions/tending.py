"""Tending a thaw batch: found thawed, discarded, put back."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session

from service.catalogue.queries import lock_species
from service.decisions import Finding, decide
from service.errors import Invalid
from service.http.bodies import Refusable, instant_of, refuse_future
from service.ledger import queries as ledger
from service.ledger.actions.posting import Event, Leg, open_children, post
from service.ledger.actions.taking import spending, stock_findings, takes_of
from service.ledger.rules import Account, Batch, MovementKind, Take
from service.lots.models import Lot
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.queries import SiteView
from service.site.rules import PlaceKind, finding
from service.thawing import queries
from service.thawing.models import ThawedMark
from service.thawing.rules import put_back_finding
from service.thawing.schemas import DiscardIn, PutBackIn, ThawedIn


def mark_thawed(session: Session, code: str, mark: ThawedIn, *, at: datetime, by: Actor) -> Batch:
    """Somebody found the batch fully thawed. Of several marks the earliest counts."""
    refuse_future(mark.occurred_at, now=at)
    batch = ledger.batch_by_code(session, code, by=by, field="thaw_batch")
    view = sites.view(session, batch.site_id, at=at)
    thawed_at = instant_of(mark.occurred_at, now=at, skew=view.policy.skew)
    if thawed_at < batch.left_freezer_at:
        raise Invalid.at(
            "occurred_at",
            f"lies before it left the freezer ({batch.left_freezer_at:%Y-%m-%d %H:%M} UTC)",
        )
    stored = ThawedMark(thaw_batch_id=batch.id, thawed_at=thawed_at, recorded_at=at, by=by.name)
    session.add(stored)
    session.flush()
    audit.note(session, by, "found thawed", batch.code, at=at, site_id=batch.site_id, after=stored)
    return batch


def discard(
    session: Session, code: str, order: DiscardIn, *, at: datetime, by: Actor
) -> tuple[Batch, int, tuple[Finding, ...]]:
    """Fish of a thaw batch is thrown away, with a reason."""
    batch, lot, view, occurred_at = _locked(session, code, order, at, by)
    holdings = ledger.batch_holdings(session, batch.id, at=occurred_at)
    decision = decide(
        stock_findings(
            holdings, order.mass.grams, units=view.units, what=f"thaw batch {batch.code}"
        )
    )
    breaches = site_actions.allow(
        session,
        decision,
        order,
        site=view,
        subject=f"thaw batch {batch.code}",
        occurred_at=occurred_at,
        at=at,
        by=by,
    )
    takes = batch_takes(
        session,
        batch,
        lot,
        order.mass.grams,
        occurred_at=occurred_at,
        at=at,
        by=by,
        already_done=order.already_done,
    )
    event = Event(MovementKind.DISCARDED, view.id, occurred_at, at, by, reason=order.reason)
    legs = spending(session, [(take, Account.DISCARDED) for take in takes])
    return batch, _post(session, event, legs, batch, "discarded", order.reason), breaches


def put_back(
    session: Session, code: str, order: PutBackIn, *, at: datetime, by: Actor
) -> tuple[Batch, int, tuple[Finding, ...]]:
    """Hard frozen fish returns to a freezer within the policy's minutes; its history stays."""
    batch, lot, view, occurred_at = _locked(session, code, order, at, by)
    target = sites.place_by_code(session, order.to_place, by=by, field="to_place")
    if target.kind != PlaceKind.FREEZER or target.site_id != batch.site_id:
        raise Invalid.at("to_place", "is not a freezer of this site")
    holdings = ledger.batch_holdings(session, batch.id, at=occurred_at)
    core = order.core_temperature
    thawed = queries.thawed_at(session, [batch.id], at=occurred_at)
    decision = decide(
        [
            put_back_finding(
                batch.left_freezer_at, occurred_at, core.c if core else None, view.policy
            )
        ],
        [finding("no-refreeze", "block", "was found thawed: it never returns to a freezer")]
        if thawed
        else [],
        stock_findings(
            holdings, order.mass.grams, units=view.units, what=f"thaw batch {batch.code}"
        ),
    )
    breaches = site_actions.allow(
        session,
        decision,
        order,
        site=view,
        subject=f"thaw batch {batch.code}",
        occurred_at=occurred_at,
        at=at,
        by=by,
    )
    takes = batch_takes(
        session,
        batch,
        lot,
        order.mass.grams,
        occurred_at=occurred_at,
        at=at,
        by=by,
        already_done=order.already_done,
    )
    legs = open_children(
        session, takes, place_id=target.id or 0, opened_at=occurred_at, thaw_batch_id=None
    )
    event = Event(MovementKind.PUT_BACK, view.id, occurred_at, at, by)
    return batch, _post(session, event, legs, batch, "put back", target.code), breaches


def _locked(
    session: Session, code: str, order: Refusable, at: datetime, by: Actor
) -> tuple[Batch, Lot, SiteView, datetime]:
    refuse_future(order.occurred_at, now=at)
    batch = ledger.batch_by_code(session, code, by=by, field="thaw_batch")
    lot = session.get_one(Lot, batch.lot_id)
    lock_species(session, [lot.species_code])
    skew = sites.view(session, batch.site_id, at=at).policy.skew
    occurred_at = instant_of(order.occurred_at, now=at, skew=skew)
    if occurred_at < batch.left_freezer_at:
        raise Invalid.at("occurred_at", "lies before the batch left the freezer")
    return batch, lot, sites.view(session, batch.site_id, at=occurred_at), occurred_at


def batch_takes(
    session: Session,
    batch: Batch,
    lot: Lot,
    grams: int,
    *,
    occurred_at: datetime,
    at: datetime,
    by: Actor,
    already_done: bool,
) -> list[Take]:
    """What to take from a thaw batch; a fact may find more in it than the books know."""
    holdings = ledger.batch_holdings(session, batch.id, at=occurred_at)
    parcels = ledger.batch_parcels(session, [batch.id])
    return takes_of(
        session,
        lot,
        parcels[-1].place_id,
        holdings,
        grams,
        occurred_at=occurred_at,
        at=at,
        by=by,
        already_done=already_done,
        thaw_batch_id=batch.id,
    )


def _post(
    session: Session, event: Event, legs: Sequence[Leg], batch: Batch, what: str, detail: str
) -> int:
    movement = post(session, event, legs)
    audit.note(
        session,
        event.by,
        what,
        batch.code,
        at=event.at,
        site_id=batch.site_id,
        after=movement,
        detail={"g": sum(leg.grams for leg in legs), "detail": detail},
    )
    return movement.id or 0
