"""The sums of what was eaten, by day and lot, kept in the transaction that stores a feed."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from sqlmodel import Session

from service.database import insert_rows
from service.feeding.models import Feed, FeedItem, FeedShare
from service.feeding.queries import portion_of
from service.feeding.rules import FeedKind, Portion, share_of

SUMS = ("feeds", "offered_g", "eaten_g", "left_g", "cold_g", "lost_g", "estimated_g")


@dataclass(frozen=True)
class Given:
    """What a feed adds to the sums: to whom, on which day, of which lots.

    shared_by: the animals that were there when a group was fed; parts: how many in all.
    """

    animal_id: int | None
    group_id: int | None
    parts: int
    shared_by: Sequence[int]
    day: date
    kind: str
    items: Sequence[tuple[int, Portion]]


def given_of(feed: Feed, items: Sequence[FeedItem], shares: Sequence[FeedShare]) -> Given:
    """What a stored feed has added."""
    return Given(
        feed.animal_id,
        feed.group_id,
        shares[0].parts if shares else 1,
        [each.animal_id for each in shares],
        feed.day,
        feed.kind,
        [(item.lot_id, portion_of(item)) for item in items],
    )


def add(session: Session, given: Iterable[Given], *, sign: int = 1) -> None:
    """Add feeds to the sums, or with sign -1 take them away. At most two statements."""
    of_animals: dict[tuple[int, date, int], _Sums] = defaultdict(_Sums)
    of_groups: dict[tuple[int, date, int], _Sums] = defaultdict(_Sums)
    for each in given:
        guessed = each.kind == FeedKind.PUBLIC
        for number, (lot_id, portion) in enumerate(each.items):
            first = int(number == 0)
            if each.animal_id is not None:
                sums = of_animals[each.animal_id, each.day, lot_id]
                sums.add(portion, first, estimated=guessed)
            if each.group_id is not None:
                sums = of_groups[each.group_id, each.day, lot_id]
                sums.add(portion, first, estimated=guessed)
            for part, animal_id in enumerate(each.shared_by):
                sums = of_animals[animal_id, each.day, lot_id]
                sums.add(share_of(portion, part, each.parts), first, estimated=True)
    for eater, found in (("animal", of_animals), ("group", of_groups)):
        _store(session, eater, found, sign)


@dataclass
class _Sums:
    feeds: int = 0
    offered_g: int = 0
    eaten_g: int = 0
    left_g: int = 0
    cold_g: int = 0
    lost_g: int = 0
    estimated_g: int = 0

    def add(self, portion: Portion, feeds: int, *, estimated: bool) -> None:
        self.feeds += feeds
        self.offered_g += portion.offered_g
        self.eaten_g += portion.eaten_g
        self.left_g += portion.left_g
        self.cold_g += portion.cold_g
        self.lost_g += portion.lost_g
        self.estimated_g += portion.eaten_g if estimated else 0


def _store(
    session: Session, eater: str, found: dict[tuple[int, date, int], _Sums], sign: int
) -> None:
    # In one order everywhere: two who add to the same rows wait, and do not block each other.
    rows = [
        {f"{eater}_id": eater_id, "day": day, "lot_id": lot_id}
        | {name: sign * getattr(sums, name) for name in SUMS}
        for (eater_id, day, lot_id), sums in sorted(found.items())
    ]
    insert_rows(session.connection(), f"{eater}_intake", rows, adding=True)
