"""Making a backup while the service runs: one still picture of the database, and every file."""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection
from sqlmodel import Session, col, select

from service.backups.actions import tables
from service.backups.actions.archive import Archive, written
from service.backups.actions.tables import Copied, Still
from service.backups.rules import FORMAT
from service.database import Database
from service.ledger import queries as ledger
from service.security.models import AuditHead

HEAD, MANIFEST = "head.json", "manifest.json"


@dataclass(frozen=True)
class Made:
    """A backup that was made. damaged: names of files that were so before."""

    path: Path
    bytes: int
    rows: int
    files: int
    damaged: tuple[str, ...]


@dataclass
class _Counts:
    rows: dict[str, int] = field(default_factory=dict)
    files: int = 0
    damaged: list[str] = field(default_factory=list)


def name_of(at: datetime) -> str:
    """What a backup of this instant is called."""
    return f"fishhouse-{at:%Y%m%dT%H%M%SZ}.tar.gz"


def make(
    database: Database,
    data_dir: Path,
    folder: Path,
    *,
    at: datetime,
    still: Still = lambda: None,
) -> Made:
    """Write everything into one new file in a folder. Readers and writers go on meanwhile.

    Files are never changed and are there before the rows that name them: copied after the
    picture is taken, none is missing. Raises Conflict `backup-failed`.
    Memory: a few megabytes, and a line of the list of files for each.
    """
    path = folder / name_of(at)
    counts = _Counts()
    with (
        Session(database.snapshot) as session,
        written(path) as archive,
    ):
        connection = session.connection()
        copied = tables.tables_of(connection)
        archive.add(HEAD, _json(_head(connection, copied, at)))
        for table in copied:
            counts.rows[table.name] = _add_rows(archive, connection, table, still)
        manifest = {"chains": _chains(session), "grams": _grams(session)}
        _add_files(archive, data_dir, counts, still)
        archive.add(
            MANIFEST,
            _json(
                manifest
                | {
                    "rows": counts.rows,
                    "files": counts.files,
                    "damaged": counts.damaged,
                    "digests": archive.digests,
                }
            ),
        )
    return Made(
        path=path,
        bytes=path.stat().st_size,
        rows=sum(counts.rows.values()),
        files=counts.files,
        damaged=tuple(counts.damaged),
    )


def _json(thing: object) -> bytes:
    return json.dumps(thing, indent=1, sort_keys=True).encode()


def _head(connection: Connection, copied: list[Copied], at: datetime) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "made_at": at.isoformat(),
        "database": connection.dialect.name,
        "revision": tables.revision_of(connection),
        "tables": [asdict(table) for table in copied],
    }


def _add_rows(archive: Archive, connection: Connection, table: Copied, still: Still) -> int:
    rows = 0
    for number, chunk in enumerate(tables.rows_of(connection, table), 1):
        archive.add(f"tables/{table.name}/{number:06}", chunk)
        rows += chunk.count(b"\n")
        still()
    return rows


def _chains(session: Session) -> list[dict[str, Any]]:
    heads = session.exec(select(AuditHead).order_by(col(AuditHead.chain)))
    return [head.model_dump() for head in heads]


def _grams(session: Session) -> dict[str, int]:
    """Grams in parcels and accounts."""
    totals = {str(account): grams for account, grams in ledger.account_totals(session).items()}
    return totals | {"parcels": ledger.parcel_total(session)}


def _add_files(archive: Archive, data_dir: Path, counts: _Counts, still: Still) -> None:
    for digest, path in _stored(data_dir):
        content = path.read_bytes()
        archive.add(f"files/{digest[:2]}/{digest[2:]}", content)
        counts.files += 1
        if hashlib.sha256(content).hexdigest() != digest:
            counts.damaged.append(digest)
        still()


def _stored(data_dir: Path) -> Iterator[tuple[str, Path]]:
    """Every kept file with the SHA-256 that it is named after; none that is half written."""
    for folder in sorted((data_dir / "files").glob("[0-9a-f][0-9a-f]")):
        for path in sorted(folder.iterdir()):
            if len(path.name) == 62 and not path.name.startswith("."):
                yield folder.name + path.name, path
