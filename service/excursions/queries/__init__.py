"""Every select of excursions."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Row, bindparam
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, func, or_, select

from service.errors import NotFound
from service.excursions.models import Excursion, ExcursionParcel, ExcursionRevision
from service.excursions.rules import SETTLED, ExcursionState
from service.ledger.models import Parcel
from service.security.actor import Actor
from service.site.models import Place


@dataclass(frozen=True)
class Affected:
    """A parcel that was in the place during an excursion, or that was taken from one that was.

    in_place : it was there itself; else it inherits from `heir_of`.
    grams : in the place at `from_at`; of an heir, what it holds now.
    on_hand : grams that it holds now.
    """

    parcel_id: int
    lot_id: int
    place_id: int
    in_place: bool
    heir_of: int
    grams: int
    on_hand: int
    from_at: datetime
    until_at: datetime | None


def excursions_of(
    session: Session, place_ids: Sequence[int], from_at: datetime, to_at: datetime
) -> Sequence[Excursion]:
    """Excursions of places that overlap a time, oldest first: none that was withdrawn, and of
    those merged into one that one. One query."""
    statement = (
        select(Excursion)
        .where(
            col(Excursion.place_id).in_(set(place_ids)),
            col(Excursion.state) != ExcursionState.WITHDRAWN,
            col(Excursion.merged_into_id).is_(None),
            col(Excursion.from_at) < to_at,
            or_(col(Excursion.ended_at).is_(None), col(Excursion.ended_at) > from_at),
        )
        .order_by(col(Excursion.from_at), col(Excursion.id))
    )
    return session.exec(statement).all()


def excursion_by_id(session: Session, excursion_id: int, *, by: Actor) -> Excursion:
    """The excursion of this number. Raises NotFound, and NotAllowed at somebody else's site."""
    found = session.get(Excursion, excursion_id)
    if found is None:
        raise NotFound.of("excursion", excursion_id, "excursion")
    by.ensure_site(site_of(session, found))
    return found


def site_of(session: Session, excursion: Excursion) -> int:
    """The site of an excursion's place. One look-up by key."""
    return session.get_one(Place, excursion.place_id).site_id


def merged_into(session: Session, excursion_ids: Collection[int]) -> Sequence[Excursion]:
    """Those that are merged into these, oldest first. One query."""
    return session.exec(
        select(Excursion)
        .where(
            col(Excursion.merged_into_id).in_(excursion_ids),
            col(Excursion.state) != ExcursionState.WITHDRAWN,
        )
        .order_by(col(Excursion.from_at), col(Excursion.id))
    ).all()


@dataclass(frozen=True)
class Whole:
    """An event of a place: an excursion together with those merged into it."""

    from_at: datetime
    ended_at: datetime | None
    peak_c: float | None


def wholes(session: Session, rows: Sequence[Excursion]) -> dict[int, Whole]:
    """These excursions, each with its parts: from the first to the last, the warmest. One query."""
    parts: dict[int, list[Excursion]] = {row.id or 0: [row] for row in rows}
    for part in merged_into(session, parts.keys()):
        parts[part.merged_into_id or 0].append(part)
    return {number: _whole(group) for number, group in parts.items()}


def _whole(group: Sequence[Excursion]) -> Whole:
    ends = [row.ended_at for row in group if row.ended_at is not None]
    peaks = [row.peak_c for row in group if row.peak_c is not None]
    return Whole(
        min(row.from_at for row in group),
        max(ends) if len(ends) == len(group) else None,
        max(peaks, default=None),
    )


def followed_by(session: Session, excursion_id: int) -> list[int]:
    """The numbers of those that came to light after this one was decided. One query."""
    statement = select(Excursion.id).where(
        col(Excursion.follows_id) == excursion_id, col(Excursion.state) != ExcursionState.WITHDRAWN
    )
    return [number or 0 for number in session.exec(statement.order_by(col(Excursion.id)))]


def revisions(session: Session, excursion_id: int) -> Sequence[ExcursionRevision]:
    """What was known of an excursion and when, oldest first. One query."""
    return session.exec(
        select(ExcursionRevision)
        .where(col(ExcursionRevision.excursion_id) == excursion_id)
        .order_by(col(ExcursionRevision.number))
    ).all()


def affected(session: Session, excursion_id: int) -> list[Affected]:
    """The fish that an excursion, or one merged into it, met: the parcels that were in the place
    and all that was taken from them since it began, by number. Two queries; cost grows with
    the parcels of the lots that were there."""
    met = _first_met(session, excursion_id)
    lots = {row.lot_id for row in met.values()}
    return _with_heirs(met, _parcels_of(session, lots))


def _first_met(session: Session, excursion_id: int) -> dict[int, Row[Any]]:
    """Per parcel, when an excursion or one merged into it first met it, and until when."""
    statement = (
        columns(
            col(ExcursionParcel.parcel_id),
            col(Parcel.lot_id),
            func.max(col(ExcursionParcel.grams)).label("grams"),
            func.min(col(ExcursionParcel.from_at)).label("from_at"),
            func.max(col(ExcursionParcel.until_at)).label("until_at"),
            func.count(col(ExcursionParcel.until_at)).label("over"),
            func.count().label("times"),
        )
        .join(Excursion, col(Excursion.id) == col(ExcursionParcel.excursion_id))
        .join(Parcel, col(Parcel.id) == col(ExcursionParcel.parcel_id))
        .where(
            or_(col(Excursion.id) == excursion_id, col(Excursion.merged_into_id) == excursion_id)
        )
        .group_by(col(ExcursionParcel.parcel_id), col(Parcel.lot_id))
    )
    return {row.parcel_id: row for row in session.execute(statement)}


def _parcels_of(session: Session, lot_ids: Collection[int]) -> Sequence[Row[Any]]:
    """All parcels of lots, in the order in which they were opened. One query."""
    return session.execute(
        columns(
            col(Parcel.id),
            col(Parcel.parent_id),
            col(Parcel.lot_id),
            col(Parcel.place_id),
            col(Parcel.opened_at),
            col(Parcel.grams),
        )
        .where(col(Parcel.lot_id).in_(lot_ids))
        .order_by(col(Parcel.id))
    ).all()


def _with_heirs(met: Mapping[int, Row[Any]], parcels: Sequence[Row[Any]]) -> list[Affected]:
    """Parcels that were met, and those taken from them since. A parcel has a higher number
    than the one it was taken from."""
    found: dict[int, Affected] = {}
    for parcel in parcels:
        own = met.get(parcel.id)
        if own is not None:
            until = own.until_at if own.over == own.times else None
            found[parcel.id] = Affected(
                parcel.id, parcel.lot_id, parcel.place_id, True, parcel.id, own.grams, parcel.grams,
                own.from_at, until,
            )  # fmt: skip
            continue
        parent = found.get(parcel.parent_id)
        if parent is not None and parcel.opened_at >= parent.from_at:
            found[parcel.id] = Affected(
                parcel.id, parcel.lot_id, parcel.place_id, False, parent.heir_of, parcel.grams,
                parcel.grams, parent.from_at, parent.until_at,
            )  # fmt: skip
    return list(found.values())


def undecided_of_parcels(
    session: Session, parcel_ids: Collection[int]
) -> dict[int, list[Excursion]]:
    """Per parcel, the excursions that met it or one that it was taken from and that nobody has
    decided, oldest first. Parcels that none met are left out.

    Those merged into one are stood for by that one. Two queries where nothing is
    undecided, else three; cost grows with the parcels of the lots concerned.
    """
    lots = set(
        session.exec(select(Parcel.lot_id).where(col(Parcel.id).in_(parcel_ids)).distinct()).all()
    )
    met = _undecided_meetings(session, lots)
    if not met:
        return {}
    by_id = {parcel.id: parcel for parcel in _parcels_of(session, lots)}
    found: dict[int, list[Excursion]] = {}
    for parcel_id in parcel_ids:
        leaders = {e.id: e for e in _climb(parcel_id, by_id, met)}
        if leaders:
            found[parcel_id] = sorted(leaders.values(), key=lambda e: (e.from_at, e.id or 0))
    return found


def undecided_since(session: Session) -> datetime | None:
    """When the first excursion began that nobody has decided yet, at any site. One query."""
    leader = aliased(Excursion)
    statement = (
        columns(func.min(col(Excursion.from_at)))
        .join(
            leader,
            col(leader.id) == func.coalesce(col(Excursion.merged_into_id), col(Excursion.id)),
        )
        .where(col(leader.state).not_in(SETTLED), col(Excursion.state) != ExcursionState.WITHDRAWN)
    )
    found: datetime | None = session.execute(statement).scalar()
    return found


def _undecided_meetings(
    session: Session, lot_ids: Collection[int]
) -> dict[int, list[tuple[datetime, Excursion]]]:
    """Per parcel of these lots, since when undecided excursions have met it. One query."""
    met: dict[int, list[tuple[datetime, Excursion]]] = {}
    for parcel, excursion in session.execute(_undecided_select(), {"lots": list(lot_ids)}):
        met.setdefault(parcel.parcel_id, []).append((parcel.from_at, excursion))
    return met


@lru_cache(maxsize=1)
def _undecided_select() -> Any:
    """Built once: every pull and feed asks it."""
    leader = aliased(Excursion)
    return (
        select(ExcursionParcel, leader)
        .join(Excursion, col(Excursion.id) == col(ExcursionParcel.excursion_id))
        .join(
            leader,
            col(leader.id) == func.coalesce(col(Excursion.merged_into_id), col(Excursion.id)),
        )
        .join(Parcel, col(Parcel.id) == col(ExcursionParcel.parcel_id))
        .where(
            col(leader.state).not_in(SETTLED),
            col(Excursion.state) != ExcursionState.WITHDRAWN,
            col(Parcel.lot_id).in_(bindparam("lots", expanding=True)),
        )
    )


def _climb(
    parcel_id: int,
    by_id: Mapping[int, Row[Any]],
    met: Mapping[int, list[tuple[datetime, Excursion]]],
) -> list[Excursion]:
    """Excursions that met a parcel, or one above it before this fish had left it."""
    found = [excursion for _, excursion in met.get(parcel_id, ())]
    taken = by_id.get(parcel_id)
    while taken is not None and taken.parent_id is not None:
        found += [e for since, e in met.get(taken.parent_id, ()) if since <= taken.opened_at]
        taken = by_id.get(taken.parent_id)
    return found
