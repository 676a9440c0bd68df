"""How watches stand: who is in them, which looks were taken, which are due."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from sqlalchemy import or_
from sqlalchemy import select as columns
from sqlmodel import Session, col, select

from service.animals.models import Animal, AnimalGroup
from service.assays.models import AssayWithdrawal
from service.errors import NotFound
from service.ledger.models import ThawBatch
from service.lots.models import Lot
from service.security.actor import Actor
from service.watch_list.models import Watch, WatchCause, WatchChange, WatchObservation
from service.watch_list.queries.eating import Eaten, Eater, eaten_of, in_all
from service.watch_list.rules.hazards import Hazard, Sign
from service.watch_list.rules.rounds import (
    Look,
    Round,
    RoundState,
    Schedule,
    is_over,
    is_watched,
    rounds_of,
    until,
)


@dataclass(frozen=True)
class Listed:
    """One who ate of it, or of whom something was seen. eaten: None where no feed stands."""

    eater: Eater
    eaten: Eaten | None
    watched: bool
    until: datetime | None
    rounds: tuple[Round, ...]
    looks: tuple[WatchObservation, ...]

    @property
    def overdue(self) -> tuple[Round, ...]:
        """Looks that should have been taken."""
        return tuple(r for r in self.rounds if r.state is RoundState.OVERDUE)

    @property
    def next_due_at(self) -> datetime | None:
        """When it is to be looked at next; in the past where it is due."""
        left = (RoundState.OVERDUE, RoundState.DUE, RoundState.COMING)
        return next((r.due_at for r in self.rounds if r.state in left), None)

    def is_over(self, at: datetime) -> bool:
        """Whether nobody need look at it any more; a death is the vet's to close."""
        if Sign.DEAD in self.signs:
            return False
        if self.eater.gone_on is not None and self.until is not None and at >= self.until:
            return True
        return is_over(self.rounds, looks_of(self.looks), at=at)

    @property
    def signs(self) -> list[str]:
        """All signs that were seen of it, in the order in which they came."""
        return list(dict.fromkeys(sign for look in self.looks for sign in look.signs))

    @property
    def noticed(self) -> bool:
        """Whether anything was ever seen of it."""
        return any(noticed(look) for look in self.looks)


@dataclass(frozen=True)
class Standing:
    """A watch with everybody in it, at an instant."""

    watch: Watch
    lot: str
    thaw_batch: str | None
    causes: tuple[WatchCause, ...]
    withdrawn: frozenset[int]
    changes: tuple[WatchChange, ...]
    listed: tuple[Listed, ...]
    at: datetime

    @property
    def hazards(self) -> list[Hazard]:
        """What is feared, each once."""
        return list(dict.fromkeys(Hazard(h) for cause in self.causes for h in cause.hazards))

    @property
    def watched(self) -> tuple[Listed, ...]:
        """Those who are looked at."""
        return tuple(each for each in self.listed if each.watched)

    @property
    def until(self) -> datetime | None:
        """When the last look is due; None where nobody is looked at."""
        return max((each.until for each in self.watched if each.until), default=None)

    @property
    def is_over(self) -> bool:
        """Whether it may end by itself: somebody was watched and nobody needs to be any more."""
        return bool(self.watched) and all(each.is_over(self.at) for each in self.watched)

    @property
    def is_unfounded(self) -> bool:
        """Whether every result that it was opened for has been withdrawn."""
        return all(cause.assay_id in self.withdrawn for cause in self.causes)


def noticed(look: WatchObservation) -> bool:
    """Whether something was seen: a sign, something else, or no appetite."""
    return bool(look.signs) or look.other is not None or look.appetite in ("reduced", "none")


def looks_of(looks: Sequence[WatchObservation]) -> list[Look]:
    """Observations as the rules take them, in order of time."""
    return [Look(look.occurred_at, noticed(look)) for look in looks]


def schedule_of(watch: Watch) -> Schedule:
    """When those in a watch are to be looked at."""
    return Schedule(watch.from_at, watch.hours, watch.round_h, watch.look_back_days)


def watch_by_id(session: Session, number: int, *, by: Actor, lock: bool = False) -> Watch:
    """The watch of this number. Raises NotFound, and NotAllowed at somebody else's site."""
    statement = select(Watch).where(col(Watch.id) == number)
    if lock:
        statement = statement.with_for_update().execution_options(populate_existing=True)
    found = session.exec(statement).one_or_none()
    if found is None:
        raise NotFound.of("watch", number, "watch")
    by.ensure_site(found.site_id)
    return found


def watches(
    session: Session,
    site_ids: Collection[int],
    *,
    open_: bool | None,
    lot_id: int | None,
    limit: int,
    before_id: int | None,
) -> Sequence[Watch]:
    """The newest watches of these sites; open, closed or both. One query."""
    statement = (
        select(Watch)
        .where(col(Watch.site_id).in_(site_ids))
        .order_by(col(Watch.id).desc())
        .limit(limit)
    )
    if open_ is not None:
        closed = col(Watch.closed_at)
        statement = statement.where(closed.is_(None) if open_ else closed.is_not(None))
    if lot_id is not None:
        statement = statement.where(col(Watch.lot_id) == lot_id)
    if before_id is not None:
        statement = statement.where(col(Watch.id) < before_id)
    return session.exec(statement).all()


def followed(session: Session, at: datetime, ids: Collection[int] | None = None) -> Sequence[Watch]:
    """Open watches, and those closed so lately that a feed recorded late concerns them.

    ids : only of these, locked. One query.
    """
    statement = select(Watch).order_by(col(Watch.id))
    if ids is not None:
        statement = statement.where(col(Watch.id).in_(ids)).with_for_update()
        return session.exec(statement.execution_options(populate_existing=True)).all()
    lately = at - REMEMBERED
    return session.exec(
        statement.where(or_(col(Watch.closed_at).is_(None), col(Watch.closed_at) >= lately))
    ).all()


REMEMBERED = timedelta(days=30)  # no tablet comes back later with feeds that matter


def open_watches_of(session: Session, lot_id: int) -> Sequence[Watch]:
    """The open watches of a lot, oldest first, locked. One query."""
    statement = (
        select(Watch)
        .where(col(Watch.lot_id) == lot_id, col(Watch.closed_at).is_(None))
        .order_by(col(Watch.id))
    )
    return session.exec(statement.with_for_update()).all()


def standings(session: Session, rows: Sequence[Watch], *, at: datetime) -> list[Standing]:
    """How these watches stand, in their order. At most eleven queries, whatever their number.

    Of one that is closed: as it stood then. Cost grows with the feeds of their lots and the
    looks that were taken.
    """
    ids = [row.id or 0 for row in rows]
    eaten = eaten_of(session, list({row.lot_id for row in rows}))
    causes = _by_watch(session, WatchCause, ids, col(WatchCause.id))
    changes = _by_watch(session, WatchChange, ids, col(WatchChange.id))
    looks = _by_watch(
        session, WatchObservation, ids, col(WatchObservation.occurred_at), col(WatchObservation.id)
    )
    withdrawn = _withdrawn(session, [c.assay_id for each in causes.values() for c in each])
    codes = _codes(session, rows)
    others = _others(session, eaten, looks)
    return [
        Standing(
            row,
            *codes[row.id or 0],
            causes=tuple(causes[row.id or 0]),
            withdrawn=withdrawn,
            changes=tuple(changes[row.id or 0]),
            listed=tuple(
                _listed(row, in_all(eaten[row.lot_id], row.thaw_batch_id), looks, others, at)
            ),
            at=at,
        )
        for row in rows
    ]


def _listed(
    watch: Watch,
    eaten: Mapping[str, Eaten],
    looks: Mapping[int, Sequence[WatchObservation]],
    others: Mapping[str, Eater],
    at: datetime,
) -> list[Listed]:
    seen: dict[str, list[WatchObservation]] = defaultdict(list)
    for look in looks[watch.id or 0]:
        seen[key_of(look)].append(look)
    ate = [_one(watch, row.eater, row, seen.get(key, ()), at) for key, row in eaten.items()]
    rest = sorted((others[key] for key in seen if key not in eaten), key=lambda e: e.code)
    return ate + [_one(watch, eater, None, seen[eater.key], at) for eater in rest]


def _one(
    watch: Watch,
    eater: Eater,
    eaten: Eaten | None,
    looks: Sequence[WatchObservation],
    at: datetime,
) -> Listed:
    schedule = schedule_of(watch)
    left = eater.gone_on is not None and _left_by(eater.gone_on) <= watch.from_at
    if eaten is None or left or not is_watched(schedule, eaten.fed):
        return Listed(eater, eaten, False, None, (), tuple(looks))
    then = at if watch.closed_at is None else min(at, watch.closed_at)
    gone_at = _gone_at(eater, looks)
    rounds = rounds_of(schedule, eaten.fed, looks_of(looks), at=then, gone_at=gone_at)
    end_at = until(schedule, eaten.fed) if gone_at is None else gone_at
    return Listed(eater, eaten, True, end_at, rounds, tuple(looks))


def _gone_at(eater: Eater, looks: Sequence[WatchObservation]) -> datetime | None:
    """When it was found dead, else when its first day elsewhere had begun in every zone."""
    dead = [look.occurred_at for look in looks if Sign.DEAD in look.signs]
    if dead:
        return dead[0]
    return None if eater.gone_on is None else _left_by(eater.gone_on)


def _left_by(day: date) -> datetime:
    return datetime.combine(day, time(12), UTC)


def key_of(look: WatchObservation) -> str:
    """Whom somebody looked at, as `Eater.key`."""
    return f"animal:{look.animal_id}" if look.animal_id else f"group:{look.group_id}"


def _by_watch(
    session: Session, table: Any, ids: Sequence[int], *order: Any
) -> dict[int, list[Any]]:
    found: dict[int, list[Any]] = {id_: [] for id_ in ids}
    for row in session.exec(select(table).where(table.watch_id.in_(ids)).order_by(*order)):
        found[row.watch_id].append(row)
    return found


def _withdrawn(session: Session, assay_ids: Sequence[int | None]) -> frozenset[int]:
    statement = columns(col(AssayWithdrawal.assay_id)).where(
        col(AssayWithdrawal.assay_id).in_([id_ for id_ in assay_ids if id_ is not None])
    )
    return frozenset(session.execute(statement).scalars())


def _codes(session: Session, rows: Sequence[Watch]) -> dict[int, tuple[str, str | None]]:
    statement = (
        columns(col(Watch.id), col(Lot.code), col(ThawBatch.code))
        .join(Lot, col(Lot.id) == col(Watch.lot_id))
        .outerjoin(ThawBatch, col(ThawBatch.id) == col(Watch.thaw_batch_id))
        .where(col(Watch.id).in_([row.id for row in rows]))
    )
    return {number: (lot, batch) for number, lot, batch in session.execute(statement)}


def _others(
    session: Session,
    eaten: Mapping[int, Sequence[Eaten]],
    looks: Mapping[int, Sequence[WatchObservation]],
) -> dict[str, Eater]:
    """Whoever was looked at: of some no feed stands any more, or none was ever recorded."""
    known = {row.eater.key: row.eater for rows in eaten.values() for row in rows}
    seen = [look for each in looks.values() for look in each if key_of(look) not in known]
    animals = {look.animal_id for look in seen if look.animal_id is not None}
    groups = {look.group_id for look in seen if look.group_id is not None}
    if animals:
        for animal in session.exec(select(Animal).where(col(Animal.id).in_(animals))):
            known[f"animal:{animal.id}"] = Eater(
                animal.code, animal.name, animal.id, animal.gone_on
            )
    for group in _groups(session, groups):
        known[f"group:{group.id}"] = Eater(
            group.code, group.name, group_id=group.id, unnamed=group.unnamed
        )
    return known


def _groups(session: Session, ids: Collection[int]) -> Sequence[AnimalGroup]:
    if not ids:
        return ()
    return session.exec(select(AnimalGroup).where(col(AnimalGroup.id).in_(ids))).all()


def observations(
    session: Session, watch_id: int, *, limit: int, before_id: int | None
) -> tuple[Sequence[WatchObservation], Mapping[str, str]]:
    """The looks of a watch, the last recorded first, and the codes of whom. One query."""
    statement = (
        select(WatchObservation, col(Animal.code), col(AnimalGroup.code))
        .outerjoin(Animal, col(Animal.id) == col(WatchObservation.animal_id))
        .outerjoin(AnimalGroup, col(AnimalGroup.id) == col(WatchObservation.group_id))
        .where(col(WatchObservation.watch_id) == watch_id)
        .order_by(col(WatchObservation.id).desc())
        .limit(limit)
    )
    if before_id is not None:
        statement = statement.where(col(WatchObservation.id) < before_id)
    rows = session.execute(statement).all()
    return [row for row, *_ in rows], {key_of(row): animal or group for row, animal, group in rows}
