"""Ten thousand decoded readings with their rollups, against storing the rows alone."""

import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from statistics import median

from sqlalchemy import Connection, select
from sqlmodel import col

from service.bench.figures import Figure
from service.bench.place import PROBES, TWINS, opened
from service.database import Database
from service.probes.models import Probe
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.temperatures.actions import storing
from service.temperatures.actions.decoding import Decoded, Row

ROWS = 10_000
ROUNDS = 7
STEP = timedelta(minutes=1)
TARGETS = {"sqlite": 0.5, "postgresql": 0.4}
UNITS = {"sqlite": "× raw executemany", "postgresql": "× raw COPY"}

RawRow = tuple[int, int, int]


def measure(address: str, kind: str, at: datetime) -> Iterator[Figure]:
    """In turns, each round a stretch of time of its own; the median of the rounds' ratios."""
    ratios, ours, raws = [], [], []
    span = STEP * (ROWS // PROBES)
    with opened(address) as database:
        raw_side = RawSide(database, at)
        for number in range(ROUNDS + 1):
            start = at - span * (number + 1)
            raw = raw_side.seconds()
            mine = _timed(lambda: _store(database, _decoded(start), at))  # noqa: B023
            if number:  # the first round only warms up
                ratios.append(raw / mine)
                ours.append(mine)
                raws.append(raw)
    yield Figure(
        name=f"{ROWS} decoded readings, rollups and audit included",
        database=kind,
        value=round(median(ratios), 3),
        unit=UNITS[kind],
        target=TARGETS[kind],
        detail={
            "readings_per_s": round(ROWS / median(ours)),
            "raw_per_s": round(ROWS / median(raws)),
        },
    )


class RawSide:
    """The rows alone into the same table, each time a stretch of time before the last."""

    def __init__(self, database: Database, until: datetime) -> None:
        self._database, self._until = database, until
        self._probes = _raw_probes(database)

    def seconds(self) -> float:
        """How long the next ten thousand rows take."""
        self._until -= STEP * (ROWS // PROBES)
        rows = _raw_rows(self._probes, self._until)
        return _timed(lambda: _store_raw(self._database, rows))


def _timed(work: Callable[[], Callable[[], None]]) -> float:
    """Seconds of the work that is handed back; making it ready is not counted."""
    ready = work()
    started = time.perf_counter()
    ready()
    return time.perf_counter() - started


def _temperature(number: int) -> float:
    return -22.0 + (number * 37 % 100) / 50


def _decoded(start: datetime) -> Decoded:
    each = ROWS // PROBES
    rows = [
        Row(f"AIR-{probe}", start + STEP * n, _temperature(n))
        for probe in range(PROBES)
        for n in range(each)
    ]
    return Decoded(list(range(len(rows))), rows)


def _store(database: Database, decoded: Decoded, at: datetime) -> Callable[[], None]:
    def work() -> None:
        with transaction(database.writer) as session:
            answer = storing.store(session, decoded, at=at, by=SERVICE)
        if answer.stored != ROWS:
            raise RuntimeError(f"{answer.stored} of {ROWS} readings were stored")

    return work


def _raw_probes(database: Database) -> list[int]:
    statement = select(col(Probe.id)).where(col(Probe.code).startswith(TWINS))
    with database.reader.connect() as connection:
        return [i for i in connection.execute(statement).scalars() if i is not None]


def _raw_rows(probes: list[int], start: datetime) -> list[RawRow]:
    first = int(start.astimezone(UTC).timestamp())
    step = int(STEP.total_seconds())
    return [
        (probe, first + step * n, round(_temperature(n) * 100))
        for probe in probes
        for n in range(ROWS // PROBES)
    ]


def _store_raw(database: Database, rows: list[RawRow]) -> Callable[[], None]:
    def work() -> None:
        with database.writer.begin() as connection:
            _insert(connection, rows)

    return work


def _insert(connection: Connection, rows: list[RawRow]) -> None:
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(
            "INSERT INTO reading (probe_id, at_s, centi_c) VALUES (?, ?, ?)", rows
        )
        return
    cursor = connection.connection.cursor()
    with cursor.copy("COPY reading (probe_id, at_s, centi_c) FROM STDIN") as copy:
        for row in rows:
            copy.write_row(row)
