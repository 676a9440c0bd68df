"""Every select of stored assessments and decisions."""

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlmodel import Session, col, exists, func, or_, select

from service.assessments.models import AssessedFish, Assessment, ExcursionDecision
from service.checks.models import Check
from service.excursions.models import Excursion
from service.excursions.rules import SETTLED, ExcursionState


def latest(session: Session, excursion_ids: Collection[int]) -> dict[int, Assessment]:
    """The newest assessment of each of these excursions. One query."""
    newest = (
        select(func.max(col(Assessment.id)))
        .where(col(Assessment.excursion_id).in_(excursion_ids))
        .group_by(col(Assessment.excursion_id))
    )
    rows = session.exec(select(Assessment).where(col(Assessment.id).in_(newest)))
    return {row.excursion_id: row for row in rows}


def fish(
    session: Session, assessment_ids: Collection[int], *, lot_ids: Collection[int] | None = None
) -> Sequence[AssessedFish]:
    """The fish of assessments, in their order; only of these lots, if named. One query."""
    statement = (
        select(AssessedFish)
        .where(col(AssessedFish.assessment_id).in_(assessment_ids))
        .order_by(col(AssessedFish.assessment_id), col(AssessedFish.number))
    )
    if lot_ids is not None:
        statement = statement.where(col(AssessedFish.lot_id).in_(lot_ids))
    return session.exec(statement).all()


def decisions(session: Session, excursion_ids: Collection[int]) -> Sequence[ExcursionDecision]:
    """The decisions on these excursions, oldest first. One query."""
    return session.exec(
        select(ExcursionDecision)
        .where(col(ExcursionDecision.excursion_id).in_(excursion_ids))
        .order_by(col(ExcursionDecision.id))
    ).all()


def to_assess(session: Session, *, computed_before: datetime, limit: int) -> Sequence[int]:
    """Excursions that want an assessment, those without any first. One query.

    Undecided ones that were never assessed or are known otherwise since; that met a check
    since; or that were computed before an instant and are still followed.
    """
    newest = (
        select(func.max(col(Assessment.id)))
        .where(col(Assessment.excursion_id) == col(Excursion.id))
        .correlate(Excursion)
        .scalar_subquery()
    )
    checked = exists().where(
        col(Check.place_id) == col(Excursion.place_id),
        col(Check.recorded_at) >= col(Assessment.computed_at),
        col(Check.occurred_at) >= col(Excursion.from_at),
    )
    statement = (
        select(Excursion.id)
        .outerjoin(Assessment, col(Assessment.id) == newest)
        .where(
            col(Excursion.state).not_in(SETTLED),
            col(Excursion.merged_into_id).is_(None),
            or_(
                col(Assessment.id).is_(None),
                col(Excursion.state) == ExcursionState.ENDED,
                col(Assessment.excursion_revision) != col(Excursion.revision),
                checked,
                col(Assessment.computed_at) < computed_before,
            ),
        )
        .order_by(col(Assessment.id).is_not(None), col(Excursion.id).desc())
        .limit(limit)
    )
    return [number for number in session.exec(statement) if number is not None]


def undecided_of_place(session: Session, place_id: int, from_at: datetime) -> Sequence[Excursion]:
    """Undecided excursions of a place that had begun by an instant. One query."""
    return session.exec(
        select(Excursion)
        .where(
            col(Excursion.place_id) == place_id,
            col(Excursion.state).not_in(SETTLED),
            col(Excursion.merged_into_id).is_(None),
            col(Excursion.from_at) <= from_at,
        )
        .order_by(col(Excursion.id))
    ).all()
