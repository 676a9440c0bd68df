"""One event for a place, whichever of its probes saw it and in however many parts."""

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime, timedelta

from sqlmodel import Session

from service.excursions.actions.states import revise
from service.excursions.models import Excursion
from service.excursions.queries import watching as queries
from service.excursions.rules import ExcursionKind, ExcursionState
from service.security.actor import SERVICE


def link(
    session: Session,
    place_id: int,
    since: datetime,
    near: timedelta,
    changed: Collection[int],
    *,
    at: datetime,
) -> None:
    """Merge what overlaps in a place since an instant, or is nearer than `near` and not silent.

    Too warm and rising are one event, silent another. An event is open while a part of it
    is. It is led by one that was too warm, then by the earliest. Those that were decided
    stay as they are: what overlaps them follows them. One query, and one for each time that
    a chain reaches further back.
    """
    rows = queries.standing_at(session, place_id, since - near)
    while rows and min(row.from_at for row in rows) < since:
        since = min(row.from_at for row in rows)
        rows = queries.standing_at(session, place_id, since - near)
    for silent in (False, True):
        alike = [row for row in rows if (row.kind == ExcursionKind.SILENT) == silent]
        decided = [row for row in alike if row.state == ExcursionState.DECIDED]
        live = [row for row in alike if row.state != ExcursionState.DECIDED]
        for group in _groups(live, timedelta(0) if silent else near):
            leader = min(group, key=_leads)
            _follow(leader, decided)
            _lead(session, leader, group, changed, at)


def _groups(rows: Iterable[Excursion], near: timedelta) -> list[list[Excursion]]:
    """Rows in order of their begin, together where one begins before the others are over."""
    groups: list[list[Excursion]] = []
    over: datetime | None = None
    for row in rows:
        if groups and (over is None or row.from_at - over < near):
            groups[-1].append(row)
        else:
            groups.append([row])
            over = row.ended_at
            continue
        over = None if over is None or row.ended_at is None else max(over, row.ended_at)
    return groups


def _leads(row: Excursion) -> tuple[bool, datetime, int, int]:
    return (row.kind != ExcursionKind.WARM, row.from_at, row.probe_id, row.id or 0)


def _follow(leader: Excursion, decided: Iterable[Excursion]) -> None:
    """Link what overlaps something that was decided to it."""
    for before in decided:
        overlaps = leader.ended_at is None or before.from_at <= leader.ended_at
        if leader.follows_id is None and overlaps and _reaches(before, leader.from_at):
            leader.follows_id = before.id


def _reaches(row: Excursion, at: datetime) -> bool:
    return row.ended_at is None or row.ended_at >= at


def _lead(
    session: Session,
    leader: Excursion,
    group: Sequence[Excursion],
    changed: Collection[int],
    at: datetime,
) -> None:
    parts_changed = False
    for row in group:
        into = None if row is leader else leader.id
        if row.merged_into_id != into:
            row.merged_into_id = into
            said = "stands for itself" if into is None else f"part of excursion {into}"
            revise(session, row, said, at=at, by=SERVICE)
            parts_changed = parts_changed or into is not None
        parts_changed = parts_changed or (row is not leader and row.id in changed)
    state = ExcursionState(leader.state)
    if any(row.ended_at is None for row in group):
        state = ExcursionState.OPEN
    elif state is ExcursionState.OPEN or parts_changed:
        state = ExcursionState.ENDED
    if state != leader.state:
        leader.state, leader.reason = state, f"{state}, with all its parts"
        revise(session, leader, leader.reason, at=at, by=SERVICE)
    session.add(leader)
    session.flush()
