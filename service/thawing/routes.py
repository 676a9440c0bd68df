"""Thaw requests, pulls, thaw batches."""

from datetime import datetime
from operator import itemgetter
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from sqlmodel import Session

from service.http.bodies import (
    Cursor,
    Day,
    Limit,
    Number,
    Page,
    decode_cursor,
    encode_cursor,
)
from service.http.sessions import Now, ReadSession, WriteSession
from service.ledger import queries as ledger
from service.ledger.rules import Batch
from service.security.guard import (
    MayLook,
    MayPlanThaw,
    MayPull,
    MaySubstitute,
    MayTendThaw,
    guarded_router,
)
from service.site import queries as sites
from service.site.queries import SiteView
from service.thawing import queries
from service.thawing.actions import (
    listing,
    looking,
    planning,
    pulling,
    replanning,
    showing,
    splitting,
    tending,
)
from service.thawing.actions.pulling import Pulled
from service.thawing.queries import BatchView
from service.thawing.schemas import (
    AcceptIn,
    BatchEventOut,
    BatchTemperatureIn,
    CancelIn,
    DiscardIn,
    DripIn,
    MeasuredOut,
    MoveBatchIn,
    OutOfCartonsOut,
    PartThawedIn,
    PullIn,
    PullLine,
    PullOut,
    PutBackIn,
    ReplanIn,
    SplitIn,
    SplitOut,
    ThawBatchOut,
    ThawedIn,
    ThawRequestIn,
    ThawRequestOut,
)

requests: APIRouter = guarded_router("/thaw-requests", "thawing")
pulls: APIRouter = guarded_router("/pulls", "thawing")
batches: APIRouter = guarded_router("/thaw-batches", "thawing")
pull_list: APIRouter = guarded_router("/pull-list", "thawing")
routers = (requests, pulls, batches, pull_list)

BatchFilter = Literal["open", "thawing", "thawed", "to_discard", "all"]


@requests.post("", status_code=201)
def plan(order: ThawRequestIn, session: WriteSession, at: Now, by: MayPlanThaw) -> ThawRequestOut:
    """Which lots to pull for a day, oldest first, and when; the fish is reserved."""
    return planning.plan(session, order, at=at, by=by)


@requests.get("/{thaw_request}")
def get_request(thaw_request: Number, session: ReadSession, by: MayLook) -> ThawRequestOut:
    """A plan as it is now: what of it was pulled, who uses its surplus, how it has changed."""
    request = queries.request_by_id(session, thaw_request, by=by, field="thaw_request")
    return showing.current(session, request)


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
    return replanning.cancel(session, thaw_request, at=at, by=by, said=said)


@requests.post("/{thaw_request}/replan")
def replan(
    thaw_request: Number,
    session: WriteSession,
    at: Now,
    by: MayPlanThaw,
    order: ReplanIn | None = None,
) -> ThawRequestOut:
    """Plan again what is not pulled yet, from fish and diets as they are now; see `changes`.

    The worker does so by itself when a pull is late, or reserved fish may not be used any more.
    """
    return replanning.replan(session, thaw_request, order or ReplanIn(), at=at, by=by)


@requests.post("/{thaw_request}/substitutions")
def accept(
    thaw_request: Number, order: AcceptIn, session: WriteSession, at: Now, by: MaySubstitute
) -> ThawRequestOut:
    """Make the substitutions that the plan proposes, and plan again with the other fish.

    The day's portions, and supplements by diet, hold the other fish from now on.
    """
    return replanning.accept(session, thaw_request, order, at=at, by=by)


@pull_list.get("")
def get_pull_list(
    session: ReadSession,
    by: MayLook,
    at: Now,
    day: Annotated[Day, Query(description="The day on which the fish is fed.")],
    site: Annotated[str | None, Query(description="Left out: the only site.")] = None,
) -> Page[PullLine]:
    """What to pull for a day, over all its requests, by the last minute and by freezer."""
    view = sites.view_of(session, sites.site_or_only(session, site, by=by), at=at)
    return Page(items=listing.pull_list(session, view, day, now=at))


@pulls.post("", status_code=201)
def pull(order: PullIn, session: WriteSession, at: Now, by: MayPull) -> PullOut:
    """Fish leaves the freezer to thaw, and its clock starts."""
    pulled = pulling.pull(session, order, at=at, by=by)
    view = sites.view(session, pulled.batch.batch.site_id, at=at)
    cartons = [take.cartons for take in pulled.takes if take.cartons is not None]
    return PullOut(
        thaw_batch=showing.batch_out(pulled.batch, view, at),
        movement_id=pulled.movement_id,
        cartons=sum(cartons) if cartons else None,
        out_of_cartons=_out_of_cartons(pulled, view),
        breaches=list(pulled.breaches),
        findings=list(pulled.findings),
    )


def _out_of_cartons(pulled: Pulled, view: SiteView) -> OutOfCartonsOut | None:
    found = pulled.out_of_cartons
    if found is None:
        return None
    return OutOfCartonsOut(
        opened=view.units.mass_out(found.opened_g),
        whole=found.whole,
        newly_opened=view.units.mass_out(found.newly_opened_g),
    )


@batches.get("")
def list_batches(
    session: ReadSession,
    at: Now,
    by: MayLook,
    state: Annotated[
        BatchFilter,
        Query(description="open: still holds fish; to_discard: so does fish past its clock."),
    ] = "all",
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[ThawBatchOut]:
    """Thaw batches with their clocks."""
    after = int(decode_cursor(cursor, int)[0]) if cursor is not None else 0
    seen = sites.sites(session, by=by)
    by_clock = state not in ("open", "all")  # known only when each is looked at
    found = ledger.batches(
        session,
        [s.id or 0 for s in seen],
        open_only=state != "all",
        limit=None if by_clock else limit + 1,
        after_id=after,
    )
    views = {site.id: sites.view_of(session, site, at=at) for site in seen}
    shown = [
        (each.batch.id, showing.batch_out(each, view, at))
        for view in views.values()
        for each in queries.batch_views(
            session, [b for b in found if b.site_id == view.id], view.policy, at=at
        )
        if not by_clock or _is(each, state, view, at)
    ]
    shown.sort(key=itemgetter(0))
    more = encode_cursor(shown[limit - 1][0]) if len(shown) > limit else None
    return Page(items=[out for _, out in shown[:limit]], next=more)


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
    batch = looking.mark_thawed(session, thaw_batch, mark or ThawedIn(), at=at, by=by)
    return _shown(session, batch, at)


@batches.post("/{thaw_batch}/part-thawed")
def mark_part_thawed(
    thaw_batch: str,
    session: WriteSession,
    at: Now,
    by: MayTendThaw,
    mark: PartThawedIn | None = None,
) -> ThawBatchOut:
    """Found part-thawed: it can be taken apart, and is still frozen inside."""
    batch = looking.mark_part_thawed(session, thaw_batch, mark or PartThawedIn(), at=at, by=by)
    return _shown(session, batch, at)


@batches.post("/{thaw_batch}/temperatures", status_code=201)
def measure(
    thaw_batch: str, order: BatchTemperatureIn, session: WriteSession, at: Now, by: MayTendThaw
) -> MeasuredOut:
    """A temperature was taken by hand: core, surface, water or air."""
    batch, found, findings = looking.measure(session, thaw_batch, order, at=at, by=by)
    return MeasuredOut(thaw_batch=_shown(session, batch, at), found=found, findings=findings)


@batches.post("/{thaw_batch}/split", status_code=201)
def split(
    thaw_batch: str, order: SplitIn, session: WriteSession, at: Now, by: MayTendThaw
) -> SplitOut:
    """A part of a thaw batch under a label of its own, which may go its own way."""
    moved = splitting.split(session, thaw_batch, order, at=at, by=by)
    return SplitOut(
        thaw_batch=_shown(session, moved.batch, at),
        rest=_shown(session, moved.rest, at),
        movement_id=moved.movement_id,
        breaches=list(moved.breaches),
    )


@batches.post("/{thaw_batch}/move", status_code=201)
def move(
    thaw_batch: str, order: MoveBatchIn, session: WriteSession, at: Now, by: MayTendThaw
) -> BatchEventOut:
    """All of a thaw batch to another place: the next stage of its thaw."""
    moved = splitting.move(session, thaw_batch, order, at=at, by=by)
    return BatchEventOut(
        thaw_batch=_shown(session, moved.batch, at),
        movement_id=moved.movement_id,
        breaches=list(moved.breaches),
    )


@batches.post("/{thaw_batch}/drip", status_code=201)
def drip(
    thaw_batch: str, order: DripIn, session: WriteSession, at: Now, by: MayTendThaw
) -> BatchEventOut:
    """Water has run off thawing fish; unusually much or little warns."""
    batch, movement, breaches, usual = tending.drip(session, thaw_batch, order, at=at, by=by)
    return BatchEventOut(
        thaw_batch=_shown(session, batch, at),
        movement_id=movement,
        breaches=list(breaches),
        findings=[usual],
    )


@batches.post("/{thaw_batch}/discard", status_code=201)
def discard(
    thaw_batch: str, order: DiscardIn, session: WriteSession, at: Now, by: MayTendThaw
) -> BatchEventOut:
    """Fish of a thaw batch is thrown away; all of it where no mass is said."""
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
    return showing.batch_out(queries.batch_view(session, batch, view.policy, at=at), view, at)


def _is(each: BatchView, state: BatchFilter, view: SiteView, at: datetime) -> bool:
    if state == "to_discard":
        return at > each.discard_after(view.policy)
    return each.state == state
