"""Leases: any number of workers may run, one of them does a job at a time.

A worker that was paused and wakes after its lease has an old fencing token;
finishing with it is refused and its transaction rolls back.
"""

from datetime import datetime, timedelta

from sqlmodel import Session, SQLModel, col, select

from service.database import insert_ignoring
from service.errors import Conflict
from service.jobs.models import Job


def take(
    session: Session, name: str, *, at: datetime, every: timedelta, lease: timedelta
) -> int | None:
    """The fencing token of a job that is due and free; None where it is neither."""
    table = SQLModel.metadata.tables["job"]
    first = {"name": name, "fence": 0, "leased_until": at - lease}
    session.execute(insert_ignoring(session.get_bind().dialect.name, table), first)
    job = session.exec(
        select(Job).where(col(Job.name) == name).with_for_update(skip_locked=True)
    ).one_or_none()
    if job is None or job.leased_until > at:
        return None
    if job.done_at is not None and at - job.done_at < every:
        return None
    job.fence += 1
    job.leased_until = at + lease
    session.add(job)
    session.flush()
    return job.fence


def finish(session: Session, name: str, fence: int, *, at: datetime) -> None:
    """Say that a job is done. Raises Conflict if somebody else has taken it since."""
    job = session.exec(select(Job).where(col(Job.name) == name).with_for_update()).one()
    if job.fence != fence:
        raise Conflict(f"the lease of {name} ran out and somebody else has it", kind="lease-lost")
    job.done_at, job.leased_until = at, at
    session.add(job)
    session.flush()
