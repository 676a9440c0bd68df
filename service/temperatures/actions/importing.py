"""Readings from a logger's file: read as a stream, stored in pieces, each a transaction.

What is stored stays stored: broken off, the same file is imported again, and what was
stored before is found to be there.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from typing import TextIO

from service.clock import Clock
from service.database import Database
from service.security import audit
from service.security.actor import Actor
from service.security.transactions import transaction
from service.temperatures.actions.decoding import Decoded, Row
from service.temperatures.actions.storing import store
from service.temperatures.rules.logger_tables import Found, Layout, Refused, read_table
from service.temperatures.schemas import ReadingsOut

ROWS_AT_ONCE = 20_000
LONGEST_LINE = 100_000
MOST_KEPT = 1000  # of lines at fault; the rest are counted


@dataclass
class Imported:
    """What became of a file. rejected: the first lines at fault, and why."""

    stored: int = 0
    duplicates: int = 0
    rejections: int = 0
    rejected: list[Refused] = field(default_factory=list)

    def reject(self, line: int, why: str) -> None:
        """Count a line at fault, and keep it while there is room."""
        self.rejections += 1
        if len(self.rejected) < MOST_KEPT:
            self.rejected.append(Refused(line, why))


def import_readings(
    database: Database,
    lines: Iterable[str],
    layout: Layout,
    *,
    dry_run: bool,
    clock: Clock,
    by: Actor,
    progress: Callable[[Imported], None],
) -> Imported:
    """Store every reading of a table that can be; the lines of the others are named.

    A dry run takes each piece back. Raises Unreadable if a column is missing. Memory:
    one piece, however long the file is.
    """
    imported = Imported()
    found = read_table(lines, layout)
    while piece := list(islice(found, ROWS_AT_ONCE)):
        rows = [row for row in piece if isinstance(row, Found)]
        for row in piece:
            if isinstance(row, Refused):
                imported.reject(row.line, row.why)
        answer = _stored(database, rows, dry_run, clock, by)
        imported.stored += answer.stored
        imported.duplicates += answer.duplicates
        for rejected in answer.rejected:
            imported.reject(rows[rejected.index].line, rejected.reason)
        progress(imported)
    return imported


def _stored(
    database: Database, rows: list[Found], dry_run: bool, clock: Clock, by: Actor
) -> ReadingsOut:
    decoded = Decoded(
        list(range(len(rows))), [Row(row.probe, row.at, row.temperature_c) for row in rows]
    )
    with transaction(database.writer) as session:
        savepoint = session.begin_nested()
        answer = store(session, decoded, at=clock(), by=by)
        if dry_run:
            savepoint.rollback()
            audit.forget_pending(session)
    return answer


def lines_of(file: TextIO) -> Iterator[str]:
    """The lines of a file; of one that is longer than any reading only the beginning."""
    while line := file.readline(LONGEST_LINE):
        whole = line
        while len(line) == LONGEST_LINE and not line.endswith("\n"):
            line = file.readline(LONGEST_LINE)
        yield whole
