"""Excursions with the codes of their places and probes, for lists."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlmodel import Session, col, or_, select

from service.excursions.models import Excursion
from service.excursions.rules import SETTLED, ExcursionKind, ExcursionState
from service.probes.models import Probe
from service.site.models import Place

Shown = tuple[Excursion, str, str]


@dataclass(frozen=True)
class Filter:
    """Which excursions are asked for; None: all. merged: also those that another stands for.
    unsettled: only those about which something is left to be done."""

    place_id: int | None = None
    state: ExcursionState | None = None
    kind: ExcursionKind | None = None
    from_at: datetime | None = None
    to_at: datetime | None = None
    merged: bool = False
    unsettled: bool = False


def shown(
    session: Session,
    site_ids: Sequence[int],
    asked: Filter,
    *,
    limit: int,
    before_id: int | None,
) -> Sequence[Shown]:
    """The newest excursions that were asked for. One query."""
    statement = (
        _with_codes()
        .where(col(Place.site_id).in_(site_ids), *_conditions(asked))
        .order_by(col(Excursion.id).desc())
        .limit(limit)
    )
    if before_id is not None:
        statement = statement.where(col(Excursion.id) < before_id)
    found: Sequence[Shown] = session.exec(statement).all()
    return found


def shown_by_id(session: Session, ids: Collection[int]) -> Sequence[Shown]:
    """The excursions of these numbers, in order. One query."""
    statement = _with_codes().where(col(Excursion.id).in_(ids)).order_by(col(Excursion.id))
    found: Sequence[Shown] = session.exec(statement).all()
    return found


def _with_codes() -> Any:
    return (
        select(Excursion, Place.code, Probe.code)
        .join(Place, col(Place.id) == col(Excursion.place_id))
        .join(Probe, col(Probe.id) == col(Excursion.probe_id))
    )


def _conditions(asked: Filter) -> list[Any]:
    state = col(Excursion.state)
    conditions: list[Any] = [
        state != ExcursionState.WITHDRAWN if asked.state is None else state == asked.state
    ]
    if not asked.merged and asked.state != ExcursionState.WITHDRAWN:
        conditions.append(col(Excursion.merged_into_id).is_(None))
    if asked.unsettled:
        conditions.append(state.in_([s for s in ExcursionState if s not in SETTLED]))
    if asked.place_id is not None:
        conditions.append(col(Excursion.place_id) == asked.place_id)
    if asked.kind is not None:
        conditions.append(col(Excursion.kind) == asked.kind)
    if asked.from_at is not None:
        ended = col(Excursion.ended_at)
        conditions.append(or_(ended.is_(None), ended > asked.from_at))
    if asked.to_at is not None:
        conditions.append(col(Excursion.from_at) < asked.to_at)
    return conditions
