"""Real databases: a SQLite file, and a PostgreSQL server that the suite starts itself.

FISHHOUSE_TEST_POSTGRESQL names another server (an address with a user who may
create databases) to use instead. Templates are made once a run and copied for each
test: one that is only migrated, and one with a kitchen set up in it.
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

# Hundreds of modules would be compiled again at each start of a process.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


@dataclass(frozen=True)
class Templates:
    """Where the templates are, for copies, and what the kitchen's people are known by."""

    sqlite: Path
    server: str
    template: str
    set_up: "dict[str, SetUp]"


@dataclass(frozen=True)
class SetUp:
    """A template with a kitchen set up: a SQLite file or a PostgreSQL database, and tokens."""

    template: str
    tokens: dict[str, str]


@pytest.fixture(scope="session")
def templates(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Templates]:
    folder = tmp_path_factory.mktemp("templates")
    migrate(f"sqlite:///{folder / 'template.db'}", at=START)
    server = os.environ.get("FISHHOUSE_TEST_POSTGRESQL")
    with running_server(server) as address:
        name = f"fishhouse_{uuid.uuid4().hex[:12]}"
        create_database(address, name)
        migrate(on_server(address, name), at=START)
        shutil.copy(folder / "template.db", folder / "set_up.db")
        create_database(address, f"{name}_set_up", name)
        set_up = {
            "sqlite": SetUp(
                str(folder / "set_up.db"), tokens_of(f"sqlite:///{folder / 'set_up.db'}", folder)
            ),
            "postgresql": SetUp(
                f"{name}_set_up", tokens_of(on_server(address, f"{name}_set_up"), folder)
            ),
        }
        yield Templates(folder / "template.db", address, name, set_up)
        drop_database(address, f"{name}_set_up")
        drop_database(address, name)


def tokens_of(address: str, folder: Path) -> dict[str, str]:
    """Set a kitchen up in a migrated database; the tokens of its people."""
    kitchen = Kitchen(address, folder).set_up()
    kitchen.close()
    return kitchen.tokens


def on_server(server: str, name: str) -> str:
    """The address of one database of a server."""
    return make_url(server).set(database=name).render_as_string(hide_password=False)


def create_database(server: str, name: str, template: str = "template1") -> None:
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')


def drop_database(server: str, name: str) -> None:
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


def fresh_address(
    kind: str, templates: Templates, folder: Path, template: str | None = None
) -> Iterator[str]:
    """A migrated database of its own, or a copy of a template, gone afterwards."""
    if kind == "sqlite":
        shutil.copy(template or templates.sqlite, folder / "kitchen.db")
        yield f"sqlite:///{folder / 'kitchen.db'}"
        return
    name = f"kitchen_{uuid.uuid4().hex[:12]}"
    create_database(templates.server, name, template or templates.template)
    yield on_server(templates.server, name)
    drop_database(templates.server, name)


def kitchen_of(kind: str, templates: Templates, folder: Path) -> Iterator[Kitchen]:
    """A kitchen that is set up, in a database of its own, gone afterwards."""
    made = templates.set_up[kind]
    for address in fresh_address(kind, templates, folder, made.template):
        opened = Kitchen(address, folder, tokens=dict(made.tokens))
        yield opened
        opened.close()


@pytest.fixture(params=DATABASES)
def address(request: pytest.FixtureRequest, templates: Templates, tmp_path: Path) -> Iterator[str]:
    """The address of a fresh database; the test runs once for each kind."""
    yield from fresh_address(request.param, templates, tmp_path)


@pytest.fixture(params=DATABASES)
def kitchen(
    request: pytest.FixtureRequest, templates: Templates, tmp_path: Path
) -> Iterator[Kitchen]:
    """A kitchen that is set up, on each database in turn."""
    yield from kitchen_of(request.param, templates, tmp_path)


@pytest.fixture
def small_kitchen(templates: Templates, tmp_path: Path) -> Iterator[Kitchen]:
    """A kitchen that is set up, on SQLite only: for what does not depend on the database."""
    yield from kitchen_of("sqlite", templates, tmp_path)
