"""Months of readings on PostgreSQL: made ahead, on demand, by two at once, and never in the way."""

import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import text

from alembic import command
from service.database import Database, open_database
from service.migrations import configuration
from service.security.actor import SERVICE
from service.security.transactions import transaction
from service.temperatures.actions import partitions, storing
from service.temperatures.actions.decoding import Decoded, Row
from service.temperatures.actions.keeping import keep_history
from service.temperatures.rules.months import month_of
from tests.conftest import Templates, create_database, drop_database, kitchen_of, on_server
from tests.kitchen import START, Kitchen

OLD = datetime(2019, 3, 31, 23, 30, tzinfo=UTC)
THEN = datetime(2021, 12, 1, tzinfo=UTC)  # nothing of OLD need be cut yet


@pytest.fixture
def server(templates: Templates, tmp_path: Path) -> Iterator[Kitchen]:
    """A kitchen on PostgreSQL."""
    yield from kitchen_of("postgresql", templates, tmp_path)


def asked(kitchen: Kitchen, statement: str) -> list[tuple[object, ...]]:
    with kitchen.app.state.database.reader.connect() as connection:
        return [tuple(row) for row in connection.execute(text(statement))]


def months(kitchen: Kitchen) -> set[str]:
    rows = asked(
        kitchen,
        "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'reading'::regclass",
    )
    return {str(row[0]) for row in rows}


def lies_in(kitchen: Kitchen) -> dict[str, int]:
    """How many readings lie in each partition."""
    rows = asked(kitchen, "SELECT tableoid::regclass::text, count(*) FROM reading GROUP BY 1")
    return {str(name): int(str(rows_)) for name, rows_ in rows}


def keep(kitchen: Kitchen, at: datetime = START) -> None:
    left = True
    while left:
        with kitchen.writing() as session:
            left = keep_history(session, at=at, undecided_since=None)


def into_the_rest(kitchen: Kitchen, first: datetime, count: int) -> None:
    """Readings that came while a month could not be made, an hour apart."""
    start = int(first.timestamp())
    with kitchen.app.state.database.writer.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO reading SELECT 1, :start + 3600 * i, -2000 "
                "FROM generate_series(0, :last) AS i"
            ),
            {"start": start, "last": count - 1},
        )


def test_readings_of_old_months_make_those_months_and_lie_in_them(server: Kitchen) -> None:
    answer = server.temperatures("FZ1-AIR", OLD, [-20.0] * 3, every_s=1200)
    assert answer["stored"] == 3
    assert lies_in(server) == {"reading_2019_03": 2, "reading_2019_04": 1}
    again = server.temperatures("FZ1-AIR", OLD, [-20.0] * 3, every_s=1200)
    assert again["duplicates"] == 3


def test_months_ahead_are_made_before_they_come(server: Kitchen) -> None:
    keep(server)
    made = {"reading_2026_11", "reading_2026_12", "reading_2027_01", "reading_2027_02"}
    assert months(server) == made | {"reading_rest"}
    keep(server)
    keep(server, START + timedelta(days=31))
    assert months(server) == made | {"reading_rest", "reading_2027_03"}


def test_two_who_make_the_same_months_at_once_both_store(server: Kitchen) -> None:
    """Two connections with a store each, thirty old months at once, in opposite order."""
    address, failures = server.address, []
    ready = threading.Barrier(2)

    def work(probe: str, forward: bool) -> None:
        database = open_database(address)
        try:
            days = [OLD + timedelta(days=31 * i) for i in range(30)]
            for day in days if forward else days[::-1]:
                rows = [Row(probe, day, -20.0), Row(probe, day + timedelta(minutes=5), -20.0)]
                partitions._known.clear()  # each as if it were a process that has seen nothing
                if day in (days[0], days[-1]):
                    ready.wait(10)
                with transaction(database.writer) as session:
                    answer = storing.store(session, Decoded([0, 1], rows), at=START, by=SERVICE)
                    assert answer.stored == 2
        except BaseException as error:
            failures.append(error)
        finally:
            database.close()

    threads = [
        threading.Thread(target=work, args=("FZ1-AIR", True)),
        threading.Thread(target=work, args=("FZ2-AIR", False)),
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert failures == []
    keep(server, THEN)
    held = lies_in(server)
    assert sum(held.values()) == 120 and "reading_rest" not in held


def test_a_month_that_somebody_is_reading_is_made_later_and_its_rows_are_stored(
    server: Kitchen,
) -> None:
    """A backup holds the whole table for minutes; storing waits for half a second at most."""
    reader = server.app.state.database.snapshot.connect()
    try:
        reader.execute(text("SELECT count(*) FROM reading")).all()
        assert server.temperatures("FZ1-AIR", OLD, [-20.0] * 3, every_s=1200)["stored"] == 3
        assert lies_in(server) == {"reading_rest": 3}
    finally:
        reader.close()
    keep(server, THEN)
    assert lies_in(server) == {"reading_2019_03": 2, "reading_2019_04": 1}


def test_what_lies_in_the_rest_is_sorted_into_months_and_none_is_lost(server: Kitchen) -> None:
    into_the_rest(server, OLD, 2000)
    keep(server, THEN)
    assert lies_in(server) == {
        "reading_2019_03": 1,
        "reading_2019_04": 720,
        "reading_2019_05": 744,
        "reading_2019_06": 535,
    }


def test_a_store_that_fails_leaves_a_month_that_the_next_one_does_without(
    server: Kitchen,
) -> None:
    database: Database = server.app.state.database
    with pytest.raises(KeyboardInterrupt), transaction(database.writer) as session:
        rows = [Row("FZ1-AIR", OLD, -20.0)]
        storing.store(session, Decoded([0], rows), at=START, by=SERVICE)
        raise KeyboardInterrupt
    assert "reading_2019_03" not in months(server)
    assert server.temperatures("FZ1-AIR", OLD, [-20.0])["stored"] == 1
    keep(server, THEN)
    assert lies_in(server) == {"reading_2019_03": 1}


def test_a_month_of_which_all_is_cut_gives_its_space_back(server: Kitchen) -> None:
    server.temperatures("FZ1-AIR", OLD, [-20.0] * 3, every_s=1200)
    keep(server)
    sizes = asked(server, "SELECT pg_relation_size('reading_2019_03')")
    assert sizes == [(0,)] and lies_in(server) == {}
    again = server.temperatures("FZ2-AIR", OLD, [-20.0])
    assert again["stored"] == 1 and lies_in(server) == {"reading_2019_03": 1}


def test_a_reading_of_a_probe_that_does_not_exist_is_refused_by_every_month(
    server: Kitchen,
) -> None:
    server.temperatures("FZ1-AIR", OLD, [-20.0])
    at_s = int(OLD.timestamp())
    for where in (at_s + 1, at_s - 10**8):
        with (
            pytest.raises(Exception, match="foreign key"),
            server.app.state.database.writer.begin() as connection,
        ):
            connection.execute(text(f"INSERT INTO reading VALUES (999, {where}, 0)"))


def test_a_look_at_a_day_touches_one_month(server: Kitchen) -> None:
    for month in range(1, 13):
        server.temperatures("FZ1-AIR", datetime(2025, month, 10, tzinfo=UTC), [-20.0])
    may = month_of(int(datetime(2025, 5, 10, tzinfo=UTC).timestamp()))
    plan = asked(
        server,
        "EXPLAIN SELECT at_s FROM reading WHERE probe_id = 1 "
        f"AND at_s >= {may.from_s} AND at_s < {may.until_s}",
    )
    touched = {word for (line,) in plan for word in str(line).split() if "reading_" in word}
    assert {name for name in touched if not name.endswith("_idx")} <= {
        "reading_2025_05",
        "reading_2025_05_pkey",
    }


@pytest.mark.parametrize("count", [0, 5000])
def test_readings_that_were_there_before_are_in_months_afterwards(
    templates: Templates, tmp_path: Path, count: int
) -> None:
    name = f"moved_{tmp_path.name[-20:].lower()}"
    create_database(templates.server, name, templates.set_up["postgresql"].template)
    address = on_server(templates.server, name)
    kitchen = Kitchen(address, tmp_path)
    try:
        command.downgrade(configuration(address), "0007")
        into_the_rest(kitchen, OLD, count)
        whole = "SELECT count(*), coalesce(sum(at_s), 0), coalesce(sum(centi_c), 0) FROM reading"
        before = asked(kitchen, whole)
        command.upgrade(configuration(address), "head")
        assert asked(kitchen, whole) == before
        assert "reading_rest" not in lies_in(kitchen)
        if count:
            assert lies_in(kitchen)["reading_2019_04"] == 720
        command.downgrade(configuration(address), "0007")
        assert asked(kitchen, whole) == before
    finally:
        kitchen.close()
        drop_database(templates.server, name)
