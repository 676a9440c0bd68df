"""The months of `reading` on PostgreSQL: made ahead, and when readings of another month come.

A row whose month was not made lies in `reading_rest` and is found like any other, so
that nothing is ever refused for want of a partition. Making a month moves its rows
out of there. Months are never dropped, only emptied: dropping one locks the whole
table, and other processes remember which there are.
"""

import logging
from collections.abc import Callable

from sqlalchemy import URL, Connection, text
from sqlalchemy.exc import OperationalError

from service.science.arrays import Indices
from service.temperatures.rules.months import REST, Month, month_of, months_of

log = logging.getLogger(__name__)
_known: set[tuple[URL, Month]] = set()
_LOCK = 0x46697368  # any number, the same in every process
WAIT_MS = 500

_EXISTING = text(
    "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
    " WHERE i.inhparent = 'reading'::regclass"
)


def ensure_partitions(connection: Connection, at_s: Indices) -> None:
    """Make the months that instants lie in, unless they are there. Nothing on SQLite.

    Months that this process has seen cost nothing. A month that cannot be locked within
    half a second, because a backup is reading, is left to the daily job: its rows
    go to the rest meanwhile.
    """
    if connection.dialect.name == "sqlite" or not at_s.size:
        return
    database = connection.engine.url
    wanted = {(database, month) for month in months_of(at_s)} - _known
    if not wanted:
        return
    if patiently(connection, lambda: make_months(connection, sorted(m for _, m in wanted))):
        _known.update(wanted)


def patiently(connection: Connection, work: Callable[[], object]) -> bool:
    """Do something that locks tables, or nothing of it where that takes too long."""
    try:
        with connection.begin_nested():
            connection.execute(text(f"SET LOCAL lock_timeout = {WAIT_MS}"))
            work()
            connection.execute(text("SET LOCAL lock_timeout = DEFAULT"))
    except OperationalError as error:  # no lock, or a deadlock with somebody who has it
        log.warning("months of readings are seen to later: %s", error.orig)
        return False
    return True


def make_months(connection: Connection, months: list[Month]) -> int:
    """Make these partitions where they are missing; how many rows came out of the rest.

    Two processes that make the same month wait for each other; the second finds it.
    """
    connection.execute(text(f"SELECT pg_advisory_xact_lock({_LOCK})"))
    existing = set(connection.execute(_EXISTING).scalars())
    return sum(_make(connection, month) for month in months if month.partition not in existing)


def _make(connection: Connection, month: Month) -> int:
    """Attached, not made in place: that locks the probes and the rest, never all readings."""
    name = month.partition
    connection.execute(text(f"CREATE TABLE {name} (LIKE reading INCLUDING INDEXES)"))
    moved = _move(connection, month)
    connection.execute(text(f"LOCK TABLE {REST} IN ACCESS EXCLUSIVE MODE"))
    moved += _move(connection, month)  # what came meanwhile
    connection.execute(
        text(
            f"ALTER TABLE reading ATTACH PARTITION {name} "
            f"FOR VALUES FROM ({month.from_s}) TO ({month.until_s})"
        )
    )
    return moved


def _move(connection: Connection, month: Month) -> int:
    time = f"at_s >= {month.from_s} AND at_s < {month.until_s}"
    statement = (
        f"WITH moved AS (DELETE FROM {REST} WHERE {time} RETURNING *), "
        f"kept AS (INSERT INTO {month.partition} SELECT * FROM moved RETURNING 1) "
        "SELECT count(*) FROM kept"
    )
    return int(connection.execute(text(statement)).scalar_one())


def month_in_the_rest(connection: Connection) -> Month | None:
    """A month of which rows lie in the rest. One look; the rest is empty as a rule."""
    at_s = connection.execute(text(f"SELECT at_s FROM {REST} LIMIT 1")).scalar()
    return None if at_s is None else month_of(int(at_s))


def empty_months(connection: Connection, before_s: int) -> None:
    """Give back the space of months before a time of which every row is gone."""
    held = connection.execute(
        text(
            "SELECT c.relname FROM pg_inherits i JOIN pg_class c ON c.oid = i.inhrelid"
            " WHERE i.inhparent = 'reading'::regclass AND c.relname < :first"
            " AND pg_relation_size(c.oid) > 0"
        ),
        {"first": month_of(before_s).partition},
    ).scalars()
    for name in held.all():
        if not connection.execute(text(f"SELECT EXISTS (SELECT 1 FROM {name})")).scalar_one():
            connection.execute(text(f"TRUNCATE {name}"))
