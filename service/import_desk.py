"""`fishhouse import …`: tables from the machine that runs the service, with progress."""

import argparse
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlmodel import Session

from service.clock import system_clock
from service.database import open_database
from service.errors import Invalid
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.settings import Settings

Subparsers = Any  # argparse keeps the name of its type to itself
Progress = Callable[[str, int, int], None]
Import = Callable[[Session, bytes, bool, datetime, Progress], list[str]]
MOST_LINES = 40  # of rows at fault that are printed


def register(commands: Subparsers) -> None:
    """Add `import assays` and `import opening` to the command line."""
    group = commands.add_parser("import", help="tables of results and of stock, CSV or XLSX")
    kinds = group.add_subparsers(required=True, metavar="WHAT")
    for name, what, work in (
        ("assays", "laboratory results, a figure a row", _assays),
        ("opening", "what lies in the freezers when the books begin", _opening),
    ):
        parser = kinds.add_parser(name, help=what, description=what)
        parser.add_argument("file", type=Path, metavar="FILE")
        parser.add_argument(
            "--dry-run", action="store_true", help="check everything, store nothing"
        )
        parser.set_defaults(command=_run, work=work)


def _run(parsed: argparse.Namespace) -> int:
    """One table in one transaction: 0, or 1 with every row that is wrong."""
    try:
        body = parsed.file.read_bytes()
    except OSError as error:
        raise ValueError(f"{parsed.file} cannot be read: {error.strerror}") from error
    settings = Settings()
    database = open_database(settings.database_url, connections=2)
    work: Import = parsed.work
    try:
        with _shown() as progress, transaction(database.writer) as session:
            lines = work(session, body, parsed.dry_run, system_clock(), progress)
    except Invalid as error:
        print(error.detail, file=sys.stderr)
        for problem in error.errors[:MOST_LINES]:
            print(f"  {problem.field.removeprefix('rows.')}: {problem.message}", file=sys.stderr)
        return 1
    finally:
        database.close()
    print("\n".join(lines))
    print("A dry run: nothing was stored." if parsed.dry_run else "Stored.")
    return 0


class _shown:  # noqa: N801 - it reads as what it is: with _shown() as progress
    """A bar for each stage, on a terminal; nothing where nobody looks."""

    def __enter__(self) -> Progress:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

        self._bars = Progress(
            TextColumn("{task.description:10}"),
            BarColumn(),
            MofNCompleteColumn(),
            console=Console(stderr=True),
            transient=True,
        )
        self._bars.start()
        self._tasks: dict[str, Any] = {}
        return self._show

    def __exit__(self, *_: object) -> None:
        self._bars.stop()

    def _show(self, stage: str, done: int, of: int) -> None:
        if stage not in self._tasks:
            self._tasks[stage] = self._bars.add_task(stage, total=of)
        self._bars.update(self._tasks[stage], completed=done, total=of)


def _assays(
    session: Session, body: bytes, dry_run: bool, at: datetime, progress: Progress
) -> list[str]:
    from service.assays.actions.importing import import_assays

    made = import_assays(session, body, dry_run=dry_run, at=at, by=SERVICE, progress=progress)
    held = [
        f"held: lot {lot.lot}: {'; '.join(f.because for f in lot.findings)}" for lot in made.held
    ]
    return [
        f"{made.rows} rows: {made.assays} assays, {made.values} contents, {made.tests} tests.",
        *held,
    ]


def _opening(
    session: Session, body: bytes, dry_run: bool, at: datetime, progress: Progress
) -> list[str]:
    from service.opening.actions import import_opening

    made = import_opening(session, body, dry_run=dry_run, at=at, by=SERVICE, progress=progress)
    lines = [f"{made.rows} rows: {made.deliveries} deliveries."]
    lines += [
        f"{total.place:12} {total.species:4} {total.mass.value:12g} {total.mass.unit}"
        f"  {total.lots} lots, {total.held} held"
        for total in made.totals
    ]
    blocked = [lot for lot in made.lots if lot.status == "held"]
    lines += [
        f"held: row {lot.row}: "
        + "; ".join(f.because for f in lot.findings if f.outcome == "block")
        for lot in blocked[:MOST_LINES]
    ]
    return lines
