"""What is due, and how jobs stand."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import Connection
from sqlmodel import Session, col, select

from service.jobs.models import Job
from service.jobs.rules import is_due, is_held


def jobs(session: Session) -> Sequence[Job]:
    """Every job that a worker has ever had, by name. One query."""
    return session.exec(select(Job).order_by(col(Job.name))).all()


def free_and_due(connection: Connection, *, at: datetime) -> set[str]:
    """The names of jobs that could be taken now. One query, no lock."""
    rows = connection.execute(select(Job.name, Job.due_at, Job.every_s, Job.leased_until))
    return {
        row.name
        for row in rows
        if not is_held(at, row.leased_until)
        and is_due(at, row.due_at, timedelta(seconds=row.every_s))
    }
