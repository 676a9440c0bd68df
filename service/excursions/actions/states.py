"""Moving an excursion from state to state, each time with a revision and an audit entry."""

from datetime import datetime

from sqlmodel import Session

from service.errors import Conflict
from service.excursions import queries
from service.excursions.models import Excursion, ExcursionRevision
from service.excursions.rules import ExcursionState, may_move
from service.security import audit
from service.security.actor import Actor


def move_to(
    session: Session,
    excursion: Excursion,
    state: ExcursionState,
    *,
    at: datetime,
    by: Actor,
    note: str,
) -> None:
    """Put an excursion, and those merged into it, into another state.

    Raises Conflict `excursion-state` if it may not go there from where it is.
    Cost: two queries and one row for each that is merged into it.
    """
    if not may_move(ExcursionState(excursion.state), state):
        raise Conflict(
            f"excursion {excursion.id} is {excursion.state}: it cannot be {state} now",
            kind="excursion-state",
        )
    site_id = queries.site_of(session, excursion)
    for one in (excursion, *queries.merged_into(session, [excursion.id or 0])):
        before = one.state
        one.state, one.reason = state, note
        revise(session, one, note, at=at, by=by)
        audit.note(
            session,
            by,
            f"excursion {state}",
            one.id,
            at=at,
            site_id=site_id,
            before={"state": before},
            after=one,
            detail={"note": note},
        )


def revise(session: Session, excursion: Excursion, reason: str, *, at: datetime, by: Actor) -> None:
    """Keep an excursion as it is known from now on, under its next number."""
    excursion.revision += 1
    session.add(excursion)
    keep(session, excursion, reason, at=at, by=by)


def keep(session: Session, excursion: Excursion, reason: str, *, at: datetime, by: Actor) -> None:
    """Write down an excursion as it is known now. One row; flushed."""
    session.add(excursion)
    session.flush()
    assert excursion.id is not None
    session.add(
        ExcursionRevision(
            excursion_id=excursion.id,
            number=excursion.revision,
            state=excursion.state,
            from_at=excursion.from_at,
            ended_at=excursion.ended_at,
            peak_c=excursion.peak_c,
            reason=reason,
            recorded_at=at,
            by=by.name,
        )
    )
    session.flush()
