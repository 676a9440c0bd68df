"""Thaw requests, pulls, thaw batches."""

from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from sqlmodel import Session

from service.http.bodies import Cursor, Limit, Number, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.ledger import queries as ledger
from service.ledger.rules import Batch
from service.security.guard import MayLook, MayPlanThaw, MayPull, MayTendThaw, guarded_router
from service.site import queries as sites
from service.site.queries import SiteView
from service.thawing import queries
from service.thawing.actions import planning, pulling, tending
from service.thawing.queries import BatchView
from service.thawing.schemas import (
    BatchEventOut,
    CancelIn,
    DiscardIn,
    PullIn,
    PullOut,
    PutBackIn,
    ThawBatchOut,
    ThawedIn,
    ThawRequestIn,
    ThawRequestOut,
)

requests: APIRouter = guarded_router("/thaw-requests", "thawing")
pulls: APIRouter = guarded_router("/pulls", "thawing")
batches: APIRouter = guarded_router("/thaw-batches", "thawing")
routers = (requests, pulls, batches)


@requests.post("", status_code=201)
def plan(order: ThawRequestIn, session: WriteSession, at: Now, by: MayPlanThaw) -> ThawRequestOut:
    """Which lots to pull for a day, oldest first, and when; the fish is reserved."""
    return planning.plan(session, order, at=at, by=by)


@requests.get("/{thaw_request}")
def get_request(thaw_request: Number, session: ReadSession, by: MayLook) -> ThawRequestOut:
    """A plan as it was made."""
    return planning.shown(queries.request_by_id(session, thaw_request, by=by, field="thaw_request"))


@requests.post("/{thaw_request}/cancel")
def cancel(
    thaw_request: Number,
    session: WriteSession,
    at: Now,
    by: MayPlanThaw,
    order: CancelIn | None = None,
) -> ThawRequestOut:
    """Give a plan up: its fish is available again."""
    said = order.occurred_at if order else None
    return planning.cancel(session, thaw_request, at=at, by=by, said=said)


@pulls.post("", status_code=201)
def pull(order: PullIn, session: WriteSession, at: Now, by: MayPull) -> PullOut:
    """Fish leaves the freezer to thaw, and its clock starts."""
    pulled = pulling.pull(session, order, at=at, by=by)
    view = sites.view(session, pulled.batch.batch.site_id, at=at)
    cartons = [take.cartons for take in pulled.takes if take.cartons is not None]
    return PullOut(
        thaw_batch=batch_out(pulled.batch, view),
        movement_id=pulled.movement_id,
        cartons=sum(cartons) if cartons else None,
        breaches=list(pulled.breaches),
        findings=list(pulled.findings),
    )


@batches.get("")
def list_batches(
    session: ReadSession,
    at: Now,
    by: MayLook,
    state: Annotated[Literal["open", "all"], Query(description="open: still holds fish.")] = "all",
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[ThawBatchOut]:
    """Thaw batches with their clocks."""
    after = int(decode_cursor(cursor, int)[0]) if cursor is not None else 0
    seen = sites.sites(session, by=by)
    found = ledger.batches(
        session,
        [s.id or 0 for s in seen],
        open_only=state == "open",
        limit=limit + 1,
        after_id=after,
    )
    views = {site.id: sites.view_of(session, site, at=at) for site in seen}
    shown = [
        batch_out(each, view)
        for view in views.values()
        for each in queries.batch_views(
            session, [b for b in found[:limit] if b.site_id == view.id], view.policy, at=at
        )
    ]
    more = encode_cursor(found[limit - 1].id or 0) if len(found) > limit else None
    return Page(items=shown, next=more)


@batches.get("/{thaw_batch}")
def get_batch(thaw_batch: str, session: ReadSession, at: Now, by: MayLook) -> ThawBatchOut:
    """One thaw batch and its clock."""
    batch = ledger.batch_by_code(session, thaw_batch, by=by, field="thaw_batch")
    return _shown(session, batch, at)


@batches.post("/{thaw_batch}/thawed")
def mark_thawed(
    thaw_batch: str,
    session: WriteSession,
    at: Now,
    by: MayTendThaw,
    mark: ThawedIn | None = None,
) -> ThawBatchOut:
    """Found fully thawed, by thermometer or touch."""
    batch = tending.mark_thawed(session, thaw_batch, mark or ThawedIn(), at=at, by=by)
    return _shown(session, batch, at)


@batches.post("/{thaw_batch}/discard", status_code=201)
def discard(
    thaw_batch: str, order: DiscardIn, session: WriteSession, at: Now, by: MayTendThaw
) -> BatchEventOut:
    """Fish of a thaw batch is thrown away."""
    batch, movement, breaches = tending.discard(session, thaw_batch, order, at=at, by=by)
    return BatchEventOut(
        thaw_batch=_shown(session, batch, at), movement_id=movement, breaches=list(breaches)
    )


@batches.post("/{thaw_batch}/put-back", status_code=201)
def put_back(
    thaw_batch: str, order: PutBackIn, session: WriteSession, at: Now, by: MayTendThaw
) -> BatchEventOut:
    """Fish that is still hard frozen goes back into a freezer."""
    batch, movement, breaches = tending.put_back(session, thaw_batch, order, at=at, by=by)
    return BatchEventOut(
        thaw_batch=_shown(session, batch, at), movement_id=movement, breaches=list(breaches)
    )


def _shown(session: Session, batch: Batch, at: datetime) -> ThawBatchOut:
    view = sites.view(session, batch.site_id, at=at)
    return batch_out(queries.batch_view(session, batch, view.policy, at=at), view)


def batch_out(each: BatchView, view: SiteView) -> ThawBatchOut:
    """A thaw batch as it is shown."""
    facts = each.facts
    forecast = each.forecast if facts.thawed_at is None else None
    return ThawBatchOut(
        code=each.batch.code,
        lot=each.lot.code,
        species=each.lot.species_code,
        place=each.place.code if each.place else None,
        mass=view.units.mass_out(each.pulled_g),
        remaining=view.units.mass_out(each.remaining_g),
        left_freezer_at=facts.left_freezer_at,
        thawed_at=facts.thawed_at,
        thawed_expected=each.thawed_after(forecast.hours) if forecast else None,
        thawed_range=(
            (each.thawed_after(forecast.low_h), each.thawed_after(forecast.high_h))
            if forecast
            else None
        ),
        discard_after=each.discard_after(view.policy),
        discard_after_estimated=facts.refrigerated and facts.thawed_at is None,
        clock="clock-from-thawed" if facts.refrigerated else "clock-from-freezer",
        state=each.state,
    )
