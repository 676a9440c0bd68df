"""`fishhouse demo`: load the year, tell the run, then serve until stopped."""

import logging
import shutil
import socket
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from secrets import token_urlsafe

import uvicorn
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from service.app import create_app
from service.clock import system_clock
from service.database import Database, open_database
from service.demo import paper, place
from service.demo.asking import Asker
from service.demo.history import Loaded, Year
from service.demo.story import Story, StoryBroken
from service.migrations import migrate
from service.security import people, users
from service.security.actor import SERVICE
from service.security.rules import Role
from service.security.transactions import transaction
from service.settings import Settings

HOST = "127.0.0.1"
MARK = "fishhouse-demo"  # a file that says: this folder is the demo's own
STOPS_WITHIN_S = 20.0


def run_demo(*, once: bool, port: int, folder: str | None) -> int:
    """Print the run; serve afterwards unless `once`.

    Returns 0, or 1 when an answer was not what it should be. Raises ValueError
    for a folder that is not the demo's own, and for a port that is taken.
    """
    begun = system_clock()
    for noisy in ("service", "alembic", "uvicorn"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
    with _listening(0 if once else port) as listener, _own_folder(folder) as data:
        settings = Settings(
            data_dir=data, database_url=f"sqlite:///{data / 'fishhouse.db'}", run_watch=not once
        )
        year = _load(settings, begun)
        with _serving(settings, listener) as address:
            people = _people(address, year.loaded)
            database = open_database(settings.database_url)
            try:
                balanced = _tell(people, database, year, begun)
            finally:
                database.close()
            if balanced and not once:
                password = _log_ins(settings)
                _keep_serving(people, address, year, password)
    return 0 if balanced else 1


@contextmanager
def _own_folder(folder: str | None) -> Iterator[Path]:
    """An empty folder: the one named, if it is new or was the demo's before, else a passing one."""
    if folder is None:
        with tempfile.TemporaryDirectory(prefix=f"{MARK}-") as made:
            yield Path(made)
        return
    data = Path(folder)
    if data.exists():
        if not (data / MARK).is_file() and (not data.is_dir() or any(data.iterdir())):
            raise ValueError(f"{data} is not a folder of the demo: name a new or an empty one.")
        shutil.rmtree(data)
    data.mkdir(parents=True)
    (data / MARK).write_text("Made by `fishhouse demo`, and made anew by the next one.\n")
    yield data


@contextmanager
def _listening(port: int) -> Iterator[socket.socket]:
    """A socket bound before anything is loaded. Raises ValueError if the port is taken."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    with listener:
        try:
            listener.bind((HOST, port))
        except OSError as error:
            raise ValueError(f"port {port} is taken: name another with --port") from error
        yield listener


def _load(settings: Settings, now: datetime) -> Year:
    console = Console()
    print(f"A year at {place.SITE.name}, an invented place, is being loaded ...", flush=True)
    migrate(settings.database_url, at=now - timedelta(days=place.HISTORY_DAYS + 1))
    database = open_database(settings.database_url)
    year = Year(database, now)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("day {task.completed:.0f} of {task.total:.0f}"),
        TimeElapsedColumn(),
    )
    try:
        shown = Progress(*columns, console=console, transient=True, disable=not console.is_terminal)
        with shown as progress:
            task = progress.add_task("fish in, fish out", total=place.HISTORY_DAYS)
            for done in year.load():
                progress.update(task, completed=done)
    finally:
        database.close()
    return year


@contextmanager
def _serving(settings: Settings, listener: socket.socket) -> Iterator[str]:
    """The real service in a thread of this process; gives its address."""
    config = uvicorn.Config(create_app(settings), log_level="warning", access_log=False)
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, args=([listener],), daemon=True)
    thread.start()
    while not server.started:
        thread.join(timeout=0.02)
        if not thread.is_alive():
            raise StoryBroken("the service did not start")
    try:
        yield f"http://{HOST}:{listener.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(timeout=STOPS_WITHIN_S)


def _people(address: str, loaded: Loaded) -> dict[str, Asker]:
    return {name: Asker(name, address, token) for name, token in loaded.tokens.items()}


def _tell(people: dict[str, Asker], database: Database, year: Year, begun: datetime) -> bool:
    loaded = year.loaded
    paper.title(f"{place.SITE.name}: the main job, all instants in UTC")
    paper.line(
        f"{place.HISTORY_DAYS} days: {loaded.deliveries} deliveries, {loaded.readings:,} readings "
        f"of {len(place.HUNG)} probes, {loaded.excursions} excursions, {loaded.pulls} pulls, "
        f"{loaded.feeds:,} feeds, {loaded.assays} assays, {loaded.counts} counts"
    )
    people[place.MANAGER.name].get("/sites")
    seconds = (system_clock() - begun).total_seconds()
    paper.line(f"first answer {seconds:.1f} s after the start")
    try:
        return Story(people, database, year.weather, system_clock).tell()
    except StoryBroken as error:
        print(f"The run broke off: {error}", file=sys.stderr)
        return False


def _log_ins(settings: Settings) -> str:
    """A password with which everybody here may log in to the pages; another one each time."""
    password = token_urlsafe(9)
    database = open_database(settings.database_url)
    try:
        with transaction(database.writer) as session:
            for person in place.PEOPLE:
                if person.role is not Role.DEVICE:
                    user = users.user_by_name(session, person.name)
                    people.set_password(
                        session, user.id or 0, password, at=system_clock(), by=SERVICE
                    )
    finally:
        database.close()
    return password


def _keep_serving(people: dict[str, Asker], address: str, year: Year, password: str) -> None:
    """Say where the service is; its thermometers go on until somebody stops it."""
    paper.title("Yours to try, until Ctrl-C")
    paper.line(f"pages      {address}")
    names = ", ".join(f"{p.name} ({p.role})" for p in place.PEOPLE if p.role is not Role.DEVICE)
    paper.line(f"log in as  {names}")
    paper.line(f"password   {password}")
    paper.line(f"API page   {address}/docs")
    print(f"     token      {people[place.MANAGER.name].token}  (manager)", flush=True)
    print(
        f"\n     curl -H 'Authorization: Bearer TOKEN' \\\n"
        f"       '{address}/v1/lots?species=HER&order=use_first'",
        flush=True,
    )
    stopped = threading.Event()
    read_until = year.read_until
    try:
        while not stopped.wait(place.READ_EVERY.total_seconds()):
            now = system_clock()
            rows = year.weather.between(read_until, now).rows
            readings = [
                {"probe": r.probe, "at": r.at.isoformat(), "temperature_c": r.temperature_c}
                for r in rows
            ]
            people[place.THERMOMETERS.name].ask("POST", "/readings", readings)
            read_until = now
    except KeyboardInterrupt:
        print("\nStopped.")
