"""Tables are made by migrations only: up, down, up again, and equal to the models."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import Engine, inspect, text
from sqlmodel import SQLModel

from alembic import command
from service.database import Database, open_database
from service.migrations import configuration, migrate
from service.temperatures.rules.months import is_partition
from tests.conftest import DATABASES, Templates, create_database, drop_database, on_server
from tests.kitchen import START, Kitchen


@pytest.fixture(params=DATABASES)
def bare(request: pytest.FixtureRequest, templates: Templates, tmp_path: Path) -> Iterator[str]:
    """The address of a database without any table."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'bare.db'}"
        return
    name = f"bare_{tmp_path.name[-20:].lower()}"
    create_database(templates.server, name)
    yield on_server(templates.server, name)
    drop_database(templates.server, name)


@pytest.fixture
def database(bare: str) -> Iterator[Database]:
    opened = open_database(bare)
    yield opened
    opened.close()


def differences(engine: Engine) -> list[object]:
    with engine.connect() as connection:
        context = MigrationContext.configure(
            connection,
            opts={
                "compare_type": True,
                "include_name": lambda name, kind, _: kind != "table" or not is_partition(name),
            },
        )
        return list(compare_metadata(context, SQLModel.metadata))


def triggers(engine: Engine) -> set[str]:
    sqlite = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    postgresql = "SELECT tgname FROM pg_trigger WHERE NOT tgisinternal"
    with engine.connect() as connection:
        query = sqlite if engine.dialect.name == "sqlite" else postgresql
        return {row[0] for row in connection.execute(text(query))}


def tables(engine: Engine) -> set[str]:
    return set(inspect(engine).get_table_names())


def test_migrations_go_up_and_down_and_up_again_and_equal_the_models(
    bare: str, database: Database
) -> None:
    migrate(bare, at=START)
    first = tables(database.writer), triggers(database.writer)
    assert set(SQLModel.metadata.tables) <= first[0]
    assert "audit_entry" in " ".join(first[1])
    assert differences(database.writer) == []

    command.downgrade(configuration(bare), "base")
    assert tables(database.writer) <= {"alembic_version"}
    assert triggers(database.writer) == set()
    if not database.is_sqlite:
        with database.writer.connect() as connection:
            left = connection.execute(
                text("SELECT proname FROM pg_proc WHERE pronamespace = 'public'::regnamespace")
            )
            assert left.all() == []

    migrate(bare, at=START)
    assert (tables(database.writer), triggers(database.writer)) == first
    assert differences(database.writer) == []


def test_migrating_twice_changes_nothing(bare: str, database: Database) -> None:
    def rows() -> dict[str, int]:
        names = sorted(tables(database.writer))
        with database.writer.connect() as connection:
            return {
                name: connection.execute(text(f'SELECT count(*) FROM "{name}"')).scalar_one()
                for name in names
            }

    migrate(bare, at=START)
    before = rows()
    assert before["site"] == 1 and before["species"] > 10
    migrate(bare, at=START)
    assert rows() == before


def test_each_step_down_and_up_is_taken_alone(bare: str, database: Database) -> None:
    migrate(bare, at=START)
    command.downgrade(configuration(bare), "-1")
    command.upgrade(configuration(bare), "+1")
    assert differences(database.writer) == []


def test_the_books_cannot_be_changed_or_deleted_at_the_newest_revision(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    kitchen.pulled(lot, "10 kg")
    for statement in (
        "UPDATE movement SET reason = 'x'",
        "DELETE FROM movement",
        "UPDATE transfer SET grams = 1",
        "DELETE FROM transfer",
        "UPDATE audit_entry SET what = 'x'",
        "DELETE FROM audit_entry",
        "UPDATE parcel SET place_id = 2",
        "DELETE FROM parcel",
        "UPDATE parcel SET grams = -1",
    ):
        with (
            pytest.raises(Exception, match=r"never|CHECK|check"),
            kitchen.app.state.database.writer.begin() as connection,
        ):
            connection.execute(text(statement))
    if kitchen.app.state.database.is_sqlite:
        with (
            pytest.raises(Exception, match="never"),
            kitchen.app.state.database.writer.begin() as connection,
        ):
            connection.execute(text("INSERT OR REPLACE INTO movement SELECT * FROM movement"))
    else:
        with (
            pytest.raises(Exception, match="never"),
            kitchen.app.state.database.writer.begin() as connection,
        ):
            connection.execute(text("TRUNCATE transfer, movement CASCADE"))
    assert kitchen.balance()["parcels"] == 100_000
