"""What happened to a lot, newest first: from the books, and from everybody who decided on it."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import func, or_
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
from service.lots.models import Hold, Lot, LotCorrection
from service.site.models import Place
from service.site.queries import SiteView

AT_ONCE = 400  # movements read for one page of a story


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

    Eleven queries; cost grows with the lot's own transfers, not with history.
    """
    until = None if before is None else view.start_of(before)
    booked = list(_movements(session, lot.id or 0, until))
    cut = len(booked) > AT_ONCE
    oldest = view.day_of(booked[AT_ONCE - 1].at) if cut else None
    told = [*_fold(booked[:AT_ONCE], view), *_decided(session, lot)]
    inside = [e for e in told if until is None or e.at < until]
    inside.sort(key=lambda e: (e.at, e.number or 0), reverse=True)
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
    """The newest movements of a lot, one event each. Four queries."""
    carried = columns(col(Transfer.movement_id)).where(col(Transfer.lot_id) == lot_id)
    counted = columns(col(StockCount.id)).where(col(StockCount.lot_id) == lot_id)
    undo, original = aliased(Movement), aliased(Movement)
    statement = (
        columns(Movement, col(undo.id), col(original.kind), col(StockCount.counted_g))
        .outerjoin(undo, col(undo.reverses_id) == col(Movement.id))
        .outerjoin(original, col(original.id) == col(Movement.reverses_id))
        .outerjoin(StockCount, col(StockCount.id) == col(Movement.count_id))
        .where(or_(col(Movement.id).in_(carried), col(Movement.count_id).in_(counted)))
        .order_by(col(Movement.occurred_at).desc(), col(Movement.id).desc())
        .limit(AT_ONCE + 1)
    )
    if until is not None:
        statement = statement.where(col(Movement.occurred_at) < until)
    rows = session.execute(statement).all()
    ends = _ends(session, lot_id, [row[0].id for row in rows])
    eaters = _eaters(session, [row[0].id for row in rows if row[0].kind == MovementKind.FED])
    for movement, undone_by, of_kind, counted_g in rows:
        yield _event(
            movement,
            ends[movement.id],
            eaters=eaters[movement.id],
            taken_back=undone_by is not None,
            of_kind=of_kind,
            counted_g=counted_g,
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
    statement = (
        columns(*key, func.sum(col(Transfer.grams)))
        .select_from(Transfer)
        .outerjoin(source, col(source.id) == col(Transfer.from_parcel_id))
        .outerjoin(target, col(target.id) == col(Transfer.to_parcel_id))
        .outerjoin(here, col(here.id) == col(source.place_id))
        .outerjoin(there, col(there.id) == col(target.place_id))
        .outerjoin(ThawBatch, col(ThawBatch.id) == batch)
        .where(col(Transfer.lot_id) == lot_id, col(Transfer.movement_id).in_(ids))
        .group_by(*key)
    )
    found: dict[int, _Ends] = defaultdict(_Ends)
    for movement, from_account, to_account, origin, goal, code, grams in session.execute(statement):
        ends = found[movement]
        ends.grams += int(grams)
        ends.from_place, ends.to_place = origin or ends.from_place, goal or ends.to_place
        ends.thaw_batch = code or ends.thaw_batch
        if to_account is not None:
            ends.accounts[to_account] += int(grams)
        if from_account is not None:
            ends.accounts[from_account] -= int(grams)
    return found


def _eaters(session: Session, movement_ids: Collection[int]) -> Mapping[int, frozenset[str]]:
    """Whom the feeds of these movements were for. One query."""
    statement = (
        columns(col(Feed.movement_id), func.coalesce(col(Animal.code), col(AnimalGroup.code)))
        .outerjoin(Animal, col(Animal.id) == col(Feed.animal_id))
        .outerjoin(AnimalGroup, col(AnimalGroup.id) == col(Feed.group_id))
        .where(col(Feed.movement_id).in_(movement_ids))
    )
    found: dict[int, frozenset[str]] = defaultdict(frozenset)
    for movement, code in session.execute(statement):
        found[movement] = frozenset({code} - {None})
    return found


def _event(
    movement: Movement,
    ends: _Ends,
    *,
    eaters: frozenset[str],
    taken_back: bool,
    of_kind: str | None,
    counted_g: int | None,
) -> Event:
    return Event(
        kind=MovementKind(movement.kind),
        at=movement.occurred_at,
        by=movement.by,
        grams=ends.grams if counted_g is None else counted_g,
        from_place=ends.from_place,
        to_place=ends.to_place,
        thaw_batch=ends.thaw_batch,
        reason=movement.reason,
        number=movement.id,
        difference_g=-ends.accounts[Account.COUNT_DIFFERENCE],
        eaten_g=ends.accounts[Account.EATEN],
        left_g=ends.accounts[Account.LEFT],
        eaters=eaters,
        taken_back=int(taken_back),
        of_kind=None if of_kind is None else MovementKind(of_kind),
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
    """What people decided on a lot, found in it and corrected of it. Six queries."""
    yield from _holds(session, lot)
    if lot.rejected_at is not None:
        yield Event(
            Told.REJECTED, lot.rejected_at, by=lot.rejected_by or "", reason=lot.rejected_because
        )
    for each in session.exec(select(LotCorrection).where(col(LotCorrection.lot_id) == lot.id)):
        detail = (each.field, each.before or "", each.after or "")
        yield Event(
            Told.CORRECTED, each.corrected_at, by=each.by, reason=each.reason, detail=detail
        )
    yield from _inspected(session, lot)
    yield from _assayed(session, lot)
    yield from _excursions(session, lot)


def _holds(session: Session, lot: Lot) -> Iterator[Event]:
    for hold in session.exec(select(Hold).where(col(Hold.lot_id) == lot.id)):
        yield Event(Told.HELD, hold.placed_at, by=hold.placed_by, reason=hold.reason)
        if hold.released_at is not None:
            by, why = hold.released_by or "", hold.release_reason
            yield Event(Told.RELEASED, hold.released_at, by=by, reason=why)


def _inspected(session: Session, lot: Lot) -> Iterator[Event]:
    statement = (
        select(InspectionSignature)
        .join(
            InspectionLot,
            col(InspectionLot.inspection_id) == col(InspectionSignature.inspection_id),
        )
        .where(col(InspectionLot.lot_id) == lot.id)
    )
    for signed in session.exec(statement):
        yield Event(
            Told.INSPECTED,
            signed.signed_at,
            by=signed.by,
            reason=signed.reason,
            number=signed.inspection_id,
            detail=(signed.lots.get(lot.code, signed.decision),),
        )


def _assayed(session: Session, lot: Lot) -> Iterator[Event]:
    statement: Any = (
        select(Assay, AssayWithdrawal)
        .outerjoin(AssayWithdrawal, col(AssayWithdrawal.assay_id) == col(Assay.id))
        .where(col(Assay.lot_id) == lot.id)
    )
    for assay, withdrawn in session.exec(statement):
        detail = (assay.laboratory,)
        yield Event(
            Told.ASSAYED, assay.recorded_at, by=assay.by, number=assay.id, detail=detail,
            taken_back=int(withdrawn is not None),
        )  # fmt: skip
        if withdrawn is not None:
            yield Event(
                Told.ASSAY_WITHDRAWN,
                withdrawn.withdrawn_at,
                by=withdrawn.by,
                reason=withdrawn.reason,
                number=assay.id,
                detail=detail,
            )


def _excursions(session: Session, lot: Lot) -> Iterator[Event]:
    met_from = func.min(col(ExcursionParcel.from_at))
    statement = (
        columns(Excursion, col(Place.code), met_from)
        .join(ExcursionParcel, col(ExcursionParcel.excursion_id) == col(Excursion.id))
        .join(Parcel, col(Parcel.id) == col(ExcursionParcel.parcel_id))
        .join(Place, col(Place.id) == col(Excursion.place_id))
        .where(
            col(Parcel.lot_id) == lot.id,
            col(Excursion.state) != ExcursionState.WITHDRAWN,
            col(Excursion.merged_into_id).is_(None),
        )
        .group_by(col(Excursion.id), col(Place.code))
    )
    for excursion, place, _ in session.execute(statement):
        peak = () if excursion.peak_c is None else (str(excursion.peak_c),)
        yield Event(
            Told.EXCURSION,
            excursion.from_at,
            from_place=place,
            number=excursion.id,
            until=excursion.ended_at,
            reason=excursion.kind,
            detail=(excursion.state, *peak),
        )
