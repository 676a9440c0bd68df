"""Every select of scheduled backups."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from service.backups.models import Backup


def backups(session: Session, *, limit: int, before: datetime | None) -> Sequence[Backup]:
    """Scheduled backups, newest first. One query."""
    statement = select(Backup).order_by(col(Backup.slot_at).desc()).limit(limit)
    if before is not None:
        statement = statement.where(col(Backup.slot_at) < before)
    return session.exec(statement).all()


def present(session: Session) -> Sequence[Backup]:
    """Backups of which a file should be there, oldest first. One query."""
    statement = select(Backup).where(
        col(Backup.name).is_not(None), col(Backup.removed_at).is_(None)
    )
    return session.exec(statement.order_by(col(Backup.slot_at))).all()


def locked(session: Session, slot_at: datetime) -> Backup | None:
    """The backup of a slot, unless somebody else holds its row. One query."""
    statement = select(Backup).where(col(Backup.slot_at) == slot_at)
    return session.exec(statement.with_for_update(skip_locked=True)).one_or_none()
