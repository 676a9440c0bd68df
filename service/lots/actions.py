"""What is decided about a lot: holds, releases, rejection."""

from datetime import datetime

from sqlalchemy import select as select_columns
from sqlmodel import Session, SQLModel, col, select

from service.catalogue.queries import lock_species
from service.database import insert_ignoring
from service.errors import Conflict, NotFound
from service.lots import queries
from service.lots.models import CodeCounter, Hold, Lot
from service.lots.rules import numbered_code
from service.lots.schemas import HoldIn, RejectionIn
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites


def next_code(session: Session, prefix: str, letters: int) -> str:
    """The next code with a prefix; its counter stays locked until commit.

    Raises Conflict when the letters of a day are used up.
    """
    return next_codes(session, prefix, letters, 1)[0]


def next_codes(session: Session, prefix: str, letters: int, many: int) -> list[str]:
    """So many codes at once. Three statements; locks and raises like `next_code`."""
    table = SQLModel.metadata.tables["code_counter"]
    session.execute(
        insert_ignoring(session.get_bind().dialect.name, table), {"prefix": prefix, "given": 0}
    )
    statement = select_columns(CodeCounter).where(col(CodeCounter.prefix) == prefix)
    counter = session.execute(statement.with_for_update()).scalar_one()
    try:
        codes = [numbered_code(prefix, counter.given + i, letters) for i in range(many)]
    except ValueError as error:
        raise Conflict(str(error)) from error
    counter.given += many
    session.add(counter)
    session.flush()
    return codes


def place_hold(
    session: Session,
    lot: Lot,
    reason: str,
    *,
    at: datetime,
    by: Actor,
    said: datetime | None = None,
    with_doubtful: bool = True,
) -> Hold:
    """Nobody may use this lot until the hold is released.

    with_doubtful: nor a carton without readable label that may be of it.
    """
    placed_at = sites.happened_at(session, lot.site_id, said, now=at)
    lock_species(session, [lot.species_code])
    assert lot.id is not None
    hold = Hold(lot_id=lot.id, reason=reason, placed_at=placed_at, placed_by=by.name)
    session.add(hold)
    session.flush()
    audit.note(session, by, "lot held", lot.code, at=at, site_id=lot.site_id, after=hold)
    for doubtful, _ in queries.doubtful_of(session, [lot.id]) if with_doubtful else ():
        place_hold(session, doubtful, f"may be of lot {lot.code}: {reason}", at=at, by=by)
    return hold


def release_hold(
    session: Session, hold_id: int, release: HoldIn, *, at: datetime, by: Actor
) -> Hold:
    """End a hold. Raises NotFound, and Conflict if it was released before."""
    hold = session.exec(select(Hold).where(col(Hold.id) == hold_id).with_for_update()).one_or_none()
    if hold is None:
        raise NotFound.of("hold", hold_id, "hold")
    lot = session.get_one(Lot, hold.lot_id)
    by.ensure_site(lot.site_id)
    released_at = sites.happened_at(session, lot.site_id, release.occurred_at, now=at)
    lock_species(session, [lot.species_code])
    if hold.released_at is not None:
        raise Conflict(f"this hold was released by {hold.released_by}", kind="already-released")
    hold.released_at, hold.released_by = released_at, by.name
    hold.release_reason = release.reason
    session.add(hold)
    session.flush()
    audit.note(
        session,
        by,
        "hold released",
        lot.code,
        at=at,
        site_id=lot.site_id,
        after=hold,
        detail={"reason": release.reason},
    )
    return hold


def reject(session: Session, code: str, rejection: RejectionIn, *, at: datetime, by: Actor) -> Lot:
    """A person decides that a lot is not taken in. Raises Conflict if it was before."""
    lot = queries.lot_by_code(session, code, by=by)
    rejected_at = sites.happened_at(session, lot.site_id, rejection.occurred_at, now=at)
    lock_species(session, [lot.species_code])
    session.refresh(lot)
    if lot.rejected_at is not None:
        raise Conflict(f"lot {lot.code} was rejected by {lot.rejected_by}", kind="already-rejected")
    lot.rejected_at, lot.rejected_by = rejected_at, by.name
    lot.rejected_because = rejection.reason
    session.add(lot)
    session.flush()
    audit.note(
        session,
        by,
        "lot rejected",
        lot.code,
        at=at,
        site_id=lot.site_id,
        after=lot,
        detail={"reason": rejection.reason},
    )
    return lot
