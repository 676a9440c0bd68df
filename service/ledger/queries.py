"""Every select of the books."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import (
    BindParameter,
    ColumnElement,
    Row,
    and_,
    bindparam,
    case,
    exists,
    func,
    literal,
    literal_column,
    or_,
)
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from service.database import rows_where_in
from service.errors import NotFound
from service.ledger.models import Movement, Parcel, Reservation, StockCount, ThawBatch, Transfer
from service.ledger.rules import (
    DOOR_OPENING,
    Account,
    Batch,
    Flow,
    FreezerParcel,
    Holding,
    MovementKind,
    Pool,
)
from service.ledger.schemas import MovementOut, TransferOut
from service.lots import queries as lots
from service.lots.models import Hold, Lot
from service.lots.queries import facts_of
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind, UseOrder


@dataclass(frozen=True)
class Stay:
    """One parcel's time in one place, from its opening until its child's."""

    place_id: int
    from_at: datetime
    until_at: datetime


def reserved(
    at: datetime | BindParameter[datetime], *, but_for: int | BindParameter[int] | None = None
) -> ColumnElement[int]:
    """Grams of a parcel that live reservations keep, as a column of a parcel query."""
    live = [
        col(Reservation.parcel_id) == col(Parcel.id),
        col(Reservation.released_at).is_(None),
        col(Reservation.until) > at,
    ]
    if but_for is not None:
        live.append(col(Reservation.thaw_request_id) != but_for)
    total = columns(func.coalesce(func.sum(col(Reservation.grams)), 0)).where(*live)
    return total.correlate(Parcel).scalar_subquery()


def is_held() -> ColumnElement[bool]:
    """Whether a lot has an open hold, as a condition of a lot query."""
    return (
        columns(literal(1))
        .select_from(Hold)
        .where(col(Hold.lot_id) == col(Lot.id), col(Hold.released_at).is_(None))
        .correlate(Lot)
        .exists()
    )


def holdings(
    session: Session,
    lot_id: int,
    place_id: int,
    *,
    at: datetime,
    now: datetime,
    but_for: int | None = None,
    parcel_id: int | None = None,
    loose: bool = False,
) -> list[Holding]:
    """A lot's parcels in a place that were open at `at`, most exposed first. One query.

    Fish that was put back comes first, then what has been here longest. `loose`
    leaves out fish that is in a thaw batch.
    """
    statement = _holdings_select(but_for is not None, parcel_id is not None, loose)
    rows = session.execute(
        statement,
        {
            "of_lot": lot_id,
            "in_place": place_id,
            "open_at": at,
            "now": now,
            "but_for": but_for,
            "only": parcel_id,
        },
    )
    return [
        Holding(
            row.id,
            row.grams,
            max(0, row.grams - int(row.reserved)),
            row.cartons,
            bool(row.put_back),
        )
        for row in rows
    ]


@lru_cache(maxsize=8)
def _holdings_select(with_own: bool, one_parcel: bool, loose: bool) -> Any:
    """The select of `holdings`, built once: building its alias costs more than running it."""
    parent = aliased(Parcel)
    came_back = and_(col(parent.thaw_batch_id).is_not(None), col(Parcel.thaw_batch_id).is_(None))
    but_for: BindParameter[int] | None = bindparam("but_for") if with_own else None
    statement = (
        columns(
            col(Parcel.id),
            col(Parcel.grams),
            col(Parcel.cartons),
            reserved(bindparam("now"), but_for=but_for).label("reserved"),
            came_back.label("put_back"),
        )
        .outerjoin(parent, col(parent.id) == col(Parcel.parent_id))
        .where(
            col(Parcel.lot_id) == bindparam("of_lot"),
            col(Parcel.place_id) == bindparam("in_place"),
            col(Parcel.opened_at) <= bindparam("open_at"),
            col(Parcel.grams) > 0,
        )
        .order_by(case((came_back, 0), else_=1), col(Parcel.opened_at), col(Parcel.id))
    )
    if one_parcel:
        statement = statement.where(col(Parcel.id) == bindparam("only"))
    if loose:
        statement = statement.where(col(Parcel.thaw_batch_id).is_(None))
    return statement


def batch_holdings(session: Session, batch_id: int, *, at: datetime) -> list[Holding]:
    """A thaw batch's parcels that were open at `at`, oldest first. One query."""
    there = [p for p in batch_parcels(session, [batch_id]) if p.opened_at <= at and p.grams > 0]
    there.sort(key=lambda p: (p.opened_at, p.id or 0))
    return [Holding(p.id or 0, p.grams, p.grams, None) for p in there]


def parcels_by_id(session: Session, ids: Sequence[int]) -> dict[int, Parcel]:
    """The parcels of these ids. One query; the species lock is already held."""
    found = session.execute(rows_where_in(Parcel.id), {"keys": list(set(ids))}).scalars()
    return {p.id: p for p in found if p.id is not None}


def _freezer_select(site_id: int, now: datetime, but_for: int | None) -> Any:
    return (
        columns(
            Lot,
            is_held().label("held"),
            col(Parcel.id).label("parcel_id"),
            col(Parcel.grams),
            col(Parcel.cartons),
            col(Place.code).label("place_code"),
            reserved(now, but_for=but_for).label("reserved"),
        )
        .join(Parcel, col(Parcel.lot_id) == col(Lot.id))
        .join(Place, col(Place.id) == col(Parcel.place_id))
        .where(
            col(Lot.site_id) == site_id,
            col(Place.kind) == PlaceKind.FREEZER,
            col(Parcel.grams) > literal_column("0"),
            col(Parcel.thaw_batch_id).is_(None),
        )
    )


def freezer_stock(
    session: Session, species: str, *, site_id: int, now: datetime, order: UseOrder
) -> Iterator[FreezerParcel]:
    """Parcels of a species in freezers in the order in which they must be used.

    Rows are read as they are needed: a plan that needs three lots reads three.
    """
    first = col(Lot.received_on) if order is UseOrder.FIRST_RECEIVED else col(Lot.age_from)
    # What is reserved and held is asked of those alone that are looked at: as columns of
    # this select it would be worked out for the whole store before it is sorted.
    statement: Any = (
        columns(
            col(Parcel.id).label("parcel_id"),
            col(Parcel.lot_id),
            col(Parcel.grams),
            col(Parcel.cartons),
            col(Place.code).label("place_code"),
        )
        .join(Lot, col(Lot.id) == col(Parcel.lot_id))
        .join(Place, col(Place.id) == col(Parcel.place_id))
        .where(
            col(Lot.site_id) == site_id,
            col(Place.kind) == PlaceKind.FREEZER,
            col(Parcel.grams) > literal_column("0"),  # as `ix_parcel_loose` has it
            col(Parcel.thaw_batch_id).is_(None),
            col(Lot.species_code) == species,
            col(Lot.rejected_at).is_(None),
        )
        .order_by(first.nulls_last(), col(Lot.id), col(Parcel.opened_at), col(Parcel.id))
        .execution_options(yield_per=AT_ONCE)
    )
    for rows in session.execute(statement).partitions():
        yield from _freezer_parcels(session, rows, now)


AT_ONCE = 50  # parcels that are looked at together


def _freezer_parcels(
    session: Session, rows: Sequence[Row[Any]], now: datetime
) -> Iterator[FreezerParcel]:
    """Parcels, what is reserved of them, and what is known of their lots. Three queries."""
    kept = reserved_grams(session, [row.parcel_id for row in rows], now=now)
    found = lots.lots_by_id(session, [row.lot_id for row in rows])
    facts = lots.facts(session, list(found.values()))
    for row in rows:
        available = max(0, row.grams - kept.get(row.parcel_id, 0))
        yield FreezerParcel(
            lot=facts[row.lot_id],
            lot_id=row.lot_id,
            form=found[row.lot_id].form,
            place=row.place_code,
            holding=Holding(row.parcel_id, row.grams, available, row.cartons),
        )


def reserved_grams(session: Session, parcel_ids: Sequence[int], *, now: datetime) -> dict[int, int]:
    """What live reservations keep of these parcels, of those with any. One query."""
    rows = session.execute(_reserved_select(), {"parcels": list(parcel_ids), "now": now})
    return {parcel: int(grams) for parcel, grams in rows}


@lru_cache(maxsize=1)
def _reserved_select() -> Any:
    return (
        columns(col(Reservation.parcel_id), func.sum(col(Reservation.grams)))
        .where(
            col(Reservation.parcel_id).in_(bindparam("parcels", expanding=True)),
            col(Reservation.released_at).is_(None),
            col(Reservation.until) > bindparam("now"),
        )
        .group_by(col(Reservation.parcel_id))
    )


def older_available(
    session: Session, lot: Lot, *, now: datetime, order: UseOrder, but_for: int | None
) -> Iterator[FreezerParcel]:
    """Parcels of earlier lots of the same fish in freezers, not held and not reserved.

    Earliest first, read as they are needed: who asks stops at the first that counts.
    """
    first = col(Lot.received_on) if order is UseOrder.FIRST_RECEIVED else col(Lot.age_from)
    own = lot.received_on if order is UseOrder.FIRST_RECEIVED else lot.age_from
    grade = (
        col(Lot.size_grade).is_(None)
        if lot.size_grade is None
        else col(Lot.size_grade) == lot.size_grade
    )
    statement = (
        _freezer_select(lot.site_id, now, but_for)
        .where(
            col(Lot.species_code) == lot.species_code,
            col(Lot.part) == lot.part,
            grade,
            col(Lot.rejected_at).is_(None),
            ~is_held(),
        )
        .order_by(first, col(Lot.id), col(Parcel.id))
        .execution_options(yield_per=50)
    )
    if own is not None:
        statement = statement.where(first < own)
    else:
        statement = statement.where(col(Lot.id) != lot.id, first.is_not(None))
    for row in session.execute(statement):
        found = _freezer_parcel(row)
        if found.holding.available > 0:
            yield found


def _freezer_parcel(row: Row[Any]) -> FreezerParcel:
    holding = Holding(row.parcel_id, row.grams, max(0, row.grams - int(row.reserved)), row.cartons)
    return FreezerParcel(
        lot=facts_of(row.Lot, held=bool(row.held)),
        lot_id=row.Lot.id,
        form=row.Lot.form,
        place=row.place_code,
        holding=holding,
    )


def stock_rows(
    session: Session,
    *,
    site_ids: Sequence[int],
    now: datetime,
    species: str | None,
    place_id: int | None,
    lot_id: int | None,
    after_id: int,
    limit: int,
) -> Sequence[Row[Any]]:
    """Parcels on hand by id. One query."""
    statement: Any = (
        columns(
            col(Parcel.id),
            col(Parcel.grams),
            col(Parcel.cartons),
            col(Parcel.opened_at),
            col(Lot.code).label("lot"),
            col(Lot.species_code),
            col(Lot.site_id),
            col(Lot.form),
            col(Place.code).label("place"),
            col(ThawBatch.code).label("thaw_batch"),
            reserved(now).label("reserved"),
        )
        .join(Lot, col(Lot.id) == col(Parcel.lot_id))
        .join(Place, col(Place.id) == col(Parcel.place_id))
        .outerjoin(ThawBatch, col(ThawBatch.id) == col(Parcel.thaw_batch_id))
        .where(col(Parcel.grams) > 0, col(Parcel.id) > after_id, col(Lot.site_id).in_(site_ids))
        .order_by(col(Parcel.id))
        .limit(limit)
    )
    if species is not None:
        statement = statement.where(col(Lot.species_code) == species.upper())
    if place_id is not None:
        statement = statement.where(col(Parcel.place_id) == place_id)
    if lot_id is not None:
        statement = statement.where(col(Parcel.lot_id) == lot_id)
    rows: Sequence[Row[Any]] = session.execute(statement).all()
    return rows


def on_hand(session: Session, site_id: int) -> dict[int, tuple[int, int]]:
    """By lot of a site: in how many parcels it lies, and how many grams. One query, over what
    is on hand alone."""
    held = _held_parcels()
    statement: Any = (
        columns(held.c.lot_id, func.count(), func.sum(held.c.grams))
        .join(Lot, col(Lot.id) == held.c.lot_id)
        .where(col(Lot.site_id) == site_id)
        .group_by(held.c.lot_id)
    )
    rows = session.execute(statement).all()
    return {lot_id: (parcels, int(grams)) for lot_id, parcels, grams in rows}


def grams_by_place(session: Session) -> dict[int, int]:
    """How many grams lie in each place; places without fish are left out. One query, over what
    is on hand alone."""
    return {place_id: int(grams) for place_id, grams in session.execute(_grams_by_place())}


@lru_cache(maxsize=1)
def _grams_by_place() -> Any:
    """Built once: every look at the cold rooms asks it."""
    held = _held_parcels()
    return columns(held.c.place_id, func.sum(held.c.grams)).group_by(held.c.place_id)


def lots_in(session: Session, place_id: int, *, limit: int) -> Sequence[Row[Any]]:
    """The lots in a place by code: code, species, grams. One query, over what is on hand alone."""
    held = _held_parcels()
    statement: Any = (
        columns(
            col(Lot.code).label("lot"),
            col(Lot.species_code).label("species"),
            func.sum(held.c.grams).label("grams"),
        )
        .join(Lot, col(Lot.id) == held.c.lot_id)
        .where(held.c.place_id == place_id)
        .group_by(col(Lot.code), col(Lot.species_code))
        .order_by(col(Lot.code))
        .limit(limit)
    )
    rows: Sequence[Row[Any]] = session.execute(statement).all()
    return rows


@lru_cache(maxsize=1)
def _held_parcels() -> Any:
    """Parcels that hold fish, by the two partial indexes: never those that are long empty."""
    some = col(Parcel.grams) > literal_column("0")
    wanted = columns(col(Parcel.lot_id), col(Parcel.place_id), col(Parcel.grams))
    loose = wanted.where(some, col(Parcel.thaw_batch_id).is_(None))
    thawing = wanted.where(some, col(Parcel.thaw_batch_id).is_not(None))
    return loose.union_all(thawing).subquery()


def door_openings(
    session: Session, place_id: int, from_at: datetime, to_at: datetime, *, limit: int
) -> Sequence[Row[Any]]:
    """When fish was put into a place or taken out, newest first: at, kind, lot, into, grams.

    What was reversed is left out. One query; cost grows with what was recorded since `from_at`.
    """
    rows: Sequence[Row[Any]] = session.execute(
        _openings_select(limit), {"place": place_id, "begin": from_at, "end": to_at}
    ).all()
    return rows


@lru_cache(maxsize=4)
def _openings_select(limit: int) -> Any:
    """The select of `door_openings`, built once for each limit."""
    undone, target = aliased(Movement), aliased(Parcel)
    recorded_at: Any = col(Movement.recorded_at)
    place: Any = bindparam("place")
    begin: Any = bindparam("begin", type_=recorded_at.type)
    end: Any = bindparam("end", type_=recorded_at.type)
    earlier = (
        columns(col(Movement.id))
        .where(col(Movement.recorded_at) < begin)
        .order_by(col(Movement.id).desc())
        .limit(1)
        .scalar_subquery()
    )
    into = case((col(target.place_id) == place, 1), else_=0)
    return (
        columns(
            col(Movement.occurred_at).label("at"),
            col(Movement.kind).label("kind"),
            col(Lot.code).label("lot"),
            func.max(into).label("into"),
            func.sum(col(Transfer.grams)).label("grams"),
        )
        .join(Transfer, col(Transfer.movement_id) == col(Movement.id))
        .join(Lot, col(Lot.id) == col(Transfer.lot_id))
        .outerjoin(Parcel, col(Parcel.id) == col(Transfer.from_parcel_id))
        .outerjoin(target, col(target.id) == col(Transfer.to_parcel_id))
        .where(
            col(Movement.id) > func.coalesce(earlier, 0),
            col(Movement.kind).in_(DOOR_OPENING),
            col(Movement.occurred_at) >= begin,
            col(Movement.occurred_at) < end,
            or_(col(Parcel.place_id) == place, col(target.place_id) == place),
            ~exists().where(col(undone.reverses_id) == col(Movement.id)),
        )
        .group_by(col(Movement.id), col(Movement.occurred_at), col(Movement.kind), col(Lot.code))
        .order_by(col(Movement.id).desc())
        .limit(limit)
    )


def movement_by_id(session: Session, movement_id: int, *, by: Actor) -> Movement:
    """The movement of this number. Raises NotFound, and NotAllowed at somebody else's site."""
    movement = session.get(Movement, movement_id)
    if movement is None:
        raise NotFound.of("movement", movement_id, "movement")
    by.ensure_site(movement.site_id)
    return movement


def transfers_of(session: Session, movement_id: int) -> Sequence[tuple[Transfer, str]]:
    """A movement's transfers with the codes of their lots. One query."""
    statement = (
        select(Transfer, Lot.code)
        .join(Lot, col(Lot.id) == col(Transfer.lot_id))
        .where(col(Transfer.movement_id) == movement_id)
        .order_by(col(Transfer.id))
    )
    return session.exec(statement).all()


def reversal_of(session: Session, movement_id: int) -> int | None:
    """The movement that took this one back; None while it stands."""
    return session.exec(select(Movement.id).where(col(Movement.reverses_id) == movement_id)).first()


def later_movements_from(
    session: Session, parcel_ids: Sequence[int], movement_id: int
) -> Sequence[int]:
    """Standing movements that took from these parcels after this one. One query.

    Without differences that settling booked: they are booked anew.
    """
    undo = aliased(Movement)
    statement = (
        select(Movement.id)
        .distinct()
        .join(Transfer, col(Transfer.movement_id) == col(Movement.id))
        .outerjoin(undo, col(undo.reverses_id) == col(Movement.id))
        .where(
            col(Transfer.from_parcel_id).in_(set(parcel_ids)),
            col(Movement.id) > movement_id,
            col(undo.id).is_(None),
            col(Movement.reverses_id).is_(None),
            or_(col(Movement.kind) != MovementKind.COUNTED, col(Movement.count_id).is_not(None)),
        )
        .order_by(col(Movement.id))
    )
    return [number for number in session.exec(statement) if number is not None]


def booked_at(session: Session, lot_id: int, place_id: int, at: datetime) -> int:
    """Grams of a lot that the books hold in a place at an instant. Two queries."""

    def total(end: Any) -> int:
        statement = (
            columns(func.coalesce(func.sum(col(Transfer.grams)), 0))
            .join(Movement, col(Movement.id) == col(Transfer.movement_id))
            .join(Parcel, col(Parcel.id) == end)
            .where(
                col(Parcel.lot_id) == lot_id,
                col(Parcel.place_id) == place_id,
                col(Movement.occurred_at) <= at,
            )
        )
        return int(session.execute(statement).scalar_one())

    return total(col(Transfer.to_parcel_id)) - total(col(Transfer.from_parcel_id))


def counted_places(session: Session, lot_id: int) -> frozenset[int]:
    """The places where a lot was ever counted. One query."""
    statement = select(StockCount.place_id).where(col(StockCount.lot_id) == lot_id).distinct()
    return frozenset(session.exec(statement).all())


def count_by_id(session: Session, count_id: int) -> StockCount:
    """The count of this id. One look-up by key."""
    return session.get_one(StockCount, count_id)


def flows(session: Session, pool: Pool) -> list[Flow]:
    """What events gave to a pool and took from it, and what was counted there.

    Without the differences that counts and settling booked: those follow from
    the rest. A reversal stands at the place of what it reverses. Two queries;
    cost grows with the lot's transfers.
    """
    source, target, original = aliased(Parcel), aliased(Parcel), aliased(Movement)
    number = func.coalesce(col(Movement.reverses_id), col(Movement.id))
    net = case((_inside(target, pool), col(Transfer.grams)), else_=0) - case(
        (_inside(source, pool), col(Transfer.grams)), else_=0
    )
    statement = (
        columns(col(Movement.occurred_at), number, func.sum(net))
        .select_from(Transfer)
        .join(Movement, col(Movement.id) == col(Transfer.movement_id))
        .outerjoin(source, col(source.id) == col(Transfer.from_parcel_id))
        .outerjoin(target, col(target.id) == col(Transfer.to_parcel_id))
        .outerjoin(original, col(original.id) == col(Movement.reverses_id))
        .where(
            col(Transfer.lot_id) == pool.lot_id,
            func.coalesce(col(original.kind), col(Movement.kind)) != MovementKind.COUNTED,
        )
        .group_by(col(Movement.occurred_at), number)
    )
    found = [Flow(at, number, int(grams)) for at, number, grams in session.execute(statement)]
    return found + (_counted(session, pool) if pool.whole else [])


def _inside(parcel: Any, pool: Pool) -> ColumnElement[bool]:
    conditions = [col(parcel.lot_id) == pool.lot_id]
    if pool.place_id is not None:
        conditions.append(col(parcel.place_id) == pool.place_id)
    if not pool.whole:
        conditions.append(col(parcel.thaw_batch_id).is_not_distinct_from(pool.thaw_batch_id))
    return and_(*conditions)


def _counted(session: Session, pool: Pool) -> list[Flow]:
    """The counts of a lot in a place that were not taken back."""
    undo = aliased(Movement)
    statement = (
        columns(col(StockCount.occurred_at), col(Movement.id), col(StockCount.counted_g))
        .join(Movement, col(Movement.count_id) == col(StockCount.id))
        .outerjoin(undo, col(undo.reverses_id) == col(Movement.id))
        .where(
            col(StockCount.lot_id) == pool.lot_id,
            col(StockCount.place_id) == pool.place_id,
            col(undo.id).is_(None),
        )
    )
    return [Flow(at, number, counted_g=g) for at, number, g in session.execute(statement)]


def differences(
    session: Session, parcel_ids: Sequence[int], *, since: datetime, but: int | None = None
) -> dict[int, tuple[int, int]]:
    """Per parcel, grams and cartons that differences took (more than 0) or added. One query.

    but: a movement that is left out.
    """
    ids = set(parcel_ids)
    original = aliased(Movement)
    statement = (
        select(Transfer)
        .join(Movement, col(Movement.id) == col(Transfer.movement_id))
        .outerjoin(original, col(original.id) == col(Movement.reverses_id))
        .where(
            or_(col(Transfer.from_parcel_id).in_(ids), col(Transfer.to_parcel_id).in_(ids)),
            func.coalesce(col(original.kind), col(Movement.kind)) == MovementKind.COUNTED,
            col(Movement.occurred_at) >= since,
            col(Movement.id) != (but or 0),
        )
    )
    net: dict[int, tuple[int, int]] = {}
    for transfer in session.exec(statement):
        for parcel_id, sign in ((transfer.from_parcel_id, 1), (transfer.to_parcel_id, -1)):
            if parcel_id in ids:
                grams, cartons = net.get(parcel_id, (0, 0))
                more = transfer.cartons or 0
                net[parcel_id] = (grams + sign * transfer.grams, cartons + sign * more)
    return net


def batches_with_differences(session: Session, batch_ids: Sequence[int]) -> frozenset[int]:
    """Which of these thaw batches the books were ever wrong about. Two queries.

    Cost grows with the transfers of these batches.
    """
    found: set[int] = set()
    for parcel_end, account_end in (
        (Transfer.from_parcel_id, Transfer.to_account),
        (Transfer.to_parcel_id, Transfer.from_account),
    ):
        statement = (
            columns(col(Parcel.thaw_batch_id))
            .join(Transfer, col(parcel_end) == col(Parcel.id))
            .where(
                col(Parcel.thaw_batch_id).in_(set(batch_ids)),
                col(account_end) == Account.COUNT_DIFFERENCE,
            )
            .distinct()
        )
        found |= set(session.execute(statement).scalars())
    return frozenset(found)


def most_exposed_first(every: Sequence[Parcel], some: Sequence[Parcel]) -> list[Parcel]:
    """Some of a lot's parcels, fish that was put back first, then what was there longest."""
    batch = {p.id: p.thaw_batch_id for p in every}

    def key(parcel: Parcel) -> tuple[bool, datetime, int]:
        came_back = parcel.thaw_batch_id is None and batch.get(parcel.parent_id) is not None
        return (not came_back, parcel.opened_at, parcel.id or 0)

    return sorted(some, key=key)


def lot_parcels(session: Session, lot_id: int) -> Sequence[Parcel]:
    """All parcels of a lot, empty ones too, by id. One query."""
    statement = select(Parcel).where(col(Parcel.lot_id) == lot_id).order_by(col(Parcel.id))
    return session.exec(statement).all()


def ever_in_a_freezer(session: Session, lot_id: int, parcel_ids: Sequence[int]) -> bool:
    """Whether any of these parcels, or what it came from, was in a freezer. Two queries."""
    every = {parcel.id: parcel for parcel in lot_parcels(session, lot_id)}
    places = sites.places_by_id(session, [parcel.place_id for parcel in every.values()])
    todo = list(parcel_ids)
    while todo:
        parcel = every[todo.pop()]
        if places[parcel.place_id].kind == PlaceKind.FREEZER:
            return True
        if parcel.parent_id is not None:
            todo.append(parcel.parent_id)
    return False


def batch_by_code(session: Session, code: str, *, by: Actor, field: str) -> Batch:
    """The thaw batch of this code. Raises NotFound, and NotAllowed at somebody else's site."""
    found = session.execute(rows_where_in(ThawBatch.code), {"keys": [code.upper()]})
    batch: ThawBatch | None = found.scalar_one_or_none()
    if batch is None:
        raise NotFound.of("thaw batch", code, field)
    by.ensure_site(batch.site_id)
    return batch_of(batch)


def batch_of(batch: ThawBatch) -> Batch:
    """A stored thaw batch as the rest of the service sees it."""
    return Batch(
        batch.id or 0,
        batch.code,
        batch.site_id,
        batch.lot_id,
        batch.left_freezer_at,
        batch.split_from_id,
        batch.split_at,
    )


def batches(
    session: Session, site_ids: Sequence[int], *, open_only: bool, limit: int | None, after_id: int
) -> list[Batch]:
    """Thaw batches by number; open ones still hold fish. One query, or two.

    Of open ones the cost grows with what holds fish, not with all that ever thawed.
    """
    if open_only:
        found = [b for b in _open_batches(session, after_id) if b.site_id in site_ids]
        return found[:limit]
    statement = (
        select(ThawBatch)
        .where(col(ThawBatch.site_id).in_(site_ids), col(ThawBatch.id) > after_id)
        .order_by(col(ThawBatch.id))
        .limit(limit)
    )
    return [batch_of(batch) for batch in session.exec(statement)]


def _open_batches(session: Session, after_id: int) -> list[Batch]:
    thawing = (
        select(Parcel.thaw_batch_id)
        .where(
            col(Parcel.grams) > literal_column("0"),  # as `ix_parcel_thawing` has it
            col(Parcel.thaw_batch_id) > after_id,
        )
        .distinct()
    )
    ids = session.exec(thawing).all()
    found = session.execute(rows_where_in(ThawBatch.id), {"keys": list(ids)}).scalars()
    return sorted(map(batch_of, found), key=lambda batch: batch.id)


def with_origins(session: Session, batches: Sequence[Batch]) -> dict[int, Batch]:
    """Batches and those that they were split off, by id. One query a generation of splits."""
    known = {batch.id: batch for batch in batches}
    while missing := {b.split_from_id for b in known.values() if b.split_from_id} - set(known):
        found = session.execute(rows_where_in(ThawBatch.id), {"keys": list(missing)}).scalars()
        known |= {batch.id: batch for batch in map(batch_of, found)}
    return known


def dripped_grams(session: Session, parcel_ids: Sequence[int]) -> int:
    """Grams that have dripped off these parcels, less what was taken back. Two queries."""

    def total(parcel: Any, account: Any) -> int:
        statement = columns(func.coalesce(func.sum(col(Transfer.grams)), 0)).where(
            col(parcel).in_(set(parcel_ids)), col(account) == Account.DRIP
        )
        return int(session.execute(statement).scalar_one())

    dripped = total(Transfer.from_parcel_id, Transfer.to_account)
    return dripped - total(Transfer.to_parcel_id, Transfer.from_account)


def parcel_is(session: Session, parcel_id: int, lot_id: int, place_id: int) -> bool:
    """Whether a parcel is of this lot and in this place. One look-up by key."""
    # Columns only: no balance may be remembered from before the species is locked.
    statement = columns(col(Parcel.lot_id), col(Parcel.place_id)).where(col(Parcel.id) == parcel_id)
    row = session.execute(statement).one_or_none()
    return row is not None and (row.lot_id, row.place_id) == (lot_id, place_id)


def batch_parcels(session: Session, batch_ids: Sequence[int]) -> Sequence[Parcel]:
    """All parcels of these thaw batches, empty ones too, by id. One query."""
    statement = rows_where_in(Parcel.thaw_batch_id)
    found = session.execute(statement, {"keys": list(set(batch_ids))}).scalars()
    return sorted(found, key=lambda p: p.id or 0)


def pulled_grams(session: Session, batch_ids: Sequence[int]) -> dict[int, int]:
    """Grams that came into each of these batches, from a freezer or split off another, and were
    not taken back. One query."""
    rows = session.execute(_pulled_select(), {"batches": list(set(batch_ids))})
    return {batch: int(grams) for batch, grams in rows}


@lru_cache(maxsize=1)
def _pulled_select() -> Any:
    """The select of `pulled_grams`, built once: building its aliases costs more than running it."""
    undo, source = aliased(Movement), aliased(Parcel)
    return (
        columns(col(Parcel.thaw_batch_id), func.sum(col(Transfer.grams)))
        .join(Transfer, col(Transfer.to_parcel_id) == col(Parcel.id))
        .join(Movement, col(Movement.id) == col(Transfer.movement_id))
        .outerjoin(undo, col(undo.reverses_id) == col(Movement.id))
        .outerjoin(source, col(source.id) == col(Transfer.from_parcel_id))
        .where(
            col(Parcel.thaw_batch_id).in_(bindparam("batches", expanding=True)),
            col(undo.id).is_(None),
            col(Movement.kind).in_((MovementKind.PULLED, MovementKind.SPLIT)),
            col(source.thaw_batch_id).is_distinct_from(col(Parcel.thaw_batch_id)),
        )
        .group_by(col(Parcel.thaw_batch_id))
    )


def account_totals(session: Session) -> dict[Account, int]:
    """Grams that each account has taken in, less what it gave. Two queries over the books."""
    totals = dict.fromkeys(Account, 0)
    for end, sign in ((col(Transfer.to_account), 1), (col(Transfer.from_account), -1)):
        statement = columns(end, func.sum(col(Transfer.grams))).where(end.is_not(None))
        for account, grams in session.execute(statement.group_by(end)):
            totals[Account(account)] += sign * int(grams)
    return totals


def parcel_total(session: Session) -> int:
    """Grams in all parcels. One query."""
    total = session.execute(columns(func.coalesce(func.sum(col(Parcel.grams)), 0))).scalar_one()
    return int(total)


def reservations_on(
    session: Session, parcel_ids: Sequence[int], *, at: datetime
) -> Sequence[Reservation]:
    """What live reservations keep of these parcels, newest first. One query."""
    statement = (
        select(Reservation)
        .where(
            col(Reservation.parcel_id).in_(set(parcel_ids)),
            col(Reservation.released_at).is_(None),
            col(Reservation.until) > at,
        )
        .order_by(col(Reservation.id).desc())
    )
    return session.exec(statement).all()


def kept_for(session: Session, request_id: int, *, at: datetime) -> Sequence[Row[Any]]:
    """What a thaw request still keeps: lot, species_code, place, grams. One query.

    Columns only: no balance may be remembered from before the species is locked.
    """
    statement: Any = (
        columns(
            col(Lot.code).label("lot"),
            col(Lot.species_code),
            col(Place.code).label("place"),
            col(Reservation.grams),
        )
        .join(Parcel, col(Parcel.id) == col(Reservation.parcel_id))
        .join(Lot, col(Lot.id) == col(Parcel.lot_id))
        .join(Place, col(Place.id) == col(Parcel.place_id))
        .where(
            col(Reservation.thaw_request_id) == request_id,
            col(Reservation.released_at).is_(None),
            col(Reservation.until) > at,
            col(Reservation.grams) > 0,
        )
        .order_by(col(Reservation.id))
    )
    rows: Sequence[Row[Any]] = session.execute(statement).all()
    return rows


def reservations_of(session: Session, request_id: int) -> Sequence[Reservation]:
    """A thaw request's open reservations by id. One query."""
    statement = (
        select(Reservation)
        .where(
            col(Reservation.thaw_request_id) == request_id, col(Reservation.released_at).is_(None)
        )
        .order_by(col(Reservation.id))
    )
    return session.exec(statement).all()


def movement_out(session: Session, movement: Movement) -> MovementOut:
    """A stored movement with its transfers as it is shown. Three queries."""
    units = sites.view(session, movement.site_id, at=movement.recorded_at).units
    transfers = transfers_of(session, movement.id or 0)
    return MovementOut(
        id=movement.id or 0,
        kind=MovementKind(movement.kind),
        occurred_at=movement.occurred_at,
        recorded_at=movement.recorded_at,
        by=movement.by,
        reason=movement.reason,
        reverses=movement.reverses_id,
        mass=units.mass_out(sum(t.grams for t, _ in transfers)),
        transfers=[
            TransferOut(
                lot=lot,
                from_parcel=t.from_parcel_id,
                to_parcel=t.to_parcel_id,
                from_account=t.from_account,
                to_account=t.to_account,
                mass=units.mass_out(t.grams),
                cartons=t.cartons,
            )
            for t, lot in transfers
        ],
    )
