"""What happened to a lot, newest first: from the books, and from everybody who decided on it."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from enum import StrEnum
from functools import lru_cache
from typing import Any

from sqlalchemy import Row, bindparam, func
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from service.animals.models import Animal, AnimalGroup
from service.assays.models import Assay, AssayWithdrawal
from service.excursions.models import Excursion, ExcursionParcel
from service.excursions.rules import ExcursionState
from service.feeding.models import Feed
from service.inspections.models import InspectionLot, InspectionSignature
from service.ledger.models import Movement, Parcel, StockCount, ThawBatch, Transfer
from service.ledger.rules import Account, MovementKind
from service.lots import queries as lots
from service.lots.models import Lot
from service.site.models import Place
from service.site.queries import SiteView

AT_ONCE = 250  # movements read for one page of a story
FAR_OFF = datetime(2200, 1, 1, tzinfo=UTC)  # beyond all that is stored


class Told(StrEnum):
    """What happened to a lot besides the events of the ledger."""

    HELD = "held"
    RELEASED = "released"
    REJECTED = "rejected"
    CORRECTED = "corrected"
    INSPECTED = "inspected"
    ASSAYED = "assayed"
    ASSAY_WITHDRAWN = "assay_withdrawn"
    EXCURSION = "excursion"


@dataclass(frozen=True)
class Event:
    """Something that happened to a lot. Feeds of a day are one event.

    grams: carried; of a count what was counted. eaten_g, left_g: of feeds. eaters: codes of
    the animals and groups that were fed. number: of the movement, inspection or excursion.
    times: how many feeds. taken_back: it does not count any more; of feeds, how many.
    """

    kind: MovementKind | Told
    at: datetime
    by: str = ""
    grams: int = 0
    from_place: str | None = None
    to_place: str | None = None
    thaw_batch: str | None = None
    reason: str | None = None
    number: int | None = None
    until: datetime | None = None
    detail: tuple[str, ...] = ()
    difference_g: int = 0
    eaten_g: int = 0
    left_g: int = 0
    eaters: frozenset[str] = frozenset()
    times: int = 1
    taken_back: int = 0
    of_kind: MovementKind | None = None


@dataclass(frozen=True)
class Story:
    """Events newest first, whole days; `earlier`: the day before which there is more."""

    events: Sequence[Event]
    earlier: date | None


def story(session: Session, lot: Lot, view: SiteView, *, before: date | None, most: int) -> Story:
    """The newest events of a lot before a day, about `most` of them, in whole days.

    Eight queries; cost grows with the lot's own transfers, not with history.
    """
    until = None if before is None else view.start_of(before)
    booked = list(_movements(session, lot.id or 0, until))
    cut = len(booked) > AT_ONCE
    oldest = view.day_of(booked[AT_ONCE - 1].at) if cut else None
    told = [*_fold(booked[:AT_ONCE], view), *_decided(session, lot)]
    inside = [e for e in told if until is None or e.at < until]
    inside.sort(key=lambda e: (e.at, isinstance(e.kind, Told), e.number or 0), reverse=True)
    return _whole_days(inside, view, most=most, oldest=oldest)


def _whole_days(
    events: Sequence[Event], view: SiteView, *, most: int, oldest: date | None
) -> Story:
    """The newest whole days; of a day of which not every movement was read, none unless it is
    the only one."""
    shown: list[Event] = []
    last: date | None = None
    for event in events:
        day = view.day_of(event.at)
        cut_off = oldest is not None and day <= oldest
        if last is not None and day != last and (len(shown) >= most or cut_off):
            return Story(shown, last)
        shown.append(event)
        last = day
    return Story(shown, last if oldest is not None else None)


def _movements(session: Session, lot_id: int, until: datetime | None) -> Iterator[Event]:
    """The newest movements of a lot, one event each. Three queries."""
    given = {"lot": lot_id, "until": until or FAR_OFF, "most": AT_ONCE + 1}
    rows = session.execute(_movements_select(), given).all()
    ends = _ends(session, lot_id, [row.id for row in rows])
    eaters = _eaters(session, [row.id for row in rows if row.kind == MovementKind.FED])
    for row in rows:
        yield _event(row, ends[row.id], eaters[row.id])


@lru_cache(maxsize=1)
def _movements_select() -> Any:
    """The select of `_movements`, built once: building its aliases costs more than running it."""
    undo, original = aliased(Movement), aliased(Movement)
    carried = columns(col(Transfer.movement_id)).where(col(Transfer.lot_id) == bindparam("lot"))
    counted = columns(col(StockCount.id)).where(col(StockCount.lot_id) == bindparam("lot"))
    by_count = columns(col(Movement.id)).where(col(Movement.count_id).in_(counted))
    return (
        columns(
            col(Movement.id),
            col(Movement.kind),
            col(Movement.occurred_at),
            col(Movement.by),
            col(Movement.reason),
            col(undo.id).label("undone_by"),
            col(original.kind).label("of_kind"),
            col(StockCount.counted_g),
        )
        .outerjoin(undo, col(undo.reverses_id) == col(Movement.id))
        .outerjoin(original, col(original.id) == col(Movement.reverses_id))
        .outerjoin(StockCount, col(StockCount.id) == col(Movement.count_id))
        .where(
            col(Movement.id).in_(carried.union(by_count)),
            col(Movement.occurred_at) < bindparam("until"),
        )
        .order_by(col(Movement.occurred_at).desc(), col(Movement.id).desc())
        .limit(bindparam("most"))
    )


@dataclass
class _Ends:
    """What one movement carried of a lot, between which places and accounts."""

    grams: int = 0
    from_place: str | None = None
    to_place: str | None = None
    thaw_batch: str | None = None
    accounts: dict[str, int] = field(default_factory=lambda: defaultdict(int))


def _ends(session: Session, lot_id: int, ids: Collection[int]) -> Mapping[int, _Ends]:
    """What each of these movements carried of a lot. One query."""
    rows = session.execute(_ends_select(), {"lot": lot_id, "ids": list(ids)})
    found: dict[int, _Ends] = defaultdict(_Ends)
    for movement, from_account, to_account, origin, goal, code, grams in rows:
        ends = found[movement]
        ends.grams += int(grams)
        ends.from_place, ends.to_place = origin or ends.from_place, goal or ends.to_place
        ends.thaw_batch = code or ends.thaw_batch
        if to_account is not None:
            ends.accounts[to_account] += int(grams)
        if from_account is not None:
            ends.accounts[from_account] -= int(grams)
    return found


@lru_cache(maxsize=1)
def _ends_select() -> Any:
    source, target = aliased(Parcel), aliased(Parcel)
    here, there = aliased(Place), aliased(Place)
    batch = func.coalesce(col(target.thaw_batch_id), col(source.thaw_batch_id))
    key = (
        col(Transfer.movement_id),
        col(Transfer.from_account),
        col(Transfer.to_account),
        col(here.code),
        col(there.code),
        col(ThawBatch.code),
    )
    return (
        columns(*key, func.sum(col(Transfer.grams)))
        .select_from(Transfer)
        .outerjoin(source, col(source.id) == col(Transfer.from_parcel_id))
        .outerjoin(target, col(target.id) == col(Transfer.to_parcel_id))
        .outerjoin(here, col(here.id) == col(source.place_id))
        .outerjoin(there, col(there.id) == col(target.place_id))
        .outerjoin(ThawBatch, col(ThawBatch.id) == batch)
        .where(
            col(Transfer.lot_id) == bindparam("lot"),
            col(Transfer.movement_id).in_(bindparam("ids", expanding=True)),
        )
        .group_by(*key)
    )


def _eaters(session: Session, movement_ids: Collection[int]) -> Mapping[int, frozenset[str]]:
    """Whom the feeds of these movements were for. One query."""
    rows = session.execute(_eaters_select(), {"ids": list(movement_ids)})
    found: dict[int, frozenset[str]] = defaultdict(frozenset)
    for movement, code in rows:
        found[movement] = frozenset({code} - {None})
    return found


@lru_cache(maxsize=1)
def _eaters_select() -> Any:
    return (
        columns(col(Feed.movement_id), func.coalesce(col(Animal.code), col(AnimalGroup.code)))
        .outerjoin(Animal, col(Animal.id) == col(Feed.animal_id))
        .outerjoin(AnimalGroup, col(AnimalGroup.id) == col(Feed.group_id))
        .where(col(Feed.movement_id).in_(bindparam("ids", expanding=True)))
    )


def _event(row: Row[Any], ends: _Ends, eaters: frozenset[str]) -> Event:
    return Event(
        kind=MovementKind(row.kind),
        at=row.occurred_at,
        by=row.by,
        grams=ends.grams if row.counted_g is None else row.counted_g,
        from_place=ends.from_place,
        to_place=ends.to_place,
        thaw_batch=ends.thaw_batch,
        reason=row.reason,
        number=row.id,
        difference_g=-ends.accounts[Account.COUNT_DIFFERENCE],
        eaten_g=ends.accounts[Account.EATEN],
        left_g=ends.accounts[Account.LEFT],
        eaters=eaters,
        taken_back=int(row.undone_by is not None),
        of_kind=None if row.of_kind is None else MovementKind(row.of_kind),
    )


def _fold(events: Sequence[Event], view: SiteView) -> Iterator[Event]:
    """The feeds of each day as one event, with how many were taken back; and all the rest."""
    fed: dict[date, list[Event]] = defaultdict(list)
    for event in events:
        if event.kind is MovementKind.FED:
            fed[view.day_of(event.at)].append(event)
        elif not (event.kind is MovementKind.REVERSED and event.of_kind is MovementKind.FED):
            yield event
    for feeds in fed.values():
        stand = [each for each in feeds if not each.taken_back]
        yield replace(
            feeds[0],
            eaten_g=sum(each.eaten_g for each in stand),
            left_g=sum(each.left_g for each in stand),
            grams=sum(each.grams for each in stand),
            eaters=frozenset().union(*(each.eaters for each in stand)),
            by=", ".join(sorted({each.by for each in stand})),
            times=len(stand),
            taken_back=len(feeds) - len(stand),
        )


def _decided(session: Session, lot: Lot) -> Iterator[Event]:
    """What people decided on a lot, found in it and corrected of it. Five queries."""
    yield from _holds(session, lot)
    if lot.rejected_at is not None:
        yield Event(
            Told.REJECTED, lot.rejected_at, by=lot.rejected_by or "", reason=lot.rejected_because
        )
    for each in lots.corrections(session, lot.id or 0):
        detail = (each.field, each.before or "", each.after or "")
        yield Event(
            Told.CORRECTED, each.corrected_at, by=each.by, reason=each.reason, detail=detail
        )
    yield from _inspected(session, lot)
    yield from _assayed(session, lot)
    yield from _excursions(session, lot)


def _holds(session: Session, lot: Lot) -> Iterator[Event]:
    for hold in lots.holds(session, lot.id or 0):
        yield Event(Told.HELD, hold.placed_at, by=hold.placed_by, reason=hold.reason)
        if hold.released_at is not None:
            by, why = hold.released_by or "", hold.release_reason
            yield Event(Told.RELEASED, hold.released_at, by=by, reason=why)


def _inspected(session: Session, lot: Lot) -> Iterator[Event]:
    for signed in session.execute(_signed_select(), {"lot": lot.id}).scalars():
        yield Event(
            Told.INSPECTED,
            signed.signed_at,
            by=signed.by,
            reason=signed.reason,
            number=signed.inspection_id,
            detail=(signed.lots.get(lot.code, signed.decision),),
        )


@lru_cache(maxsize=1)
def _signed_select() -> Any:
    inspection = col(InspectionLot.inspection_id)
    return (
        select(InspectionSignature)
        .join(InspectionLot, inspection == col(InspectionSignature.inspection_id))
        .where(col(InspectionLot.lot_id) == bindparam("lot"))
    )


def _assayed(session: Session, lot: Lot) -> Iterator[Event]:
    for assay, withdrawn in session.execute(_assays_select(), {"lot": lot.id}):
        detail = (assay.laboratory,)
        told = Event(Told.ASSAYED, assay.recorded_at, by=assay.by, number=assay.id, detail=detail)
        yield told if withdrawn is None else replace(told, taken_back=1)
        if withdrawn is not None:
            yield Event(
                Told.ASSAY_WITHDRAWN,
                withdrawn.withdrawn_at,
                by=withdrawn.by,
                reason=withdrawn.reason,
                number=assay.id,
                detail=detail,
            )


@lru_cache(maxsize=1)
def _assays_select() -> Any:
    return (
        select(Assay, AssayWithdrawal)
        .outerjoin(AssayWithdrawal, col(AssayWithdrawal.assay_id) == col(Assay.id))
        .where(col(Assay.lot_id) == bindparam("lot"))
    )


def _excursions(session: Session, lot: Lot) -> Iterator[Event]:
    for row in session.execute(_excursions_select(), {"lot": lot.id}):
        peak = () if row.peak_c is None else (str(row.peak_c),)
        yield Event(
            Told.EXCURSION,
            row.from_at,
            from_place=row.place,
            number=row.id,
            until=row.ended_at,
            reason=row.kind,
            detail=(row.state, *peak),
        )


@lru_cache(maxsize=1)
def _excursions_select() -> Any:
    return (
        columns(
            col(Excursion.id),
            col(Excursion.kind),
            col(Excursion.state),
            col(Excursion.from_at),
            col(Excursion.ended_at),
            col(Excursion.peak_c),
            col(Place.code).label("place"),
        )
        .join(ExcursionParcel, col(ExcursionParcel.excursion_id) == col(Excursion.id))
        .join(Parcel, col(Parcel.id) == col(ExcursionParcel.parcel_id))
        .join(Place, col(Place.id) == col(Excursion.place_id))
        .where(
            col(Parcel.lot_id) == bindparam("lot"),
            col(Excursion.state) != ExcursionState.WITHDRAWN,
            col(Excursion.merged_into_id).is_(None),
        )
        .distinct()
    )
