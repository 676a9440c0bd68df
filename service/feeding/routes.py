"""Feeds, and what animals and groups ate."""

from datetime import date, datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from service.animals import queries as animals
from service.errors import Invalid
from service.feeding import queries
from service.feeding.actions import recording, undoing
from service.feeding.actions.recording import Fed
from service.feeding.queries import FeedView, ItemView
from service.feeding.queries import record as records
from service.feeding.rules import FeedKind, Grain, Outcome
from service.feeding.schemas import (
    FeedCorrectionIn,
    FeedCorrectionOut,
    FeedIn,
    FeedOut,
    FeedReversalIn,
    FeedReversalOut,
    FeedRoundIn,
    FeedRoundOut,
    FeedShown,
    IntakeOut,
)
from service.http.answers import as_shown
from service.http.bodies import (
    Cursor,
    Day,
    Limit,
    Number,
    Page,
    decode_cursor,
    encode_cursor,
)
from service.http.sessions import Behind, Now, ReadSession, WriteSession
from service.http.tables import wants_csv
from service.ledger import queries as ledger
from service.ledger.schemas import ReversalIn, ReversalOut
from service.quality.queries.listing import mass_shown
from service.quantities import Units
from service.security.guard import MayFeed, MayLook, MayReverse, guarded_router
from service.site import queries as sites
from service.site.queries import SiteView

feeds: APIRouter = guarded_router("/feeds", "feeding")
rounds: APIRouter = guarded_router("/feed-rounds", "feeding")
of_animals: APIRouter = guarded_router("/animals", "feeding")
of_groups: APIRouter = guarded_router("/groups", "feeding")
movements: APIRouter = guarded_router("/movements", "stock")
routers = (feeds, rounds, of_animals, of_groups, movements)

MOST_STEPS = 400
_SHORTEST_DAYS = {Grain.DAY: 1, Grain.WEEK: 7, Grain.MONTH: 28}


@feeds.post("", status_code=201)
def feed(order: FeedIn, session: WriteSession, at: Now, by: MayFeed, clock: Behind) -> FeedOut:
    """One animal or group was fed: offered, eaten, left, by thaw batch."""
    fed = recording.feed(session, order, at=at, by=by, clock=clock)
    return _fed_out(fed)


@rounds.post("", status_code=201, response_model=FeedRoundOut)
def feed_round(
    order: FeedRoundIn, session: WriteSession, at: Now, by: MayFeed, clock: Behind
) -> Response:
    """Many feeds at once. All are stored, or none: what is refused is named feed by feed."""
    fed = recording.feed_round(session, order, at=at, by=by, clock=clock)
    eaten = sum(item.portion.eaten_g for each in fed for item in each.feed.items)
    return as_shown(
        {
            "feeds": [_fed_shown(each) for each in fed],
            "eaten": mass_shown(fed[0].units, eaten),
            "breaches": sum(len(each.breaches) for each in fed),
        },
        status=201,
    )


@feeds.get("")
def list_feeds(
    session: ReadSession,
    at: Now,
    by: MayLook,
    animal: str | None = None,
    group: str | None = None,
    kind: FeedKind | None = None,
    outcome: Outcome | None = None,
    from_day: Annotated[Day | None, Query(alias="from")] = None,
    to_day: Annotated[Day | None, Query(alias="to")] = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[FeedShown]:
    """The feeds recorded last, those that were taken back too; days are the site's, included."""
    before = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    asked = queries.Asked(
        animal_id=animals.animal_by_code(session, animal, by=by).id if animal else None,
        group_id=animals.group_by_code(session, group, by=by).id if group else None,
        kind=kind,
        outcome=outcome,
        from_day=from_day,
        to_day=to_day,
    )
    seen = sites.sites(session, by=by)
    rows = queries.feeds(
        session, [site.id or 0 for site in seen], asked, limit=limit + 1, before_id=before
    )
    units = {site.id: sites.view_of(session, site, at=at).units for site in seen}
    more = encode_cursor(rows[limit - 1].id) if len(rows) > limit else None
    items = [FeedShown(**_shown(row, units[row.site_id])) for row in rows[:limit]]
    return Page(items=items, next=more)


@feeds.get("/{feed}")
def get_feed(feed: Number, session: ReadSession, at: Now, by: MayLook) -> FeedShown:
    """One feed, whether it stands or was taken back."""
    found = queries.feed_by_id(session, feed, by=by)
    units = sites.view(session, found.site_id, at=at).units
    return FeedShown(**_shown(queries.feed_view(session, feed), units))


@feeds.post("/{feed}/correction", status_code=201)
def correct_feed(
    feed: Number,
    order: FeedCorrectionIn,
    session: WriteSession,
    at: Now,
    by: MayReverse,
    clock: Behind,
) -> FeedCorrectionOut:
    """What really happened, in place of what was recorded: a fact, never refused."""
    corrected = undoing.correct(session, feed, order, at=at, by=by, clock=clock)
    return FeedCorrectionOut(feed=_fed_out(corrected.fed), reversal=corrected.reversal_id)


@feeds.post("/{feed}/reversal", status_code=201)
def reverse_feed(
    feed: Number, reversal: FeedReversalIn, session: WriteSession, at: Now, by: MayReverse
) -> FeedReversalOut:
    """A feed that never was is taken back; its fish is in its thaw batch again."""
    number = undoing.reverse_feed(
        session, feed, reversal.reason, at=at, by=by, said=reversal.occurred_at
    )
    return FeedReversalOut(feed=feed, reversal=number)


@movements.post("/{movement}/reversal", status_code=201)
def reverse(
    movement: Number, reversal: ReversalIn, session: WriteSession, at: Now, by: MayReverse
) -> ReversalOut:
    """Take a movement back, effective when it happened; later uses must go back first."""
    number = undoing.reverse(
        session, movement, reversal.reason, at=at, by=by, said=reversal.occurred_at
    )
    undone = ledger.movement_by_id(session, number, by=by)
    return ReversalOut(movement=ledger.movement_out(session, undone))


From = Annotated[Day | None, Query(alias="from")]
To = Annotated[Day | None, Query(alias="to")]
Steps = Annotated[Grain, Query(alias="by", description="The steps: day, week or month.")]


@of_animals.get("/{animal}/intake", response_model=IntakeOut)
def get_intake(
    animal: str,
    request: Request,
    session: ReadSession,
    at: Now,
    by: MayLook,
    from_day: From = None,
    to_day: To = None,
    grain: Steps = Grain.DAY,
) -> Response:
    """What an animal ate, with its shares of what its group was given."""
    found = animals.animal_by_code(session, animal, by=by)
    view = sites.view(session, found.site_id, at=at)
    first, last = _asked(view, at, from_day, to_day, grain)
    record = records.record(session, first, last, grain, view.units, animal_id=found.id)
    return _answer(request, {"animal": found.code, "group": None, **record})


@of_groups.get("/{group}/intake", response_model=IntakeOut)
def get_group_intake(
    group: str,
    request: Request,
    session: ReadSession,
    at: Now,
    by: MayLook,
    from_day: From = None,
    to_day: To = None,
    grain: Steps = Grain.DAY,
) -> Response:
    """What a group ate of what it was given as a group; what its animals got by name is theirs."""
    found = animals.group_by_code(session, group, by=by)
    view = sites.view(session, found.site_id, at=at)
    first, last = _asked(view, at, from_day, to_day, grain)
    record = records.record(session, first, last, grain, view.units, group_id=found.id)
    return _answer(request, {"animal": None, "group": found.code, **record})


def _asked(
    view: SiteView, at: datetime, from_day: date | None, to_day: date | None, grain: Grain
) -> tuple[date, date]:
    last = to_day or view.day_of(at)
    first = from_day or last - timedelta(days=29)
    if last < first:
        raise Invalid.at("to", "lies before from")
    if (last - first).days >= MOST_STEPS * _SHORTEST_DAYS[grain]:
        raise Invalid.at("from", f"at most {MOST_STEPS} {grain}s at once")
    return first, last


def _answer(request: Request, record: dict[str, object]) -> Response:
    """The record; as a table its steps."""
    if wants_csv(request.headers.get("accept", "")):
        return as_shown({"items": record["days"], "next": None})
    return as_shown(record)


def _fed_out(fed: Fed) -> FeedOut:
    return FeedOut(**_fed_shown(fed))


def _fed_shown(fed: Fed) -> dict[str, Any]:
    """The fields of `FeedOut` as plain values."""
    return {
        **_shown(fed.feed, fed.units),
        "breaches": [each.model_dump(mode="json") for each in fed.breaches],
        "findings": [each.model_dump(mode="json") for each in fed.findings],
    }


def _shown(view: FeedView, units: Units) -> dict[str, Any]:
    """The fields of `FeedShown` as plain values."""
    return {
        "id": view.id,
        "animal": view.animal,
        "group": view.group,
        "present": view.present,
        "kind": view.kind,
        "outcome": view.outcome,
        "occurred_at": view.occurred_at,
        "recorded_at": view.recorded_at,
        "day": view.day,
        "by": view.by,
        "appetite": view.appetite,
        "note": view.note,
        "estimated": view.animal is None or view.kind == FeedKind.PUBLIC,
        "movement_id": view.movement_id,
        "clock_corrected_s": view.clock_corrected_s,
        "corrects": view.corrects,
        "taken_back": view.taken_back,
        "items": [_item_shown(item, units) for item in view.items],
    }


def _item_shown(item: ItemView, units: Units) -> dict[str, Any]:
    """The fields of `FeedItemOut` as plain values."""
    portion = item.portion
    return {
        "thaw_batch": item.thaw_batch,
        "lot": item.lot,
        "species": item.species,
        "offered": mass_shown(units, portion.offered_g),
        "eaten": mass_shown(units, portion.eaten_g),
        "left": mass_shown(units, portion.left_g),
        "cold": mass_shown(units, portion.cold_g),
        "lost": mass_shown(units, portion.lost_g),
        "offered_count": portion.pieces_offered,
        "eaten_count": portion.pieces_eaten,
        "outcome": portion.outcome,
    }
