"""Rows of every table as text that either database reads: PostgreSQL's COPY format.

What a database really has is copied, not what the models say: the tables of its revision.
Partitions are read and written through their table.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, MetaData, Table, types
from sqlalchemy import text as sql

from service.backups.rules import NOTHING, Kind, value_of

CHUNK_BYTES = 4 << 20
_ROWS = 5000
_KINDS: tuple[tuple[type[types.TypeEngine[Any]], Kind], ...] = (
    (types.Boolean, Kind.NUMBER),
    (types.Integer, Kind.NUMBER),
    (types.Float, Kind.FLOAT),
    (types.JSON, Kind.JSON),
    (types.String, Kind.TEXT),
    (types.DateTime, Kind.INSTANT),
    (types.Date, Kind.DAY),
    (types.LargeBinary, Kind.BYTES),
)


@dataclass(frozen=True)
class Column:
    """A column and what it holds."""

    name: str
    kind: Kind
    boolean: bool = False


@dataclass(frozen=True)
class Copied:
    """A table to be copied. own_rows: rows of it may refer to other rows of it."""

    name: str
    columns: tuple[Column, ...]
    own_rows: bool

    @property
    def listed(self) -> str:
        """Its columns for a statement."""
        return ", ".join(f'"{c.name}"' for c in self.columns)


def tables_of(connection: Connection) -> list[Copied]:
    """The tables of a database, those that others refer to first; not Alembic's own.

    Raises TypeError for a column of a type that is not known here: nothing is left out.
    """
    names = set(connection.execute(sql(_NAMES[connection.dialect.name])).scalars())
    found = MetaData()
    found.reflect(connection, only=sorted(names - {"alembic_version"}), resolve_fks=False)
    return [_copied(table) for table in found.sorted_tables]


_NAMES = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'",
    "postgresql": "SELECT relname FROM pg_class WHERE relkind IN ('r', 'p')"
    " AND NOT relispartition AND relnamespace = current_schema()::regnamespace",
}


def _copied(table: Table) -> Copied:
    columns = tuple(
        Column(c.name, _kind(table, c.name, c.type), isinstance(c.type, types.Boolean))
        for c in table.columns
    )
    own_rows = any(key.column.table is table for key in table.foreign_keys)
    return Copied(table.name, columns, own_rows)


def _kind(table: Table, name: str, kind: "types.TypeEngine[Any]") -> Kind:
    for known, found in _KINDS:
        if isinstance(kind, known):
            return found
    raise TypeError(f"{table.name}.{name} is of a type that backups do not know: {kind!r}")


def revision_of(connection: Connection) -> str:
    """The revision of a database's tables."""
    found = connection.execute(sql("SELECT version_num FROM alembic_version")).scalar_one()
    return str(found)


def rows_of(connection: Connection, table: Copied) -> Iterator[bytes]:
    """A table's rows in chunks of some megabytes, each of whole lines. Memory: one chunk."""
    lines = _from_sqlite if connection.dialect.name == "sqlite" else _from_postgresql
    chunk = bytearray()
    for part in lines(_driver(connection), table):
        chunk += part
        if len(chunk) >= CHUNK_BYTES:
            yield bytes(chunk)
            chunk.clear()
    if chunk:
        yield bytes(chunk)


def _driver(connection: Connection) -> Any:
    """The driver's own connection, inside the same transaction."""
    return connection.connection.driver_connection


def _from_postgresql(driver: Any, table: Copied) -> Iterator[bytes]:
    asked = ", ".join(_as_text_postgresql(column) for column in table.columns)
    with driver.cursor() as cursor:
        cursor.execute("SET LOCAL bytea_output = 'hex'")
        cursor.execute("SET LOCAL DateStyle = 'ISO'")
        with cursor.copy(f'COPY (SELECT {asked} FROM "{table.name}") TO STDOUT') as copy:
            yield from copy


def _as_text_postgresql(column: Column) -> str:
    if column.boolean:
        return f'"{column.name}"::int'
    if column.kind is Kind.INSTANT:
        return f"to_char(\"{column.name}\" AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI:SS.US')"
    return f'"{column.name}"'


def _from_sqlite(driver: Any, table: Copied) -> Iterator[bytes]:
    """Written by SQLite itself, a row as one text; but for floats, which it would round."""
    parts = [_as_text_sqlite(column) for column in table.columns]
    floats = [i for i, column in enumerate(table.columns) if column.kind is Kind.FLOAT]
    asked = ", ".join(parts) if floats else " || char(9) || ".join(parts)
    cursor = driver.execute(f'SELECT {asked} FROM "{table.name}"')
    while rows := cursor.fetchmany(_ROWS):
        lines = (_joined(row, floats) for row in rows) if floats else (row[0] for row in rows)
        yield ("\n".join(lines) + "\n").encode()


def _joined(row: Sequence[Any], floats: Sequence[int]) -> str:
    fields = list(row)
    for i in floats:
        fields[i] = NOTHING if fields[i] is None else repr(float(fields[i]))
    return "\t".join(fields)


def _as_text_sqlite(column: Column) -> str:
    name = f'"{column.name}"'
    if column.kind is Kind.FLOAT:
        return name
    if column.kind is Kind.NUMBER:
        return f"CAST(coalesce({name}, '\\N') AS TEXT)"
    if column.kind is Kind.BYTES:
        return f"coalesce('\\\\x' || lower(hex({name})), '\\N')"
    for plain, written in (("'\\'", "'\\\\'"), *((f"char({n})", w) for n, w in _CONTROL)):
        name = f"replace({name}, {plain}, {written})"
    return f"coalesce({name}, '\\N')"


_CONTROL = ((9, "'\\t'"), (10, "'\\n'"), (13, "'\\r'"))


def into_sqlite(driver: Any, table: Copied, chunk: bytes) -> None:
    """Insert the rows of a chunk."""
    places = ", ".join("?" * len(table.columns))
    insert = f'INSERT INTO "{table.name}" ({table.listed}) VALUES ({places})'
    text = chunk.decode()
    rows: Iterator[Sequence[Any]] = (line.split("\t") for line in text.split("\n")[:-1])
    if "\\" in text or any(column.kind is Kind.FLOAT for column in table.columns):
        kinds = [column.kind for column in table.columns]
        rows = ([value_of(f, k) for f, k in zip(row, kinds, strict=True)] for row in rows)
    driver.executemany(insert, rows)


def into_postgresql(driver: Any, table: Copied, chunks: Iterator[bytes]) -> None:
    """Insert the rows of chunks in one statement, after which references are checked."""
    with (
        driver.cursor() as cursor,
        cursor.copy(f'COPY "{table.name}" ({table.listed}) FROM STDIN') as copy,
    ):
        for chunk in chunks:
            copy.write(chunk)


def set_sequences(connection: Connection, tables: Sequence[Copied]) -> None:
    """PostgreSQL gives the next number after the largest that there is. SQLite does anyway."""
    for table in tables:
        for column in (c for c in table.columns if c.kind is Kind.NUMBER and not c.boolean):
            found = sql("SELECT pg_get_serial_sequence(:table, :column)")
            named = {"table": f'"{table.name}"', "column": column.name}
            sequence = connection.execute(found, named).scalar()
            if sequence is not None:
                largest = f'SELECT max("{column.name}") FROM "{table.name}"'
                asked = f"SELECT setval(:name, coalesce(({largest}), 1), ({largest}) IS NOT NULL)"
                connection.execute(sql(asked), {"name": sequence})


Still = Callable[[], None]
"""Called now and then during long work: whoever does it still does."""
