"""How background work stands."""

from fastapi import APIRouter

from service.http.bodies import Page
from service.http.sessions import Now, ReadSession
from service.jobs import queries
from service.jobs.rules import state_of
from service.jobs.schemas import JobOut
from service.security.guard import MayLook, guarded_router

router: APIRouter = guarded_router("/jobs", "jobs")


@router.get("")
def list_jobs(session: ReadSession, at: Now, by: MayLook) -> Page[JobOut]:
    """Background work: when each was done, how long it took, why it failed, when it is due."""
    return Page(
        next=None,
        items=[
            JobOut(
                **job.model_dump(include=set(JobOut.model_fields) - {"state"}),
                state=state_of(
                    at=at, due_at=job.due_at, leased_until=job.leased_until, failures=job.failures
                ),
            )
            for job in queries.jobs(session)
        ],
    )
