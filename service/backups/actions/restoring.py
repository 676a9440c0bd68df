"""Bringing a backup back into an empty database, of either kind."""

import json
import os
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection, inspect
from sqlalchemy import text as sql

from service import files
from service.backups.actions import tables
from service.backups.actions.archive import Member, broken_seal, damaged, members
from service.backups.actions.making import HEAD, MANIFEST
from service.backups.actions.tables import Column, Copied, Still
from service.backups.rules import FORMAT, Kind
from service.database import full_url, open_database
from service.errors import Conflict
from service.temperatures.actions.partitions import ensure_partitions


@dataclass
class Restored:
    """What was found in a backup while it was brought back."""

    head: dict[str, Any]
    manifest: dict[str, Any] = field(default_factory=dict)
    digests: dict[str, str] = field(default_factory=dict)
    rows: dict[str, int] = field(default_factory=dict)
    files: int = 0
    stored: set[str] = field(default_factory=set)

    @property
    def problems(self) -> list[str]:
        """Where the members are not what the manifest says."""
        said = self.manifest.get("digests", {})
        return [
            *(f"{n} is missing" for n in sorted(said.keys() - self.digests.keys())),
            *(f"{n} is not in the manifest" for n in sorted(self.digests.keys() - said.keys())),
            *(
                f"{n} is not as it was written"
                for n in sorted(said.keys() & self.digests.keys())
                if said[n] != self.digests[n]
            ),
            *(
                f"table {n} has {self.rows.get(n, 0)} rows, not {rows}"
                for n, rows in self.manifest.get("rows", {}).items()
                if self.rows.get(n, 0) != rows
            ),
        ]


def restore(
    path: Path, address: str, data_dir: Path | None, *, still: Still = lambda: None
) -> Restored:
    """Bring a backup into the database of an address and its files into a data folder.

    The database must be empty: none is ever overwritten. It is left at the backup's
    revision; `fishhouse migrate` brings it further. A SQLite file gets its name when it is
    whole; PostgreSQL gets all rows in one transaction. data_dir None: files are only looked at.
    Raises Conflict `backup-damaged` or `not-empty`. Memory: one chunk of some megabytes.
    """
    broken = broken_seal(path)
    if broken is not None:
        raise damaged(f"{path.name}: {broken}")
    url = full_url(address)
    if url.get_backend_name() == "sqlite":
        return _into_file(path, Path(url.database or ""), data_dir, still)
    return _into_server(path, address, data_dir, still)


def _into_file(path: Path, target: Path, data_dir: Path | None, still: Still) -> Restored:
    if target.exists() and target.stat().st_size:
        _ensure_empty(f"sqlite:///{target}")
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent, prefix=".restoring-") as folder:
        beside = Path(folder) / "restored.db"
        restored, members_left = _opened(path, f"sqlite:///{beside}")
        with closing(sqlite3.connect(beside, isolation_level=None)) as driver:
            for pragma in ("synchronous=OFF", "journal_mode=MEMORY", "foreign_keys=OFF"):
                driver.execute(f"PRAGMA {pragma}")
            driver.execute("BEGIN")
            for table, chunks in _by_table(restored, members_left, data_dir, still):
                for chunk in chunks:
                    tables.into_sqlite(driver, table, chunk)
            _ensure_whole(path, restored)
            if driver.execute("PRAGMA foreign_key_check").fetchone() is not None:
                raise damaged(f"{path.name}: a row refers to another that is not there")
            driver.execute("COMMIT")
            driver.execute("PRAGMA journal_mode=WAL")
        with beside.open("rb") as file:
            os.fsync(file.fileno())
        beside.replace(target)
    return restored


def _into_server(path: Path, address: str, data_dir: Path | None, still: Still) -> Restored:
    _ensure_empty(address)
    restored, members_left = _opened(path, address)
    database = open_database(address, connections=2)
    try:
        with database.writer.begin() as connection:
            connection.execute(sql("SET LOCAL TimeZone = 'UTC'"))
            driver: Any = connection.connection.driver_connection
            for table, chunks in _by_table(restored, members_left, data_dir, still):
                if table.own_rows:  # a row may refer to one that comes later: one statement
                    tables.into_postgresql(driver, table, chunks)
                    continue
                for chunk in chunks:
                    _make_months(connection, table, chunk)
                    tables.into_postgresql(driver, table, iter([chunk]))
            tables.set_sequences(connection, _tables(restored))
            _ensure_whole(path, restored)
    finally:
        database.close()
    return restored


def _make_months(connection: Connection, table: Copied, chunk: bytes) -> None:
    """The months that a chunk of readings lies in."""
    if table.name == "reading":
        place = [column.name for column in table.columns].index("at_s")
        at_s = [int(line.split(b"\t")[place]) for line in chunk.splitlines()]
        ensure_partitions(connection, np.array(at_s, dtype=np.int64))


def _ensure_empty(address: str) -> None:
    """Raise Conflict unless a database has no rows at all."""
    database = open_database(address, connections=2)
    try:
        with database.writer.connect() as connection:
            for table in tables.tables_of(connection):
                if connection.execute(sql(f'SELECT 1 FROM "{table.name}" LIMIT 1')).first():
                    raise Conflict(
                        f"the database is not empty: there are rows in {table.name}",
                        kind="not-empty",
                        advice="Name an empty database with --into; nothing is overwritten.",
                    )
    finally:
        database.close()


def _opened(path: Path, address: str) -> tuple[Restored, Iterator[Member]]:
    """The head of a backup, an empty database at its revision, and the members after the head."""
    inside = members(path)
    first = next(inside, None)
    if first is None or first.name != HEAD:
        raise damaged(f"{path.name} is no backup of this service")
    restored = Restored(json.loads(first.content), digests={HEAD: first.digest})
    if restored.head["format"] != FORMAT:
        raise _from_the_future(path)
    try:
        bring_to(address, restored.head["revision"])
    except LookupError as error:
        raise _from_the_future(path) from error
    _empty_again(address)
    return restored, inside


def bring_to(address: str, revision: str) -> None:
    """Make the tables of a revision. Raises LookupError for one that is not known here."""
    from alembic.util.exc import CommandError  # noqa: PLC0415 - heavy; `serve` starts without

    from alembic import command  # noqa: PLC0415
    from service.migrations import configuration  # noqa: PLC0415

    try:
        command.upgrade(configuration(address), revision)
    except CommandError as error:
        raise LookupError(revision) from error


def _from_the_future(path: Path) -> Conflict:
    return Conflict(
        f"{path.name} was made by a newer version of the service",
        kind="backup-damaged",
        advice="Install that version and try again.",
    )


def _empty_again(address: str) -> None:
    """Take out what the migrations put in themselves: the backup has it."""
    database = open_database(address, connections=2)
    try:
        with database.writer.begin() as connection:
            present = set(inspect(connection).get_table_names())
            for table in reversed(tables.tables_of(connection)):
                if table.name in present:
                    connection.execute(sql(f'DELETE FROM "{table.name}"'))
    finally:
        database.close()


def _tables(restored: Restored) -> list[Copied]:
    return [
        Copied(
            table["name"],
            tuple(Column(c["name"], Kind(c["kind"]), c["boolean"]) for c in table["columns"]),
            table["own_rows"],
        )
        for table in restored.head["tables"]
    ]


def _by_table(
    restored: Restored, inside: Iterator[Member], data_dir: Path | None, still: Still
) -> Iterator[tuple[Copied, Iterator[bytes]]]:
    """Each table with its chunks as they come; files and manifest are seen to on the way."""
    known = {table.name: table for table in _tables(restored)}

    def noted() -> Iterator[Member]:
        for member in inside:
            still()
            restored.digests[member.name] = member.digest
            if member.name.startswith("tables/"):
                yield member
            elif member.name.startswith("files/"):
                _take_file(restored, member, data_dir)
            elif member.name == MANIFEST:
                del restored.digests[member.name]
                restored.manifest = json.loads(member.content)

    def counted(name: str, group: Iterator[Member]) -> Iterator[bytes]:
        for member in group:
            restored.rows[name] = restored.rows.get(name, 0) + member.content.count(b"\n")
            yield member.content

    for name, group in groupby(noted(), lambda member: member.name.split("/")[1]):
        if name not in known:
            raise damaged(f"the backup has rows of a table that it does not describe: {name}")
        yield known[name], counted(name, group)


def _take_file(restored: Restored, member: Member, data_dir: Path | None) -> None:
    restored.files += 1
    restored.stored.add(member.digest)
    if data_dir is not None:
        files.keep(data_dir, member.content)


def _ensure_whole(path: Path, restored: Restored) -> None:
    if not restored.manifest:
        raise damaged(f"{path.name} has no manifest")
    if restored.problems:
        raise damaged(f"{path.name}: " + "; ".join(restored.problems[:5]))
