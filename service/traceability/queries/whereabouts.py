"""Where the grams of lots are: on hand, carried, fed. By index, whatever the history."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, case, cast, func
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from service.animals.models import Animal
from service.feeding.models import Feed, FeedItem, FeedShare
from service.ledger import queries as ledger
from service.ledger.models import Movement, Parcel, ThawBatch, Transfer
from service.lots.models import Hold
from service.site import queries as sites
from service.thawing import queries as thawing
from service.thawing.rules.clocks import BatchState
from service.traceability.rules import Flow, Moved, Whereabouts, moves, whereabouts


@dataclass(frozen=True)
class OnHand:
    """Grams of a lot in a place, loose or in a thaw batch."""

    lot_id: int
    place_id: int
    thaw_batch: str | None
    grams: int


@dataclass(frozen=True)
class Batch:
    """A thaw batch of a lot, and where it is on its way."""

    lot_id: int
    code: str
    left_freezer_at: datetime
    thawed_at: datetime | None
    state: BatchState
    pulled_g: int
    remaining_g: int


@dataclass(frozen=True)
class Eater:
    """What one animal got of one lot, in all; estimated_g: its even parts of what groups ate."""

    lot_id: int
    animal: str
    name: str
    group: str
    feeds: int
    offered_g: int
    eaten_g: int
    left_g: int
    first_at: datetime
    last_at: datetime
    estimated_g: int = 0


@dataclass(frozen=True)
class Trace:
    """Where everything of one lot is."""

    where: Whereabouts
    on_hand: tuple[OnHand, ...]
    moved: tuple[Moved, ...]
    batches: tuple[Batch, ...]
    holds: tuple[Hold, ...]


@dataclass(frozen=True)
class Traces:
    """Traces by lot, who was fed from them, and the codes of the places they name."""

    by_lot: Mapping[int, Trace]
    eaters: tuple[Eater, ...]
    places: Mapping[int, str]


def traces(session: Session, lot_ids: Sequence[int], *, at: datetime) -> Traces:
    """Everything about these lots. Nine queries, whatever their number.

    Cost grows with the transfers and feed items of these lots, not with history.
    """
    there = on_hand(session, lot_ids)
    carried = _flows(session, lot_ids)
    batches = _batches(session, lot_ids, there, at)
    holds = defaultdict(list)
    for hold in session.exec(
        select(Hold).where(col(Hold.lot_id).in_(set(lot_ids))).order_by(col(Hold.id))
    ):
        holds[hold.lot_id].append(hold)
    by_lot = {
        id_: Trace(
            where=whereabouts(carried[id_], sum(each.grams for each in there[id_])),
            on_hand=tuple(there[id_]),
            moved=tuple(moves(carried[id_])),
            batches=tuple(batches[id_]),
            holds=tuple(holds[id_]),
        )
        for id_ in lot_ids
    }
    named = {each.place_id for found in there.values() for each in found}
    for trace in by_lot.values():
        named |= {i for each in trace.moved for i in (each.from_place_id, each.to_place_id)}
    return Traces(by_lot, tuple(eaters(session, lot_ids)), place_codes(session, list(named)))


def place_codes(session: Session, place_ids: Sequence[int]) -> dict[int, str]:
    """The codes of these places. One query."""
    return {i: place.code for i, place in sites.places_by_id(session, place_ids).items()}


def on_hand(session: Session, lot_ids: Sequence[int]) -> Mapping[int, list[OnHand]]:
    """Grams on hand by lot, place and thaw batch, in the order of the parcels. One query."""
    statement = (
        columns(
            col(Parcel.lot_id),
            col(Parcel.place_id),
            col(ThawBatch.code),
            func.sum(col(Parcel.grams)),
        )
        .outerjoin(ThawBatch, col(ThawBatch.id) == col(Parcel.thaw_batch_id))
        .where(col(Parcel.lot_id).in_(set(lot_ids)), col(Parcel.grams) > 0)
        .group_by(col(Parcel.lot_id), col(Parcel.place_id), col(ThawBatch.code))
        .order_by(func.min(col(Parcel.id)))
    )
    found: dict[int, list[OnHand]] = defaultdict(list)
    for lot_id, place_id, batch, grams in session.execute(statement):
        found[lot_id].append(OnHand(lot_id, place_id, batch, int(grams)))
    return found


def _flows(session: Session, lot_ids: Sequence[int]) -> Mapping[int, list[Flow]]:
    """What the books carried of these lots, summed up by kind and ends. One query.

    A parcel's place is asked only where both ends are parcels: of most transfers,
    which are feeds, it is not needed.
    """
    source, target, original = aliased(Parcel), aliased(Parcel), aliased(Movement)
    between = col(Transfer.to_account).is_(None) & col(Transfer.from_account).is_(None)
    kind = func.coalesce(col(original.kind), col(Movement.kind))
    taken_back = col(Movement.reverses_id).is_not(None)
    key = (
        col(Transfer.lot_id),
        kind,
        taken_back,
        col(Transfer.from_account),
        col(Transfer.to_account),
        col(source.place_id),
        col(target.place_id),
    )
    statement = (
        columns(*key, func.sum(col(Transfer.grams)))
        .select_from(Transfer)
        .join(Movement, col(Movement.id) == col(Transfer.movement_id))
        .outerjoin(original, col(original.id) == col(Movement.reverses_id))
        .outerjoin(source, col(source.id) == case((between, col(Transfer.from_parcel_id))))
        .outerjoin(target, col(target.id) == case((between, col(Transfer.to_parcel_id))))
        .where(col(Transfer.lot_id).in_(set(lot_ids)))
        .group_by(*key)
        .order_by(func.min(col(Transfer.id)))
    )
    found: dict[int, list[Flow]] = defaultdict(list)
    for row in session.execute(statement):
        found[row[0]].append(Flow(*row))
    return found


def _batches(
    session: Session,
    lot_ids: Sequence[int],
    there: Mapping[int, Sequence[OnHand]],
    at: datetime,
) -> Mapping[int, list[Batch]]:
    """The thaw batches of these lots by number. Three queries."""
    statement = (
        select(ThawBatch).where(col(ThawBatch.lot_id).in_(set(lot_ids))).order_by(col(ThawBatch.id))
    )
    stored = session.exec(statement).all()
    ids = [batch.id or 0 for batch in stored]
    pulled = ledger.pulled_grams(session, ids)
    thawed = thawing.thawed_at(session, [ledger.batch_of(b) for b in stored], at=at)
    remaining: dict[str | None, int] = defaultdict(int)
    for each in (row for rows in there.values() for row in rows):
        remaining[each.thaw_batch] += each.grams
    found: dict[int, list[Batch]] = defaultdict(list)
    for batch in stored:
        grams, since = remaining[batch.code], thawed.get(batch.id or 0)
        found[batch.lot_id].append(
            Batch(
                lot_id=batch.lot_id,
                code=batch.code,
                left_freezer_at=batch.left_freezer_at,
                thawed_at=since,
                state=_state(grams, since),
                pulled_g=pulled.get(batch.id or 0, 0),
                remaining_g=grams,
            )
        )
    return found


def _state(remaining_g: int, thawed_at: datetime | None) -> BatchState:
    if remaining_g == 0:
        return BatchState.FINISHED
    return BatchState.THAWED if thawed_at else BatchState.THAWING


def eaters(
    session: Session,
    lot_ids: Sequence[int],
    from_at: datetime | None = None,
    to_at: datetime | None = None,
) -> Sequence[Eater]:
    """Who was fed from these lots in [from, to), by lot and animal; feeds that stand. Two queries.

    Of what a group was given, every animal that was there may have eaten: each is named with
    an even part.
    """
    found: dict[tuple[int, str], Eater] = {}
    for shared in (False, True):
        eater = col(FeedShare.animal_id) if shared else col(Feed.animal_id)
        key = (col(FeedItem.lot_id), col(Animal.code), col(Animal.name), col(Animal.group_name))
        statement = (
            feeds_that_stand(*key, shared=shared)
            .join(Animal, col(Animal.id) == eater)
            .where(col(FeedItem.lot_id).in_(set(lot_ids)), *within(from_at, to_at))
            .group_by(col(FeedItem.lot_id), col(Animal.id))
        )
        for row in session.execute(statement):
            one = replace(Eater(*row), estimated_g=row.eaten_g if shared else 0)
            known = found.get((one.lot_id, one.animal))
            found[one.lot_id, one.animal] = one if known is None else together(known, one)
    return [found[key] for key in sorted(found)]


def together(one: Any, other: Any) -> Any:
    """What was given by name and in groups, of the same lot to the same animal."""
    return replace(
        one,
        feeds=one.feeds + other.feeds,
        offered_g=one.offered_g + other.offered_g,
        eaten_g=one.eaten_g + other.eaten_g,
        left_g=one.left_g + other.left_g,
        first_at=min(one.first_at, other.first_at),
        last_at=max(one.last_at, other.last_at),
        estimated_g=one.estimated_g + other.estimated_g,
    )


def within(from_at: datetime | None, to_at: datetime | None) -> list[Any]:
    """Conditions on a feed: from an instant, until before another."""
    conditions = []
    if from_at is not None:
        conditions.append(col(Feed.occurred_at) >= from_at)
    if to_at is not None:
        conditions.append(col(Feed.occurred_at) < to_at)
    return conditions


def feeds_that_stand(*key: Any, shared: bool = False) -> Any:
    """A key and the sums of feed items; feeds that were taken back are left out. To be grouped.

    shared: of what groups were given, the even part of each animal that was there.
    """
    undo = aliased(Movement)
    number, parts = col(FeedShare.number), col(FeedShare.parts)

    def total(grams: Any) -> Any:
        if not shared:
            return func.sum(grams)
        # Whole numbers on both databases: the parts add up, as in `feeding.rules.share`.
        wide = cast(grams, BigInteger)
        part = wide * (number + 1) // parts - wide * number // parts
        return cast(func.sum(part), BigInteger)

    sums = (
        func.count(func.distinct(col(Feed.id))),
        total(col(FeedItem.offered_g)),
        total(col(FeedItem.eaten_g)).label("eaten_g"),
        total(col(FeedItem.left_g)),
        func.min(col(Feed.occurred_at)).label("first_at"),
        func.max(col(Feed.occurred_at)).label("last_at"),
    )
    statement = columns(*key, *sums).select_from(FeedItem)
    if shared:
        statement = statement.join(FeedShare, col(FeedShare.feed_id) == col(FeedItem.feed_id))
    return (
        statement.join(Feed, col(Feed.id) == col(FeedItem.feed_id))
        .outerjoin(undo, col(undo.reverses_id) == col(Feed.movement_id))
        # Of the column that is joined by, so that PostgreSQL sees an anti-join.
        .where(col(undo.reverses_id).is_(None))
    )
