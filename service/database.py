"""The two databases, their engines, and what a stored instant is.

SQLite: write-ahead log, `synchronous=FULL`, foreign keys, recursive triggers
(else `INSERT OR REPLACE` slips past the triggers that protect the books), and
one writing connection per process whose transactions begin `IMMEDIATE`.
PostgreSQL: psycopg 3. Tables are made by Alembic only.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, cast

from pydantic_core import from_json, to_json
from sqlalchemy import (
    URL,
    Connection,
    Dialect,
    Engine,
    Select,
    Table,
    TypeDecorator,
    bindparam,
    column,
    create_engine,
    event,
    func,
    make_url,
    select,
    text,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.pool import QueuePool
from sqlmodel import SQLModel

SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
BUSY_TIMEOUT_S = 10
ONLY_LOOKS = "only_looks"  # option of an engine whose sessions see only what is committed


Instant = datetime
"""A column that holds an instant: SQLModel stores it in UTC, gives it back aware, and refuses
one without zone."""


@dataclass(frozen=True)
class Database:
    """The engines of one database.

    writer: transactions that change something. reader: single selects of the
    hot reads, in autocommit. snapshot: several selects that must agree.
    """

    writer: Engine
    reader: Engine
    snapshot: Engine

    @property
    def is_sqlite(self) -> bool:
        """Whether this is the one-file database."""
        return self.writer.dialect.name == "sqlite"

    def close(self) -> None:
        """Give all connections back."""
        for engine in (self.writer, self.reader, self.snapshot):
            engine.dispose()


def full_url(address: str) -> URL:
    """The address with psycopg 3 as PostgreSQL's driver."""
    url = make_url(address)
    if url.drivername in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    return url


def open_database(address: str, *, connections: int = 10) -> Database:
    """Engines for `sqlite:///FILE` or `postgresql://…`.

    Raises ValueError for any other kind, and for SQLite in memory, which
    several connections could not share.
    """
    url = full_url(address)
    if url.get_backend_name() == "sqlite":
        if not url.database or url.database == ":memory:":
            raise ValueError("SQLite needs a file: sqlite:///path/to/fishhouse.db")
        return _open_sqlite(url)
    if url.get_backend_name() == "postgresql":
        return _open_postgresql(url, connections)
    raise ValueError(f"the database must be SQLite or PostgreSQL, not {url.drivername}")


def _as_json(value: object) -> str:
    """JSON columns, several times faster than the standard library's encoder."""
    return to_json(value).decode()


_JSON: dict[str, Any] = {"json_serializer": _as_json, "json_deserializer": from_json}


def _open_sqlite(url: URL) -> Database:
    arguments = {"timeout": BUSY_TIMEOUT_S}
    # What is written may be secret, and errors go into the log: without the values.
    # One writing connection: its pool is a fair queue, so writers wait their turn
    # in this process instead of polling the file's lock.
    writer = create_engine(
        url,
        hide_parameters=True,
        connect_args=arguments,
        poolclass=QueuePool,
        pool_size=1,
        max_overflow=0,
        pool_timeout=BUSY_TIMEOUT_S * 3,
        **_JSON,
    )
    snapshot = create_engine(url, connect_args=arguments, **_JSON)
    reader = create_engine(url, connect_args=arguments, isolation_level="AUTOCOMMIT", **_JSON)
    for engine in (writer, snapshot, reader):
        event.listen(engine, "connect", _prepare_sqlite)
    event.listen(writer, "begin", _begin_immediate)
    event.listen(snapshot, "begin", _begin_deferred)
    event.listen(snapshot, "connect", _refuse_writes)
    event.listen(reader, "connect", _refuse_writes)
    return Database(writer, reader, snapshot.execution_options(**{ONLY_LOOKS: True}))


def _prepare_sqlite(connection: Any, _record: object) -> None:
    connection.isolation_level = None  # we begin transactions ourselves
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",
        "foreign_keys=ON",
        "recursive_triggers=ON",
        f"busy_timeout={BUSY_TIMEOUT_S * 1000}",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _refuse_writes(connection: Any, _record: object) -> None:
    connection.execute("PRAGMA query_only=ON")


def _begin_immediate(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _begin_deferred(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN")


def _open_postgresql(url: URL, connections: int) -> Database:
    pool: dict[str, Any] = {
        "pool_size": connections,
        "max_overflow": 0,
        "pool_pre_ping": True,
        **_JSON,
    }
    return Database(
        writer=create_engine(url, hide_parameters=True, **pool),
        reader=create_engine(
            url,
            pool_size=4,
            max_overflow=4,
            pool_pre_ping=False,
            isolation_level="AUTOCOMMIT",
            **_JSON,
        ),
        snapshot=create_engine(url, **pool).execution_options(
            isolation_level="REPEATABLE READ", postgresql_readonly=True, **{ONLY_LOOKS: True}
        ),
    )


def insert_ignoring(dialect: str, table: Table) -> Any:
    """An INSERT that leaves rows alone whose key exists."""
    maker = sqlite.insert if dialect == "sqlite" else postgresql.insert
    return cast(Any, maker)(table).on_conflict_do_nothing()


def next_ids(connection: Connection, table: str, number: int) -> list[int]:
    """Numbers for so many new rows of a table, so that rows which refer to them go in at once.

    On SQLite whoever writes is alone; on PostgreSQL the table's own sequence gives them.
    """
    if connection.dialect.name == "sqlite":
        newest = connection.exec_driver_sql(
            f"SELECT coalesce(max(id), 0) FROM {table}"
        ).scalar_one()
        return list(range(newest + 1, newest + 1 + number))
    asked = "SELECT nextval(pg_get_serial_sequence(:of, 'id')) FROM generate_series(1, :many)"
    found = connection.execute(text(asked), {"of": table, "many": number}).scalars()
    return [int(each) for each in found]


def insert_rows(
    connection: Connection, table: str, rows: Sequence[dict[str, Any]], *, adding: bool = False
) -> None:
    """Many rows of a table in one go, each with a value for the same columns.

    adding: what is no part of the key is added to the row that has the same key. Asked
    straight at the driver: for hundreds of rows SQLAlchemy's way there costs more than
    the writing.
    """
    if not rows:
        return
    insert = _straight_insert(table, tuple(rows[0]), adding, connection.dialect)
    if insert.by_column and not adding and len(rows) > WORTH_COPYING:
        _copy(connection, table, insert.columns, insert.in_order(rows))
    else:
        connection.exec_driver_sql(insert.sql, insert.written(rows))


WORTH_COPYING = 20  # rows; COPY asks PostgreSQL twice, and costs a fifth for each row


def _copy(
    connection: Connection, table: str, columns: Sequence[str], rows: Iterable[tuple[Any, ...]]
) -> None:
    quoted = connection.dialect.identifier_preparer.quote
    named = ", ".join(quoted(name) for name in columns)
    driver = cast(Any, connection.connection)
    with (
        driver.cursor() as cursor,
        cursor.copy(f"COPY {quoted(table)} ({named}) FROM STDIN") as copy,
    ):
        for row in rows:
            copy.write_row(row)


@dataclass(frozen=True)
class _StraightInsert:
    sql: str
    columns: tuple[str, ...]
    by_column: bool
    writers: Mapping[str, Any]

    def written(self, rows: Sequence[dict[str, Any]]) -> Any:
        """Rows as the driver takes them."""
        if not self.by_column:
            return list(self.in_order(rows))
        return dict(
            zip(self.columns, map(list, zip(*self.in_order(rows), strict=True)), strict=True)
        )

    def in_order(self, rows: Sequence[dict[str, Any]]) -> Iterator[tuple[Any, ...]]:
        """Rows in the order of the columns."""
        if self.writers:
            rows = [row | {n: w(row[n]) for n, w in self.writers.items()} for row in rows]
        return (tuple(row[name] for name in self.columns) for row in rows)


@lru_cache(maxsize=64)
def _straight_insert(
    table_name: str, columns: tuple[str, ...], adding: bool, dialect: Dialect
) -> _StraightInsert:
    """On PostgreSQL the rows are sent as one array a column, in one statement."""
    table = SQLModel.metadata.tables[table_name]
    by_column = dialect.name == "postgresql"
    insert = cast(Any, postgresql.insert if by_column else sqlite.insert)(table)
    if by_column:
        insert = insert.from_select(list(columns), _from_arrays(table, columns))
    if adding:
        key = list(table.primary_key)
        sums = [table.c[name] for name in columns if table.c[name] not in key]
        added = {each.name: each + insert.excluded[each.name] for each in sums}
        insert = insert.on_conflict_do_update(index_elements=key, set_=added)
    compiled = insert.compile(dialect=dialect, column_keys=list(columns))
    writers = {
        each: writer
        for each in columns
        if (writer := table.c[each].type.dialect_impl(dialect).bind_processor(dialect))
    }
    in_order = columns if by_column else tuple(compiled.positiontup)
    return _StraightInsert(compiled.string, in_order, by_column, writers)


def _from_arrays(table: Table, columns: Sequence[str]) -> Select[Any]:
    plain = {
        name: type_.impl if isinstance(type_ := table.c[name].type, TypeDecorator) else type_
        for name in columns
    }
    arrays = [bindparam(name, type_=postgresql.ARRAY(cast(Any, plain[name]))) for name in columns]
    made = func.unnest(*arrays).table_valued(*(column(name, plain[name]) for name in columns))
    rows = made.render_derived()
    return select(*(rows.c[name] for name in columns))


@lru_cache(maxsize=128)
def rows_where_in(column: Any) -> Any:
    """The select of the rows of a table whose column is one of `:keys`.

    Built once for each column: for a look-up by key, building the statement
    costs more than running it.
    """
    return select(column.class_).where(column.in_(bindparam("keys", expanding=True)))


Plain = Sequence[Any]
"""The values of a row, in the order of the select's columns."""


class StraightSelect:
    """A select compiled once for one kind of database and asked straight at its driver.

    For the hot reads, where SQLAlchemy's own way to the driver and back costs
    more than the answer. What is out of the ordinary goes that way all the same
    and gives the same rows: a list of keys, somebody who listens to statements,
    and an error of the driver, so that a lost connection is noticed and replaced.
    """

    def __init__(self, statement: Select[Any], dialect: Dialect) -> None:
        compiled = cast(Any, statement.compile(dialect=dialect))
        self._statement, self._sql = statement, compiled.string
        self._positions: list[str] | None = compiled.positiontup
        self._writers = {
            name: writer
            for name, bound in compiled.binds.items()
            if (writer := bound.type.dialect_impl(dialect).bind_processor(dialect)) is not None
        }
        self._constants = self._written(compiled.params)
        self._readers = [
            (position, reader)
            for position, column in enumerate(statement.selected_columns)
            if (reader := column.type.dialect_impl(dialect).result_processor(dialect, None))
        ]
        self._ordinary = not any(bound.expanding for bound in compiled.binds.values())
        # psycopg reads numbers and bytes twice as fast as the database keeps them, not as text.
        self._cursor = {"binary": True} if dialect.driver == "psycopg" else {}
        self._driver_error: type[Exception] = cast(Any, dialect).loaded_dbapi.Error

    def rows(self, connection: Connection, given: Mapping[str, object]) -> list[Plain]:
        """All rows. Values that the select does not ask for are left alone."""
        if self._ordinary and not cast(Any, connection).dispatch.before_cursor_execute:
            try:
                return self._straight(connection, self._constants | self._written(given))
            except self._driver_error:
                pass  # asked again below, where it is dealt with
        return [list(row) for row in connection.execute(self._statement, given)]

    def _straight(self, connection: Connection, values: dict[str, object]) -> list[Plain]:
        cursor = connection.connection.cursor(**self._cursor)
        try:
            names = self._positions
            cursor.execute(self._sql, values if names is None else [values[n] for n in names])
            fetched: list[Plain] = list(cursor.fetchall())
        finally:
            cursor.close()
        if not self._readers:
            return fetched
        rows: list[list[Any]] = [list(row) for row in fetched]
        for position, reader in self._readers:
            for row in rows:
                row[position] = reader(row[position])
        return list(rows)

    def _written(self, values: Mapping[str, object]) -> dict[str, object]:
        """Values as the driver takes them."""
        return {
            name: value
            if value is None or name not in self._writers
            else self._writers[name](value)
            for name, value in values.items()
        }
