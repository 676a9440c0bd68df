"""`fishhouse bench pages`: how long each page takes over HTTP with the demo's year; its weight.

The time is on the wall, of a client that keeps its connection, so it holds a millisecond or two
of the client's own.
"""

import json
import re
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from statistics import median, quantiles
from time import perf_counter

import httpx
from sqlalchemy import text

from service.app import PAGES
from service.bench import databases
from service.bench.figures import Figure
from service.bench.processes import service
from service.bench.run import machine
from service.clock import system_clock
from service.database import Database, open_database
from service.demo import place
from service.demo.history import Year
from service.migrations import migrate
from service.pages.page import PageRoute
from service.security import sessions, users
from service.security.transactions import transaction

WARM_UPS, ASKED = 3, 30
MOST_MS = 50.0
STAND_INS = {
    "animal": "SELECT code FROM animal ORDER BY id LIMIT 1",
    "place": "SELECT code FROM place ORDER BY id LIMIT 1",
    "lot": "SELECT lot.code FROM lot JOIN parcel ON parcel.lot_id = lot.id WHERE parcel.grams > 0 "
    "ORDER BY lot.id LIMIT 1",
    "code": "SELECT code FROM thaw_batch ORDER BY id DESC LIMIT 1",
    "batch": "SELECT code FROM thaw_batch ORDER BY id DESC LIMIT 1",
    "number": "SELECT id FROM excursion ORDER BY id DESC LIMIT 1",
    "excursion": "SELECT id FROM excursion ORDER BY id DESC LIMIT 1",
    "delivery": "SELECT id FROM delivery ORDER BY id DESC LIMIT 1",
    "inspection": "SELECT id FROM inspection ORDER BY id DESC LIMIT 1",
    "probe": "SELECT code FROM probe ORDER BY id LIMIT 1",
    "product": "SELECT code FROM product ORDER BY id LIMIT 1",
    "feed": "SELECT id FROM feed ORDER BY id DESC LIMIT 1",
    "user": "SELECT name FROM app_user ORDER BY id LIMIT 1",
}
ASSET = re.compile(r'(?:href|src)="(/static/[^"]+)"')
"""A page's own files, which are fetched once and kept."""
NOT_PAGES = (".crt", ".pdf", ".csv", ".js", ".webmanifest", "/events", "/log-in", "/first-run")


def run_pages_bench(as_json: bool, kind: str | None) -> int:
    """Measure and print. Returns 0 whether or not targets are met.

    kind : one database, `sqlite` or `postgresql`; None: each that there is.
    """
    figures = []
    for one in [kind] if kind else databases.kinds():
        for figure in measure(one):
            figures.append(figure)
            if not as_json:
                print(figure.sentence(), flush=True)
    if as_json:
        document = {"machine": machine(), "figures": [f.model_dump() for f in figures]}
        print(json.dumps(document, indent=2, ensure_ascii=False))
    return 0


def measure(kind: str) -> Iterator[Figure]:
    """Every page that a manager may see, on a year of the invented place."""
    with (
        tempfile.TemporaryDirectory() as made,
        databases.empty(kind, Path(made)) as address,
    ):
        cookie, found = _year(address)
        with (
            service(address, Path(made)) as server,
            httpx.Client(
                base_url=f"http://127.0.0.1:{server.port}",
                cookies={sessions.COOKIE: cookie},
                headers={"Accept": "text/html"},
                timeout=60,
            ) as client,
        ):
            yield from _walk(client, found, kind)


def _year(address: str) -> tuple[str, Mapping[str, str]]:
    """Load the year; the cookie of the manager, and what stands for each part of an address."""
    now = system_clock()
    migrate(address, at=now)
    database = open_database(address)
    for _ in Year(database, now).load():
        pass
    with transaction(database.writer) as session:
        user = users.user_by_name(session, place.MANAGER.name)
        cookie = sessions.open_session(session, user, at=now)
    found = _stand_ins(database)
    database.close()
    return cookie, found


def _stand_ins(database: Database) -> Mapping[str, str]:
    """One of each kind of thing that an address names."""
    with database.reader.connect() as connection:
        found = {name: connection.execute(text(sql)).scalar() for name, sql in STAND_INS.items()}
    return {name: str(value) for name, value in found.items() if value is not None}


def _walk(client: httpx.Client, found: Mapping[str, str], kind: str) -> Iterator[Figure]:
    sizes: dict[str, float] = {}
    for path in _paths(found):
        yield from _page(client, path, kind, sizes)


def _paths(found: Mapping[str, str]) -> Iterator[str]:
    """The address of every page whose parts have a stand-in."""
    for router in PAGES:
        for route in router.routes:
            if not isinstance(route, PageRoute) or "GET" not in (route.methods or ()):
                continue
            if any(part in route.path for part in NOT_PAGES):
                continue
            names = set(re.findall(r"\{(\w+)\}", route.path))
            if names <= found.keys():
                yield re.sub(r"\{(\w+)\}", lambda m: found[m[1]], route.path)


def _page(client: httpx.Client, path: str, kind: str, sizes: dict[str, float]) -> Iterator[Figure]:
    first = client.get(path)
    if first.status_code != 200:
        return  # nothing of that kind in this year
    taken = []
    for number in range(WARM_UPS + ASKED):
        begun = perf_counter()
        client.get(path)
        if number >= WARM_UPS:
            taken.append(1000 * (perf_counter() - begun))
    assets = set(ASSET.findall(first.text))
    for asset in assets - sizes.keys():
        sizes[asset] = len(client.get(asset).content) / 1000
    yield Figure(
        name=f"{path}, p95",
        database=kind,
        value=round(quantiles(taken, n=20)[-1], 1),
        unit="ms",
        target=MOST_MS,
        less_is_better=True,
        detail={
            "median_ms": round(median(taken), 1),
            "page_kb": round(len(first.content) / 1000 + sum(sizes[a] for a in assets)),
            "script_kb": round(sum(sizes[a] for a in assets if ".js" in a)),
        },
    )
