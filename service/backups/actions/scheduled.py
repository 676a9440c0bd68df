"""Backups on schedule: made, brought back to try them, thinned out, and told of when they fail."""

import logging
from datetime import datetime, timedelta
from pathlib import Path

from sqlmodel import Session, SQLModel, col, select

from service.backups import queries
from service.backups.actions.making import Made, make
from service.backups.actions.tables import Still
from service.backups.actions.verifying import verify
from service.backups.models import Backup
from service.backups.rules import hours_of, kept, last_slot
from service.clock import Clock
from service.database import Database, insert_ignoring
from service.errors import Conflict
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.settings import Settings
from service.site.models import Site

log = logging.getLogger(__name__)
LEASE = timedelta(minutes=15)  # renewed each minute while it is being made
RENEWED_AFTER = timedelta(minutes=1)
AGAIN_AFTER = timedelta(hours=1)  # where it failed
MOST_ATTEMPTS = 5  # of one slot; the next comes anyway


def back_up_due(database: Database, settings: Settings, clock: Clock) -> bool:
    """Make the newest backup that is due, unless it is there or somebody makes it.

    Whether one was made and is good. A missed one is made when next looked; of several that
    were missed, one. Tells every site of a failure, the first time of a slot. Killed at any
    point it leaves at most a hidden unfinished file, and is begun again when the lease ends.
    """
    folder = settings.backup_folder
    if folder is None:
        return False
    slot_at = last_slot(hours_of(settings.backup_hours), clock())
    attempt = _claim(database, slot_at, clock())
    if attempt is None:
        return False
    still = _renewing(database, slot_at, attempt, clock)
    made: Made | None = None
    try:
        made = make(database, settings.data_dir, folder, at=clock(), still=still)
        report = verify(made.path, folder=folder, still=still)
        problem = "; ".join(report.problems[:5]) or None
    except Conflict as error:
        problem = error.detail
    except Exception as error:  # whatever it is: a house without a backup has to know
        log.exception("backup failed")
        problem = f"something unexpected failed: {type(error).__name__}"
    with transaction(database.writer) as session:
        _settle(session, slot_at, made, problem, at=clock())
    if problem is None:
        thin_out(database, settings, clock)
    return problem is None


def _claim(database: Database, slot_at: datetime, at: datetime) -> int | None:
    """Which attempt this is; None where it is made already, or by somebody else, or too often."""
    with transaction(database.writer) as session:
        table = SQLModel.metadata.tables["backup"]
        insert = insert_ignoring(session.get_bind().dialect.name, table)
        session.execute(insert, {"slot_at": slot_at, "attempts": 0})
        backup = queries.locked(session, slot_at)
        if backup is None or backup.verified_at is not None or backup.attempts >= MOST_ATTEMPTS:
            return None
        if backup.leased_until is not None and backup.leased_until > at:
            return None
        backup.attempts += 1
        backup.leased_until = at + LEASE
        session.add(backup)
        return backup.attempts


def _renewing(database: Database, slot_at: datetime, attempt: int, clock: Clock) -> Still:
    """Says each minute that it is still being made. Raises Conflict if somebody took over."""
    renewed_at = clock()

    def still() -> None:
        nonlocal renewed_at
        at = clock()
        if at - renewed_at < RENEWED_AFTER:
            return
        renewed_at = at
        with transaction(database.writer) as session:
            backup = session.get_one(Backup, slot_at, with_for_update=True)
            if backup.attempts != attempt:
                raise Conflict("another worker makes this backup", kind="lease-lost")
            backup.leased_until = at + LEASE
            session.add(backup)

    return still


def _settle(
    session: Session, slot_at: datetime, made: Made | None, problem: str | None, *, at: datetime
) -> None:
    backup = session.get_one(Backup, slot_at, with_for_update=True)
    backup.finished_at, backup.problem = at, problem
    if made is not None:
        backup.name, backup.bytes = made.path.name, made.bytes
    backup.verified_at = at if problem is None else None
    backup.leased_until = None if problem is None else at + AGAIN_AFTER
    session.add(backup)
    detail: dict[str, object] = {"name": backup.name, "bytes": backup.bytes, "problem": problem}
    audit.note(session, SERVICE, "backup made", slot_at.isoformat(), at=at, detail=detail)
    if problem is not None and backup.attempts == 1:
        _tell(session, slot_at, "The backup failed", problem, Urgency.NOW, at=at)
    if made is not None and made.damaged:
        names = ", ".join(made.damaged[:10])
        _tell(session, slot_at, "Kept files are damaged", names, Urgency.TODAY, at=at)


def _tell(
    session: Session, slot_at: datetime, title: str, body: str, urgency: Urgency, *, at: datetime
) -> None:
    for site in session.exec(select(Site).order_by(col(Site.id))):
        tell(
            session,
            site_id=site.id or 0,
            subject=Subject.BACKUP,
            number=0,
            title=title,
            body=f"{body}. It was due at {slot_at:%Y-%m-%d %H:%M} UTC.",
            urgency=urgency,
            at=at,
        )


def thin_out(database: Database, settings: Settings, clock: Clock) -> None:
    """Remove scheduled backups that newer ones have made needless. Only files made on schedule.

    Good ones are kept by day, week and month; one that is no good goes once a newer one is good.
    """
    folder = settings.backup_folder
    if folder is None:
        return
    with transaction(database.writer) as session:
        present = queries.present(session)
        good = [b.slot_at for b in present if b.verified_at is not None]
        wanted = kept(
            good,
            days=settings.backup_days,
            weeks=settings.backup_weeks,
            months=settings.backup_months,
        )
        for backup in present:
            needless = bool(good) and backup.slot_at not in wanted and backup.slot_at < max(good)
            if needless and backup.name is not None:
                _remove(session, folder / backup.name, backup, at=clock())


def _remove(session: Session, path: Path, backup: Backup, *, at: datetime) -> None:
    path.unlink(missing_ok=True)
    backup.removed_at = at
    session.add(backup)
    audit.note(session, SERVICE, "backup removed", backup.slot_at.isoformat(), at=at)
