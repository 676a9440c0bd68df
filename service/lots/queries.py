"""Every select of lots and holds that needs no stock."""

from collections.abc import Sequence

from sqlmodel import Session, col, select

from service.catalogue.rules import species_facts
from service.database import rows_where_in
from service.errors import NotFound
from service.lots.models import (
    Hold,
    Lot,
    LotCandidate,
    LotCorrection,
)
from service.lots.rules import LotFacts
from service.security.actor import Actor


def lot_by_code(session: Session, code: str, *, by: Actor, field: str = "lot") -> Lot:
    """The lot of this code. Raises NotFound, and NotAllowed at somebody else's site."""
    found = session.execute(rows_where_in(Lot.code), {"keys": [code.upper()]})
    lot: Lot | None = found.scalar_one_or_none()
    if lot is None:
        raise NotFound.of("lot", code, field)
    by.ensure_site(lot.site_id)
    return lot


def lots_by_id(session: Session, ids: Sequence[int]) -> dict[int, Lot]:
    """The lots of these ids. One query."""
    found = session.execute(rows_where_in(Lot.id), {"keys": list(set(ids))}).scalars()
    return {lot.id: lot for lot in found if lot.id is not None}


def held_ids(session: Session, ids: Sequence[int]) -> frozenset[int]:
    """Which of these lots have an open hold. One query."""
    holds_of = session.execute(rows_where_in(Hold.lot_id), {"keys": list(set(ids))}).scalars()
    return frozenset(hold.lot_id for hold in holds_of if hold.released_at is None)


def facts(session: Session, lots: Sequence[Lot]) -> dict[int, LotFacts]:
    """What the rules need to know of these lots. One query."""
    held = held_ids(session, [lot.id for lot in lots if lot.id is not None])
    return {lot.id: facts_of(lot, held=lot.id in held) for lot in lots if lot.id is not None}


def facts_of(lot: Lot, *, held: bool) -> LotFacts:
    """A stored lot as the rules see it."""
    return LotFacts(
        code=lot.code,
        species=lot.species_code,
        part=lot.part,
        size_grade=lot.size_grade,
        fat_group=species_facts()[lot.species_code].fat_group,
        caught_from=lot.caught_from,
        frozen_on=lot.frozen_on,
        received_on=lot.received_on,
        held=held,
        rejected=lot.rejected_at is not None,
    )


def candidates(session: Session, lot_id: int) -> Sequence[Lot]:
    """The lots that a doubtful lot may be of, oldest first. One query."""
    statement = (
        select(Lot)
        .join(LotCandidate, col(LotCandidate.candidate_id) == col(Lot.id))
        .where(col(LotCandidate.lot_id) == lot_id)
        .order_by(col(Lot.age_from), col(Lot.id))
    )
    return session.exec(statement).all()


def doubtful_of(session: Session, lot_ids: Sequence[int]) -> Sequence[tuple[Lot, int]]:
    """The doubtful lots that may be of one of these, each with that one's id. One query."""
    statement = (
        select(Lot, LotCandidate.candidate_id)
        .join(LotCandidate, col(LotCandidate.lot_id) == col(Lot.id))
        .where(col(LotCandidate.candidate_id).in_(set(lot_ids)))
        .order_by(col(Lot.id))
    )
    return session.exec(statement).all()


def corrections(session: Session, lot_id: int) -> Sequence[LotCorrection]:
    """What was corrected of a lot, oldest first. One query."""
    statement = (
        select(LotCorrection)
        .where(col(LotCorrection.lot_id) == lot_id)
        .order_by(col(LotCorrection.id))
    )
    return session.exec(statement).all()


def holds(session: Session, lot_id: int) -> Sequence[Hold]:
    """The holds of a lot, oldest first. One query."""
    statement = select(Hold).where(col(Hold.lot_id) == lot_id).order_by(col(Hold.id))
    return session.exec(statement).all()
