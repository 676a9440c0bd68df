"""Every select of excursions."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session, col, or_, select

from service.excursions.models import Excursion
from service.probes.models import Probe
from service.site.models import Place


def open_excursion(session: Session, probe_id: int, kind: str) -> Excursion | None:
    """A probe's excursion of a kind that has not ended. One query."""
    return session.exec(
        select(Excursion).where(
            col(Excursion.probe_id) == probe_id,
            col(Excursion.kind) == kind,
            col(Excursion.ended_at).is_(None),
        )
    ).first()


def excursions_of(
    session: Session, place_ids: Sequence[int], from_at: datetime, to_at: datetime
) -> Sequence[Excursion]:
    """Excursions of places that overlap a time, oldest first. One query."""
    statement = (
        select(Excursion)
        .where(
            col(Excursion.place_id).in_(set(place_ids)),
            col(Excursion.from_at) < to_at,
            or_(col(Excursion.ended_at).is_(None), col(Excursion.ended_at) > from_at),
        )
        .order_by(col(Excursion.from_at), col(Excursion.id))
    )
    return session.exec(statement).all()


def excursions(
    session: Session, site_ids: Sequence[int], *, limit: int, before_id: int | None
) -> Sequence[tuple[Excursion, str, str]]:
    """The newest excursions with the codes of place and probe. One query."""
    statement = (
        select(Excursion, Place.code, Probe.code)
        .join(Place, col(Place.id) == col(Excursion.place_id))
        .join(Probe, col(Probe.id) == col(Excursion.probe_id))
        .where(col(Place.site_id).in_(site_ids))
        .order_by(col(Excursion.id).desc())
        .limit(limit)
    )
    if before_id is not None:
        statement = statement.where(col(Excursion.id) < before_id)
    return session.exec(statement).all()
