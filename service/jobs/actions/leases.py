"""Leases: any number of workers may run, one of them does a job at a time.

A worker that was paused and wakes after its lease has an old fencing token.
Every transaction through its `fenced` database checks the token last, so none
of them commits. This does not hang on clocks: they only say when a lease may be
taken over.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta

from sqlalchemy import Connection, event, update
from sqlmodel import Session, SQLModel, col, select

from service.database import Database, insert_ignoring
from service.errors import Conflict
from service.jobs.models import Job
from service.jobs.rules import is_due, is_held, retry_after

LONGEST_ERROR = 500


def register(session: Session, every: Mapping[str, timedelta], *, at: datetime) -> None:
    """Make jobs known that are not yet: due at once. A new interval counts from the last run."""
    table = SQLModel.metadata.tables["job"]
    insert = insert_ignoring(session.get_bind().dialect.name, table)
    for name, interval in sorted(every.items()):
        row = {"name": name, "fence": 0, "failures": 0, "due_at": at}
        session.execute(insert, row | {"every_s": interval.total_seconds()})
    changed = select(Job).where(col(Job.name).in_(every)).order_by(col(Job.name))
    for job in session.exec(changed.with_for_update()).all():
        interval = every[job.name]
        if job.every_s != interval.total_seconds():
            job.every_s = interval.total_seconds()
            job.due_at = min(job.due_at, at + interval)
            session.add(job)
    session.flush()


def take(session: Session, name: str, *, at: datetime, lease: timedelta) -> int | None:
    """The fencing token of a job that is due and free; None where it is neither, or unknown."""
    job = session.exec(
        select(Job).where(col(Job.name) == name).with_for_update(skip_locked=True)
    ).one_or_none()
    if job is None or is_held(at, job.leased_until):
        return None
    if not is_due(at, job.due_at, timedelta(seconds=job.every_s)):
        return None
    job.fence += 1
    job.began_at, job.leased_until = at, at + lease
    session.add(job)
    session.flush()
    return job.fence


def renew(session: Session, name: str, fence: int, *, at: datetime, lease: timedelta) -> bool:
    """Hold a job for longer. False if it was finished, given up, or is somebody else's."""
    statement = (
        update(Job)
        .where(col(Job.name) == name, col(Job.fence) == fence, col(Job.leased_until) > at)
        .values(leased_until=at + lease)
        .returning(col(Job.fence))
    )
    return session.execute(statement).first() is not None


def finish(session: Session, name: str, fence: int, *, at: datetime) -> None:
    """Say that a job is done; it is due again an interval after it began.

    Raises Conflict if somebody else has taken it since.
    """
    job = _mine(session, name, fence)
    began = job.began_at or at
    job.done_at, job.leased_until = at, None
    job.took_s = max(0.0, (at - began).total_seconds())
    job.due_at = began + timedelta(seconds=job.every_s)
    job.failures = 0
    session.add(job)
    session.flush()


def fail(session: Session, name: str, fence: int, why: str, *, at: datetime) -> int:
    """Say that a job failed; it is tried again, later each time. Returns failures in a row.

    Raises Conflict if somebody else has taken it since.
    """
    job = _mine(session, name, fence)
    job.failures += 1
    job.failed_at, job.leased_until = at, None
    job.last_error = why[:LONGEST_ERROR]
    job.due_at = at + retry_after(job.failures)
    session.add(job)
    session.flush()
    return job.failures


def _mine(session: Session, name: str, fence: int) -> Job:
    statement = select(Job).where(col(Job.name) == name).with_for_update()
    job = session.exec(statement.execution_options(populate_existing=True)).one()
    _check(name, job.fence, fence)
    return job


def _check(name: str, found: int | None, fence: int) -> None:
    if found != fence:
        raise Conflict(f"the lease of {name} ran out and somebody else has it", kind="lease-lost")


def fenced(database: Database, name: str, fence: int, *, lease: timedelta) -> Database:
    """The same database, in which no transaction commits once somebody else has the job.

    The token is read, and the job's row locked, last in each transaction, in whatever thread.
    On PostgreSQL the server ends a transaction that stands still for a whole lease: a worker that
    was paused would keep others from the rows that it has locked.
    """
    writer = database.writer.execution_options()  # an engine of its own on the same connections
    statement = select(Job.fence).where(col(Job.name) == name).with_for_update()
    limit = f"SET LOCAL idle_in_transaction_session_timeout = {int(lease.total_seconds() * 1000)}"

    def check(connection: Connection) -> None:
        _check(name, connection.execute(statement).scalar_one_or_none(), fence)

    def limit_idling(connection: Connection) -> None:
        connection.exec_driver_sql(limit)

    event.listen(writer, "commit", check)
    if not database.is_sqlite:
        event.listen(writer, "begin", limit_idling)
    return replace(database, writer=writer)
