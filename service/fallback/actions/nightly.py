"""Each evening tomorrow's sheet is made, put into a folder and told of."""

import os
from datetime import datetime, timedelta
from pathlib import Path

from sqlmodel import Session

from service.clock import Clock
from service.database import Database
from service.fallback import queries
from service.fallback.actions.drawing import draw_apart
from service.fallback.actions.making import make_for
from service.fallback.models import FallbackSheet
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.site.queries import SiteView, sites_seen, view

FOLDER = "fallback-sheets"


def make_due(database: Database, clock: Clock, data_dir: Path) -> list[Path]:
    """Tomorrow's sheet of each site whose evening has begun, unless its file is there already.

    The files that were written, under `fallback-sheets` of the data folder: to be printed, and
    to be read where nothing but the disk is left.
    """
    at = clock()
    with Session(database.snapshot) as session:
        site_ids = sites_seen(session, by=SERVICE)
    written = [_of_site(database, site_id, data_dir / FOLDER, at) for site_id in site_ids]
    return [path for path in written if path is not None]


def _of_site(database: Database, site_id: int, folder: Path, at: datetime) -> Path | None:
    with Session(database.snapshot) as session:
        site = view(session, site_id, at=at)
        if not is_evening(site, at):
            return None
        tomorrow = site.day_of(at) + timedelta(days=1)
        sheet = queries.newest(session, site_id, tomorrow)
    if sheet is None:
        with transaction(database.writer) as session:
            sheet = make_for(session, site, tomorrow, at=at, by=SERVICE)
            _tell(session, sheet, folder, at)
            session.flush()
            session.expunge(sheet)
    path = folder / f"{sheet.code}.pdf"
    if path.exists():
        return None
    with Session(database.snapshot) as session:
        _write(path, draw_apart(session, sheet, site))
    return path


def is_evening(site: SiteView, at: datetime) -> bool:
    """Whether the hour has come from which a site wants the sheet of the next day."""
    local = at.astimezone(site.zone)
    return local.hour + local.minute / 60 >= site.policy.fallback_sheet_from


def _write(path: Path, drawn: bytes) -> None:
    """Whole or not at all: somebody may print what appears in the folder."""
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}")
    unfinished.write_bytes(drawn)
    unfinished.replace(path)


def _tell(session: Session, sheet: FallbackSheet, folder: Path, at: datetime) -> None:
    tell(
        session,
        site_id=sheet.site_id,
        subject=Subject.FALLBACK,
        number=sheet.id or 0,
        title=f"Print sheet {sheet.code} for {sheet.day:%a} {sheet.day}",
        body=f"{len(sheet.document['lines'])} feeds, for when everything fails: "
        f"{folder.name}/{sheet.code}.pdf in the data folder.",
        urgency=Urgency.TODAY,
        at=at,
    )
