"""Every select of watching animals: all of a site at once, however many."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TypeVar

from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, func, or_, select

from service.animals import queries as animals
from service.animals.models import Animal, AnimalGroup, AnimalWeight, Fast, LifeStage
from service.animals.rules import Stage
from service.diets.queries.need import need_of
from service.feeding.models import AnimalIntake, Feed, FeedItem, FeedShare, GroupIntake
from service.feeding.rules import Appetite, Outcome
from service.ledger.models import Movement
from service.lots.models import Lot
from service.site.queries import SiteView
from service.welfare.models import WelfareConcern
from service.welfare.rules import STALE_AFTER, YEAR, FedOnce, Weighed, excepts

Span = TypeVar("Span", Fast, LifeStage)
Eater = tuple[int | None, int | None]
"""An animal's number, or a group's."""


@dataclass(frozen=True)
class Spans:
    """Fasts and stages of a site's animals that touch some days, by animal."""

    fasts: Mapping[int, Sequence[Fast]]
    stages: Mapping[int, Sequence[LifeStage]]

    def fast_on(self, animal_id: int, day: date) -> Fast | None:
        """The fast of a day; of several the newest."""
        found = [f for f in self.fasts.get(animal_id, ()) if _holds(f, day)]
        return found[-1] if found else None

    def in_stage(self, animal_id: int, day: date, stages: frozenset[Stage]) -> bool:
        """Whether an animal is in one of these stages on a day."""
        return any(
            _holds(each, day) and excepts(Stage(each.stage), each.from_day, day, stages)
            for each in self.stages.get(animal_id, ())
        )

    def last_day(self, animal_id: int, before: date, stages: frozenset[Stage]) -> date | None:
        """The last day before this one on which it fasted or was in one of these stages."""
        fasts = [fast.until_day for fast in self.fasts.get(animal_id, ())]
        staged = [s.until_day for s in self.stages.get(animal_id, ()) if Stage(s.stage) in stages]
        over = [day for day in (*fasts, *staged) if day is not None and day < before]
        return max(over, default=None)


def _holds(span: Fast | LifeStage, day: date) -> bool:
    return span.from_day <= day and (span.until_day is None or span.until_day >= day)


def present(session: Session, site_id: int, day: date) -> Mapping[int, Animal]:
    """The animals of a site that are here on a day, by number. One query."""
    statement = (
        select(Animal)
        .where(
            col(Animal.site_id) == site_id,
            or_(col(Animal.gone_on).is_(None), col(Animal.gone_on) > day),
        )
        .order_by(col(Animal.code))
    )
    return {animal.id or 0: animal for animal in session.exec(statement)}


def groups(session: Session, site_id: int) -> Mapping[int, AnimalGroup]:
    """The groups of a site, by number. One query."""
    statement = select(AnimalGroup).where(col(AnimalGroup.site_id) == site_id)
    return {group.id or 0: group for group in session.exec(statement)}


def spans(session: Session, site_id: int, from_day: date, to_day: date) -> Spans:
    """Fasts and stages of a site's animals that touch these days. Two queries."""
    return Spans(
        _touching(session, Fast, site_id, from_day, to_day),
        _touching(session, LifeStage, site_id, from_day, to_day),
    )


def _touching(
    session: Session, table: type[Span], site_id: int, from_day: date, to_day: date
) -> Mapping[int, Sequence[Span]]:
    statement = (
        select(table)
        .join(Animal, col(Animal.id) == col(table.animal_id))
        .where(
            col(Animal.site_id) == site_id,
            col(table.withdrawn_at).is_(None),
            col(table.from_day) <= to_day,
            or_(col(table.until_day).is_(None), col(table.until_day) >= from_day),
        )
        .order_by(col(table.id))
    )
    found: dict[int, list[Span]] = {}
    for row in session.exec(statement):
        found.setdefault(row.animal_id, []).append(row)
    return found


def fed(
    session: Session, site_id: int, from_at: datetime, to_at: datetime, from_day: date
) -> Mapping[Eater, list[FedOnce]]:
    """The feeds that stand of each animal and group, in order; its shares of a group's too.

    What a keeper calls no appetite is none, even if a fish went down. Two queries; from_day
    is the civil day of from_at.
    """
    found: dict[Eater, list[FedOnce]] = {}
    undo = aliased(Movement)
    standing = (
        columns(col(Feed.id), col(Feed.animal_id), col(Feed.group_id), col(Feed.occurred_at))
        .add_columns(col(Feed.outcome), col(Feed.appetite))
        .outerjoin(undo, col(undo.reverses_id) == col(Feed.movement_id))
        .where(
            col(Feed.site_id) == site_id,
            col(Feed.day) >= from_day,
            col(Feed.occurred_at) >= from_at,
            col(Feed.occurred_at) <= to_at,
            col(undo.id).is_(None),
        )
    )
    for _, animal_id, group_id, at, outcome, appetite in session.execute(standing):
        once = FedOnce(at, _judged(Outcome(outcome), appetite))
        found.setdefault((animal_id, group_id), []).append(once)
    shared = standing.add_columns(col(FeedShare.animal_id)).join(
        FeedShare, col(FeedShare.feed_id) == col(Feed.id)
    )
    for _, _, _, at, outcome, appetite, animal_id in session.execute(shared):
        once = FedOnce(at, _judged(Outcome(outcome), appetite), seen=False)
        found.setdefault((animal_id, None), []).append(once)
    for feeds in found.values():
        feeds.sort(key=lambda feed: feed.at)
    found.pop((None, None), None)
    return found


def _judged(outcome: Outcome, appetite: str) -> Outcome:
    if outcome is Outcome.EATEN and appetite == Appetite.NONE:
        return Outcome.REFUSED
    return outcome


@dataclass(frozen=True)
class Asked:
    """What an eater was to get on a day: grams, and when."""

    grams: int = 0
    feeds: frozenset[datetime] = field(default_factory=frozenset)


class Diets:
    """What eaters of a site, some or all, were to get, day by day; each day is asked once."""

    def __init__(
        self, session: Session, view: SiteView, eaters: Collection[Eater] | None = None
    ) -> None:
        self._session, self._view, self._eaters = session, view, eaters
        self._days: dict[date, dict[Eater, Asked]] = {}

    def on(self, day: date) -> Mapping[Eater, Asked]:
        """By eater; cost as `need_of`, the first time."""
        if day not in self._days:
            grams: Counter[Eater] = Counter()
            feeds: dict[Eater, set[datetime]] = {}
            need = need_of(self._session, self._view, day, eaters=self._eaters)
            for portion in need.portions:
                eater = (portion.animal_id, portion.group_id)
                grams[eater] += portion.grams
                feeds.setdefault(eater, set()).add(portion.feed_at)
            self._days[day] = {e: Asked(grams[e], frozenset(feeds[e])) for e in feeds}
        return self._days[day]


@dataclass(frozen=True)
class Eaten:
    """Sums of a day, grams. seen_g: of what was eaten, what was seen."""

    eaten_g: int = 0
    left_g: int = 0
    seen_g: int = 0


def eaten(
    session: Session, site_id: int, from_day: date, to_day: date
) -> Mapping[tuple[Eater, date], Eaten]:
    """What every animal and group of a site ate on each of these days. Two queries."""
    found: dict[tuple[Eater, date], Eaten] = {}
    for table, who, parent in (
        (AnimalIntake, col(AnimalIntake.animal_id), Animal),
        (GroupIntake, col(GroupIntake.group_id), AnimalGroup),
    ):
        rows = session.execute(
            columns(
                who,
                col(table.day),
                func.sum(col(table.eaten_g)),
                func.sum(col(table.left_g)),
                func.sum(col(table.eaten_g) - col(table.estimated_g)),
            )
            .join(parent, col(parent.id) == who)
            .where(
                col(parent.site_id) == site_id,
                col(table.day) >= from_day,
                col(table.day) <= to_day,
            )
            .group_by(who, col(table.day))
        )
        for number, day, eaten_g, left_g, seen_g in rows:
            eater = (number, None) if table is AnimalIntake else (None, number)
            found[eater, day] = Eaten(int(eaten_g), int(left_g), int(seen_g))
    return found


def feeds_recorded(
    session: Session, site_id: int, from_day: date, to_day: date
) -> Mapping[tuple[Eater, date], int]:
    """How many feeds that stand each animal and group has on each of these days. One query."""
    undo = aliased(Movement)
    rows = session.execute(
        columns(col(Feed.animal_id), col(Feed.group_id), col(Feed.day), func.count(col(Feed.id)))
        .outerjoin(undo, col(undo.reverses_id) == col(Feed.movement_id))
        .where(
            col(Feed.site_id) == site_id,
            col(Feed.day) >= from_day,
            col(Feed.day) <= to_day,
            col(undo.id).is_(None),
        )
        .group_by(col(Feed.animal_id), col(Feed.group_id), col(Feed.day))
    )
    return {((animal, group), day): int(count) for animal, group, day, count in rows}


def weights(session: Session, site_id: int, at: datetime) -> Mapping[int, Sequence[Weighed]]:
    """The weighings of a site's animals in the last fourteen months, in order. One query."""
    rows = session.execute(
        columns(col(AnimalWeight.animal_id), col(AnimalWeight.occurred_at), col(AnimalWeight.grams))
        .join(Animal, col(Animal.id) == col(AnimalWeight.animal_id))
        .where(
            col(Animal.site_id) == site_id,
            col(AnimalWeight.occurred_at) > at - YEAR - 4 * STALE_AFTER,
            col(AnimalWeight.occurred_at) <= at,
        )
        .order_by(col(AnimalWeight.occurred_at), col(AnimalWeight.id))
    )
    found: dict[int, list[Weighed]] = {}
    for animal_id, when, grams in rows:
        found.setdefault(animal_id, []).append(Weighed(when, grams))
    return found


def members(session: Session, view: SiteView, at: datetime) -> Mapping[int, set[int]]:
    """The animals of each group at an instant. One query."""
    found: dict[int, set[int]] = {}
    for stay in animals.memberships_between(session, view.id, at, at):
        found.setdefault(stay.group_id, set()).add(stay.animal_id)
    return found


def codes(session: Session, site_id: int) -> dict[Eater, str]:
    """The codes of a site's animals, those that are gone too, and of its groups. Two queries."""
    named = select(Animal.id, Animal.code).where(col(Animal.site_id) == site_id)
    grouped = select(AnimalGroup.id, AnimalGroup.code).where(col(AnimalGroup.site_id) == site_id)
    animals_ = {(number, None): code for number, code in session.exec(named)}
    return animals_ | {(None, number): code for number, code in session.exec(grouped)}


def lots_refused(
    session: Session, animal_id: int | None, group_id: int | None, from_at: datetime
) -> list[str]:
    """The lots of which an animal, or a group, ate nothing since an instant. One query."""
    eater = col(Feed.animal_id) == animal_id if animal_id else col(Feed.group_id) == group_id
    rows = session.execute(
        columns(col(Lot.code))
        .join(FeedItem, col(FeedItem.lot_id) == col(Lot.id))
        .join(Feed, col(Feed.id) == col(FeedItem.feed_id))
        .where(
            eater,
            col(Feed.occurred_at) >= from_at,
            col(FeedItem.eaten_g) == 0,
        )
        .distinct()
        .order_by(col(Lot.code))
    )
    return [row[0] for row in rows]


def open_concerns(session: Session, site_ids: Collection[int]) -> Sequence[WelfareConcern]:
    """What was told and is not over. One query."""
    statement = (
        select(WelfareConcern)
        .where(col(WelfareConcern.site_id).in_(site_ids), col(WelfareConcern.ended_at).is_(None))
        .order_by(col(WelfareConcern.id).desc())
    )
    return session.exec(statement).all()


def concerns(
    session: Session,
    site_ids: Collection[int],
    *,
    animal_id: int | None,
    over: bool,
    limit: int,
    before_id: int | None,
) -> Sequence[tuple[WelfareConcern, str | None, str | None]]:
    """The newest concerns with the codes of animal and group. One query."""
    statement = (
        select(WelfareConcern, Animal.code, AnimalGroup.code)
        .outerjoin(Animal, col(Animal.id) == col(WelfareConcern.animal_id))
        .outerjoin(AnimalGroup, col(AnimalGroup.id) == col(WelfareConcern.group_id))
        .where(col(WelfareConcern.site_id).in_(site_ids))
        .order_by(col(WelfareConcern.id).desc())
        .limit(limit)
    )
    if animal_id is not None:
        statement = statement.where(col(WelfareConcern.animal_id) == animal_id)
    if not over:
        statement = statement.where(col(WelfareConcern.ended_at).is_(None))
    if before_id is not None:
        statement = statement.where(col(WelfareConcern.id) < before_id)
    return session.exec(statement).all()
