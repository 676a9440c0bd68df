"""`fishhouse import …`: tables from the machine that runs the service, with progress.

Assays and opening stock are stored whole or not at all. Readings are stored as they come:
the exit code is 0 if every line was stored or there already, 1 if lines were rejected
and all others stored.
"""

import argparse
import codecs
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlmodel import Session

from service.clock import system_clock
from service.database import Database, open_database
from service.errors import Invalid
from service.probes import queries as probes
from service.quantities import TemperatureUnit
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.settings import Settings
from service.site import queries as sites
from service.temperatures.rules.logger_tables import Layout

Subparsers = Any  # argparse keeps the name of its type to itself
Progress = Callable[[str, int, int], None]
Import = Callable[[Session, bytes, bool, datetime, Progress], list[str]]
MOST_LINES = 40  # of rows at fault that are printed


def register(commands: Subparsers) -> None:
    """Add `import assays`, `import opening` and `import readings` to the command line."""
    group = commands.add_parser("import", help="tables of results, of stock, of temperatures")
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
    _register_readings(kinds)


def _register_readings(kinds: Subparsers) -> None:
    what = "a logger's temperatures, CSV of any layout; exit 1 if lines were rejected"
    parser = kinds.add_parser("readings", help="a logger's temperatures, CSV", description=what)
    add = parser.add_argument
    parser.set_defaults(command=_readings)
    add("file", type=Path, metavar="FILE")
    add("--dry-run", action="store_true", help="check everything, store nothing")
    add("--delimiter", default=",", help="between columns; `tab` for a tabulator")
    add("--decimal-comma", action="store_true", help="numbers are written -20,5")
    add("--skip", type=int, default=0, metavar="LINES", help="lines before the header")
    add("--no-header", action="store_true", help="no header: columns are numbers from 1")
    add("--encoding", default="utf-8-sig", help="as utf-8, utf-16 or latin-1")
    add(
        "--time",
        action="append",
        metavar="COLUMN",
        help="when; given twice: the date's column, then the time's (default at)",
    )
    add("--time-format", metavar="FORMAT", help="as strptime: %%d.%%m.%%Y %%H:%%M; default ISO")
    add("--zone", metavar="NAME", help="of local times, as Europe/Oslo; default the site's")
    add("--site", metavar="CODE", help="whose zone counts, where there are several")
    add("--probe", metavar="CODE", help="all readings are of this probe")
    add("--probe-column", default="probe", metavar="COLUMN", help="names the probe of a line")
    add("--temperature", default="temperature_c", metavar="COLUMN", help="the temperature")
    add(
        "--column",
        action="append",
        default=[],
        metavar="COLUMN=PROBE",
        help="a column of a probe's temperatures; repeatable, for several probes in a line",
    )
    add("--unit", choices=[unit.value for unit in TemperatureUnit], default="c")


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


def _readings(parsed: argparse.Namespace) -> int:
    """A logger's file, a piece in each transaction: 0, or 1 if lines were rejected."""
    from service.temperatures.actions.importing import Imported, import_readings, lines_of

    settings = Settings()
    database = open_database(settings.database_url, connections=2)
    try:
        layout = _layout(parsed, database)
        size = parsed.file.stat().st_size
        with (
            parsed.file.open(encoding=parsed.encoding, errors="replace") as file,
            _shown() as progress,
        ):

            def show(_so_far: Imported) -> None:
                progress("kB", file.buffer.tell() // 1000, size // 1000)

            made = import_readings(
                database,
                lines_of(file),
                layout,
                dry_run=parsed.dry_run,
                clock=system_clock,
                by=SERVICE,
                progress=show,
            )
    except OSError as error:
        raise ValueError(f"{parsed.file} cannot be read: {error.strerror}") from error
    finally:
        database.close()
    for refused in made.rejected:
        print(f"  line {refused.line}: {refused.why}", file=sys.stderr)
    if made.rejections > len(made.rejected):
        print(f"  and {made.rejections - len(made.rejected)} more", file=sys.stderr)
    print(f"{made.stored} stored, {made.duplicates} there already, {made.rejections} rejected.")
    print("A dry run: nothing was stored." if parsed.dry_run else "Stored.")
    return 1 if made.rejections else 0


def _layout(parsed: argparse.Namespace, database: Database) -> Layout:
    """What the options say of a file. Raises NotFound for a probe or site, ValueError else."""
    wide = [tuple(named.rpartition("=")[::2]) for named in parsed.column]
    if any(not column or not code for column, code in wide):
        raise ValueError("--column is written COLUMN=PROBE")
    if len(parsed.time or ()) > 2:
        raise ValueError("--time is given once, or twice: the date's column and the time's")
    try:
        codecs.lookup(parsed.encoding)
    except LookupError as error:
        raise ValueError(f"no encoding is called {parsed.encoding!r}") from error
    delimiter = "\t" if parsed.delimiter == "tab" else parsed.delimiter
    if len(delimiter) != 1:
        raise ValueError("--delimiter is one character, or tab")
    named = [code for _, code in wide] + ([parsed.probe] if parsed.probe else [])
    with Session(database.snapshot) as session:
        for code in named:
            probes.probe_by_code(session, code, by=SERVICE)
        zone = parsed.zone or sites.site_or_only(session, parsed.site, by=SERVICE).timezone
    return Layout(
        time=tuple(parsed.time or ["at"]),
        temperatures=tuple(wide) or ((parsed.temperature, parsed.probe),),
        probe_column=None if named else parsed.probe_column,
        zone=_zone(zone),
        time_format=parsed.time_format,
        delimiter=delimiter,
        decimal_comma=parsed.decimal_comma,
        header=not parsed.no_header,
        skip=parsed.skip,
        unit=TemperatureUnit(parsed.unit),
    )


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError(f"no time zone is called {name!r}") from error


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
