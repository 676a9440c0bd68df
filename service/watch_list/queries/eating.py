"""Who ate of which lots. By index: cost grows with the feeds of these lots, not with history."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy import case, func
from sqlalchemy import select as columns
from sqlmodel import Session, col

from service.animals.models import Animal, AnimalGroup
from service.feeding.models import Feed, FeedItem, FeedShare
from service.ledger.models import ThawBatch
from service.traceability.queries.whereabouts import feeds_that_stand
from service.watch_list.rules.rounds import Fed


@dataclass(frozen=True)
class Eater:
    """An animal, or a group of which some have no name. gone_on: its first day elsewhere."""

    code: str
    name: str
    animal_id: int | None = None
    gone_on: date | None = None
    group_id: int | None = None
    unnamed: int = 0

    @property
    def key(self) -> str:
        """What tells it from others in a watch."""
        return f"animal:{self.animal_id}" if self.animal_id else f"group:{self.group_id}"


@dataclass(frozen=True)
class Eaten:
    """What one eater ate of one thaw batch of a lot; estimated_g: its part of what groups ate.

    batches: the thaw batch, and those that it was split from.
    """

    lot_id: int
    batches: frozenset[int]
    eater: Eater
    feeds: int
    eaten_g: int
    estimated_g: int
    fed: Fed


def eaten_of(session: Session, lot_ids: Sequence[int]) -> Mapping[int, list[Eaten]]:
    """Who ate of these lots, by lot; feeds that stand and of which something was eaten.

    Animals by name and by their share in a group, and groups of which some who were there have
    no name. Four queries.
    """
    chains = _chains(session, lot_ids)
    found: dict[int, list[Eaten]] = {lot_id: [] for lot_id in lot_ids}
    for row in (
        *_animals(session, lot_ids, shared=False),
        *_animals(session, lot_ids, shared=True),
        *_groups(session, lot_ids),
    ):
        (batch,) = row.batches
        found[row.lot_id].append(replace(row, batches=chains.get(batch, row.batches)))
    return found


def _chains(session: Session, lot_ids: Sequence[int]) -> Mapping[int, frozenset[int]]:
    """Thaw batches that were split from others, each with all that it came from."""
    statement = columns(col(ThawBatch.id), col(ThawBatch.split_from_id)).where(
        col(ThawBatch.lot_id).in_(set(lot_ids)), col(ThawBatch.split_from_id).is_not(None)
    )
    chains: dict[int, frozenset[int]] = {}
    for batch, origin in session.execute(statement.order_by(col(ThawBatch.id))):
        chains[batch] = chains.get(origin, frozenset({origin})) | {batch}
    return chains


def in_all(rows: Sequence[Eaten], thaw_batch_id: int | None = None) -> dict[str, Eaten]:
    """What each ate of a lot, or of one thaw batch of it, by key in order of code."""
    found: dict[str, Eaten] = {}
    for row in rows:
        if thaw_batch_id is not None and thaw_batch_id not in row.batches:
            continue
        known = found.get(row.eater.key)
        found[row.eater.key] = row if known is None else _together(known, row)
    return {row.eater.key: row for row in sorted(found.values(), key=lambda row: row.eater.code)}


def _together(one: Eaten, other: Eaten) -> Eaten:
    return replace(
        one,
        eater=replace(one.eater, unnamed=max(one.eater.unnamed, other.eater.unnamed)),
        feeds=one.feeds + other.feeds,
        eaten_g=one.eaten_g + other.eaten_g,
        estimated_g=one.estimated_g + other.estimated_g,
        fed=Fed(
            min(one.fed.first_at, other.fed.first_at),
            max(one.fed.last_at, other.fed.last_at),
            min(one.fed.known_at, other.fed.known_at),
        ),
    )


def _animals(session: Session, lot_ids: Sequence[int], *, shared: bool) -> Sequence[Eaten]:
    eater = col(FeedShare.animal_id) if shared else col(Feed.animal_id)
    key = (*_fish(), col(Animal.id), col(Animal.code), col(Animal.name), col(Animal.gone_on))
    statement = _fed_of(lot_ids, *key, shared=shared).join(Animal, col(Animal.id) == eater)
    return [
        _eaten(row, Eater(row.code, row.name, row.id, row.gone_on), shared=shared)
        for row in session.execute(statement.group_by(*key))
    ]


def _groups(session: Session, lot_ids: Sequence[int]) -> Sequence[Eaten]:
    named = (
        columns(func.count())
        .where(col(FeedShare.feed_id) == col(Feed.id))
        .correlate(Feed)
        .scalar_subquery()
    )
    unnamed = (col(Feed.present) - named).label("unnamed")
    key = (*_fish(), col(AnimalGroup.id), col(AnimalGroup.code), col(AnimalGroup.name))
    statement = (
        _fed_of(lot_ids, *key)
        .add_columns(func.max(unnamed).label("unnamed"))
        .join(AnimalGroup, col(AnimalGroup.id) == col(Feed.group_id))
        .where(unnamed > 0)
        .group_by(*key)
    )
    return [
        _eaten(
            row, Eater(row.code, row.name, group_id=row.id, unnamed=int(row.unnamed)), shared=True
        )
        for row in session.execute(statement)
    ]


def _fish() -> tuple[Any, Any]:
    return col(FeedItem.lot_id).label("lot_id"), col(FeedItem.thaw_batch_id).label("batch_id")


def _fed_of(lot_ids: Sequence[int], *key: Any, shared: bool = False) -> Any:
    return (
        feeds_that_stand(*key, shared=shared)
        .add_columns(
            func.count(func.distinct(col(Feed.id))).label("feeds"),
            func.min(_known_at()).label("known_at"),
        )
        .where(col(FeedItem.lot_id).in_(set(lot_ids)), col(FeedItem.eaten_g) > 0)
    )


def _known_at() -> Any:
    """When a feed was recorded; a correction tells nobody anew who was fed."""
    corrects = col(Feed.corrects_id).is_not(None)
    return case((corrects, col(Feed.occurred_at)), else_=col(Feed.recorded_at))


def _eaten(row: Any, eater: Eater, *, shared: bool) -> Eaten:
    grams = int(row.eaten_g)
    fed = Fed(row.first_at, row.last_at, row.known_at)
    batches = frozenset({row.batch_id})
    return Eaten(row.lot_id, batches, eater, row.feeds, grams, grams if shared else 0, fed)
