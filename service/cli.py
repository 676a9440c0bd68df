"""`fishhouse`: the door for whoever runs the service."""

import argparse
import getpass
import logging
import signal
import sys
from collections.abc import Callable, Sequence

import uvicorn
from sqlalchemy.exc import OperationalError, ProgrammingError

from service import backup_desk, import_desk, science_desk
from service.clock import system_clock
from service.database import Database, open_database
from service.errors import FishhouseError
from service.probes.actions import senders
from service.security import audit, users
from service.security.actor import SERVICE
from service.security.first_manager import FIRST_RUN, EmptyHouse, setup_code
from service.security.rules import Action, Role
from service.security.transactions import transaction
from service.settings import Settings
from service.site.queries import site_by_code

NO_TABLES = "The database has no tables yet: run `fishhouse migrate` first."


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command. Returns the exit code: 0, 1 when it failed, 2 for wrong arguments."""
    parsed = _parser().parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s %(message)s")
    logging.getLogger("alembic").setLevel(logging.WARNING)
    command: Callable[[argparse.Namespace], int] = parsed.command
    try:
        return command(parsed)
    except FishhouseError as error:
        print(f"{error.detail}. {error.advice}", file=sys.stderr)
        return 1
    except (OperationalError, ProgrammingError) as error:
        print(f"{NO_TABLES} ({error.orig})", file=sys.stderr)
        return 1
    except ValueError as error:
        print(str(error), file=sys.stderr)
        return 2


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        "fishhouse", description="The service that a fish kitchen runs on."
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add(commands, "migrate", _migrate, "bring the database to the newest revision")
    serve = _add(commands, "serve", _serve, "answer over HTTP")
    serve.add_argument("--host", default="127.0.0.1")
    serve.add_argument("--port", type=int, default=8000)
    serve.add_argument("--workers", type=int, default=1, help="processes (PostgreSQL only)")
    serve.add_argument(
        "--tls", action="store_true", help="speak TLS, with certificates of an authority of our own"
    )
    serve.add_argument(
        "--name",
        action="append",
        metavar="HOST",
        help="with --tls: a name or address that tablets use; repeatable, default localhost",
    )
    serve.add_argument("--certificate", metavar="FILE", help="your own certificate instead (PEM)")
    serve.add_argument("--key", metavar="FILE", help="the key of your own certificate (PEM)")
    _add(commands, "worker", _worker, "do the background work until stopped")
    _add(commands, "listen", _listen, "store what an MQTT broker hands over until stopped")
    _add_user(commands)
    probe = _group(commands, "probe", "thermometers")
    sender = _add(probe, "sender", _probe_sender, "name a device that sends a probe's readings")
    sender.add_argument("code", metavar="CODE")
    sender.add_argument("user", metavar="USER")
    sender.add_argument("--remove", action="store_true", help="it may not send them any more")
    trail = _group(commands, "audit", "the audit trail")
    _add(trail, "verify", _verify, "check every link of the chain")
    demo = _add(commands, "demo", _demo, "an invented place with a year of history")
    demo.add_argument("--once", action="store_true", help="print the run and exit")
    demo.add_argument("--port", type=int, default=8000)
    demo.add_argument("--folder", default=None, help="where its data go; made anew each time")
    bench = _add(commands, "bench", _bench, "measure speed, as ratios in one run")
    bench.add_argument(
        "what",
        nargs="?",
        choices=[
            "service",
            "science",
            "receiving",
            "ingest",
            "history",
            "thaw",
            "supplements",
            "pages",
        ],
        default="service",
        help="what to measure",
    )
    bench.add_argument("--json", action="store_true", help="print figures as JSON only")
    bench.add_argument(
        "--readings", type=int, help="how many: history really 131400000, ingest really 10000000"
    )
    bench.add_argument(
        "--cases", type=int, help="supplements: cases for the integer program, really 10000"
    )
    bench.add_argument(
        "--database", choices=["sqlite", "postgresql"], help="pages: on this one only"
    )
    bench.add_argument("--picture", metavar="FILE", help="science: growth as a .png or .svg file")
    bench.add_argument("--seconds", type=float, default=4.0, help="length of each HTTP measurement")
    science_desk.register(commands)
    import_desk.register(commands)
    backup_desk.register(commands)
    return parser


def _add(
    commands: "argparse._SubParsersAction[argparse.ArgumentParser]",
    name: str,
    command: Callable[[argparse.Namespace], int],
    what: str,
) -> argparse.ArgumentParser:
    parser = commands.add_parser(name, help=what, description=what)
    parser.set_defaults(command=command)
    return parser


def _group(
    commands: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, what: str
) -> "argparse._SubParsersAction[argparse.ArgumentParser]":
    return commands.add_parser(name, help=what).add_subparsers(required=True, metavar="COMMAND")


def _add_user(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    group = _group(commands, "user", "people, programs and thermometers that may ask")
    add = _add(group, "add", _user_add, "a new user with one role")
    add.add_argument("name")
    add.add_argument("--role", required=True, choices=[r.value for r in Role])
    add.add_argument("--token", action="store_true", help="print a token: shown once, last word")
    add.add_argument("--password", action="store_true", help="ask for a password")
    add.add_argument("--site", action="append", default=[], help="limit to a site; repeatable")
    add.add_argument(
        "--probe",
        action="append",
        default=[],
        metavar="CODE",
        help="device: the probes whose readings it sends, and no others; repeatable",
    )
    add.add_argument(
        "--scope",
        action="append",
        choices=[a.value for a in Action],
        help="limit the token to an action; repeatable",
    )


def _open() -> tuple[Settings, Database]:
    settings = Settings()
    settings.data_dir.mkdir(parents=True, exist_ok=True)
    return settings, open_database(settings.database_url, connections=settings.database_connections)


def _migrate(_parsed: argparse.Namespace) -> int:
    from service.migrations import migrate  # Alembic is heavy and only needed here

    settings = Settings()
    settings.data_dir.mkdir(parents=True, exist_ok=True)
    migrate(settings.database_url, at=system_clock())
    print("The database is at the newest revision.")
    return 0


def _serve(parsed: argparse.Namespace) -> int:
    settings, database = _open()
    _say_how_to_begin(parsed, settings, database)
    database.close()
    if parsed.workers > 1 and database.is_sqlite:
        print("SQLite serves one process; use PostgreSQL for several.", file=sys.stderr)
        return 2
    certificate, key = _certificate_of(parsed, settings)
    uvicorn.run(
        "service.app:create_app",
        factory=True,
        host=parsed.host,
        port=parsed.port,
        workers=parsed.workers,
        log_level="info",
        access_log=False,
        timeout_graceful_shutdown=5,  # seconds: a live page does not end by itself
        forwarded_allow_ips=settings.trusted_proxies,
        ssl_certfile=certificate,
        ssl_keyfile=key,
    )
    return 0


def _say_how_to_begin(parsed: argparse.Namespace, settings: Settings, database: Database) -> None:
    """Where nobody works yet, the address of the first run, and the code that it asks for."""
    try:
        if not EmptyHouse()(database.reader.connect):
            return
    except (OperationalError, ProgrammingError):  # no tables yet: the service says so itself
        return
    scheme = "https" if parsed.tls or parsed.certificate else "http"
    name = parsed.name[0] if parsed.name else parsed.host
    print(f"Nobody works here yet. Open {scheme}://{name}:{parsed.port}{FIRST_RUN}")
    print(f"and enter this code: {setup_code(settings.data_dir)}", flush=True)


def _certificate_of(
    parsed: argparse.Namespace, settings: Settings
) -> tuple[str | None, str | None]:
    """Certificate and key to serve with: the own ones, else of the local authority; else none."""
    if bool(parsed.certificate) != bool(parsed.key):
        raise ValueError("--certificate and --key go together.")
    if parsed.certificate:
        return parsed.certificate, parsed.key
    if not parsed.tls:
        if parsed.name:
            raise ValueError("--name belongs to --tls.")
        return None, None
    from service.certificates import local_certificates

    names = parsed.name or ["localhost"]
    made = local_certificates(settings.data_dir / "tls", names, at=system_clock())
    print(f"Install this authority on each tablet: {made.authority}")
    print(f"Its SHA-256 fingerprint: {made.fingerprint}")
    for name in names:
        print(f"Then open https://{name}:{parsed.port}/", flush=True)
    return str(made.server), str(made.key)


def _worker(_parsed: argparse.Namespace) -> int:
    from service.worker import Worker, jobs_of

    settings, database = _open()
    worker = Worker(database, system_clock, jobs_of(settings), lease_s=settings.lease_seconds)
    _when_asked_to_stop(worker.ask_to_stop)
    print("Working. Stop with Ctrl-C.", flush=True)
    worker.run()
    print("Stopped.")
    return 0


def _listen(_parsed: argparse.Namespace) -> int:
    from service.mqtt.actions.listening import Listener

    settings, database = _open()
    listener = Listener(database, system_clock, settings)
    _when_asked_to_stop(listener.ask_to_stop)
    print("Listening. Stop with Ctrl-C.", flush=True)
    listener.run()
    print("Stopped.")
    return 0


def _when_asked_to_stop(stop: Callable[[], None]) -> None:
    for asked in (signal.SIGTERM, signal.SIGINT):
        signal.signal(asked, lambda _number, _frame: stop())


def _user_add(parsed: argparse.Namespace) -> int:
    _, database = _open()
    at = system_clock()
    password = getpass.getpass("Password: ") if parsed.password else None
    with transaction(database.writer) as session:
        site_ids = [site_by_code(session, code, by=SERVICE).id or 0 for code in parsed.site]
        user = users.add_user(
            session, parsed.name, Role(parsed.role), at=at, password=password, site_ids=site_ids
        )
        if parsed.probe:
            senders.name_senders(session, parsed.probe, parsed.name, at=at, by=SERVICE)
        scopes = None if parsed.scope is None else [Action(s) for s in parsed.scope]
        token = users.issue_token(session, user, at=at, scopes=scopes) if parsed.token else None
    print(f"User {parsed.name} may act as {parsed.role}.")
    if token is not None:
        print(f"Token, shown once: {token}")
    return 0


def _probe_sender(parsed: argparse.Namespace) -> int:
    _, database = _open()
    at = system_clock()
    with transaction(database.writer) as session:
        if parsed.remove:
            senders.remove_sender(session, parsed.code, parsed.user, at=at, by=SERVICE)
        else:
            senders.name_senders(session, [parsed.code], parsed.user, at=at, by=SERVICE)
    may = "may not send" if parsed.remove else "sends"
    print(f"{parsed.user} {may} the readings of {parsed.code.upper()}.")
    return 0


def _verify(_parsed: argparse.Namespace) -> int:
    from sqlmodel import Session

    _, database = _open()
    with Session(database.snapshot) as session:
        broken = audit.verify(session)
    for place in broken:
        print(f"chain {place.chain}, entry {place.number}: {place.why}")
    print("The audit chain is broken." if broken else "The audit chain holds.")
    return 1 if broken else 0


def _demo(parsed: argparse.Namespace) -> int:
    from service.demo.run import run_demo

    return run_demo(once=parsed.once, port=parsed.port, folder=parsed.folder)


def _bench(parsed: argparse.Namespace) -> int:
    if parsed.picture is not None and parsed.what != "science":
        raise ValueError("--picture belongs to `fishhouse bench science`.")
    code: int
    match parsed.what:
        case "science":
            from service.bench.science import run_science_bench

            code = run_science_bench(as_json=parsed.json, picture=parsed.picture)
        case "receiving":
            from service.bench.receiving import run_receiving_bench

            code = run_receiving_bench(as_json=parsed.json)
        case "ingest":
            from service.bench.ingest import run_ingest_bench

            code = run_ingest_bench(as_json=parsed.json, readings=parsed.readings)
        case "thaw":
            from service.bench.thaw import run_thaw_bench

            code = run_thaw_bench(as_json=parsed.json)
        case "supplements":
            from service.bench.supplements import run_supplements_bench

            code = run_supplements_bench(as_json=parsed.json, cases=parsed.cases)
        case "pages":
            from service.bench.pages import run_pages_bench

            code = run_pages_bench(as_json=parsed.json, kind=parsed.database)
        case "history":
            from service.bench.history import run_history_bench

            code = run_history_bench(as_json=parsed.json, readings=parsed.readings)
        case _:
            from service.bench.run import run_bench

            code = run_bench(as_json=parsed.json, seconds=parsed.seconds)
    return code


if __name__ == "__main__":
    sys.exit(main())
