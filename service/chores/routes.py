"""What is to be cleaned and measured by hand."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.chores import queries
from service.chores.queries import Standing
from service.chores.rules import ChoreState, interval_days
from service.chores.schemas import ChoreOut
from service.http.bodies import Page
from service.http.sessions import Now, ReadSession
from service.security.guard import MayLook, guarded_router

router: APIRouter = guarded_router("/chores", "chores")


@router.get("")
def list_chores(
    session: ReadSession,
    at: Now,
    by: MayLook,
    state: Annotated[
        list[ChoreState] | None, Query(description="Only these, as `state=due&state=overdue`.")
    ] = None,
) -> Page[ChoreOut]:
    """What is to be cleaned, sanitised or measured by hand, with when it was done and is due.

    Done by `POST /v1/checks`; intervals are the site's policy.
    """
    found = queries.standings(session, by=by, at=at)
    return Page(items=[_out(s) for s in found if state is None or s.due.state in state])


def _out(standing: Standing) -> ChoreOut:
    return ChoreOut(
        chore=standing.kind,
        says=standing.words,
        site=standing.site.code,
        place=standing.place.code if standing.place else None,
        equipment=standing.chore.equipment,
        state=standing.due.state,
        last_done_at=standing.last.at if standing.last else None,
        last_done_by=standing.last.by if standing.last else None,
        due_at=standing.due.due_at,
        overdue_at=standing.due.overdue_at,
        every_days=interval_days(standing.kind, standing.site.policy),
        done_by=sorted(standing.chore.done_by),
        source=standing.chore.source,
    )
