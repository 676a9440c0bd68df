"""Real databases: a SQLite file, and a PostgreSQL server that the suite starts itself.

FISHHOUSE_TEST_POSTGRESQL names another server (an address with a user who may
create databases) to use instead. A migrated template is made once a run and
copied for each test.
"""

import os
import shutil
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest
from hypothesis import settings
from sqlalchemy import make_url

from service.migrations import migrate
from tests.kitchen import START, Kitchen
from tests.postgresql import running_server

DATABASES = ("sqlite", "postgresql")

# A law holds or not, however busy the machine is: no example is timed. Where a change is
# judged (CI) the examples are the same each time; at a desk they differ, to find what is new.
settings.register_profile("untimed", deadline=None, derandomize="CI" in os.environ)
settings.load_profile("untimed")


@dataclass(frozen=True)
class Templates:
    """Where the migrated templates are, for copies."""

    sqlite: Path
    server: str
    template: str


@pytest.fixture(scope="session")
def templates(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Templates]:
    folder = tmp_path_factory.mktemp("templates")
    migrate(f"sqlite:///{folder / 'template.db'}", at=START)
    server = os.environ.get("FISHHOUSE_TEST_POSTGRESQL")
    with running_server(server) as address:
        name = f"fishhouse_{uuid.uuid4().hex[:12]}"
        create_database(address, name)
        migrate(on_server(address, name), at=START)
        yield Templates(folder / "template.db", address, name)
        drop_database(address, name)


def on_server(server: str, name: str) -> str:
    """The address of one database of a server."""
    return make_url(server).set(database=name).render_as_string(hide_password=False)


def create_database(server: str, name: str, template: str = "template1") -> None:
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')


def drop_database(server: str, name: str) -> None:
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


def fresh_address(kind: str, templates: Templates, folder: Path) -> Iterator[str]:
    """A migrated database of its own, gone afterwards."""
    if kind == "sqlite":
        shutil.copy(templates.sqlite, folder / "kitchen.db")
        yield f"sqlite:///{folder / 'kitchen.db'}"
        return
    name = f"kitchen_{uuid.uuid4().hex[:12]}"
    create_database(templates.server, name, templates.template)
    yield on_server(templates.server, name)
    drop_database(templates.server, name)


@pytest.fixture(params=DATABASES)
def address(request: pytest.FixtureRequest, templates: Templates, tmp_path: Path) -> Iterator[str]:
    """The address of a fresh database; the test runs once for each kind."""
    yield from fresh_address(request.param, templates, tmp_path)


@pytest.fixture
def kitchen(address: str, tmp_path: Path) -> Iterator[Kitchen]:
    """A kitchen that is set up, on each database in turn."""
    opened = Kitchen(address, tmp_path)
    yield opened.set_up()
    opened.close()


@pytest.fixture
def small_kitchen(templates: Templates, tmp_path: Path) -> Iterator[Kitchen]:
    """A kitchen that is set up, on SQLite only: for what does not depend on the database."""
    for address in fresh_address("sqlite", templates, tmp_path):
        opened = Kitchen(address, tmp_path)
        yield opened.set_up()
        opened.close()
