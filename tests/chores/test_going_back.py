"""Checks keep what they say when their table is made anew, and stay protected."""

import pytest
from sqlalchemy import text

from alembic import command
from service.migrations import configuration
from tests.kitchen import Kitchen


def test_cores_survive_the_way_back_and_forth_and_chores_go(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    core = {"kind": "core", "lot": lot, "place": "FZ1", "temperature": "-13.2 °C"}
    wrong = kitchen.keeper.made("/checks", core)
    kitchen.keeper.made("/checks", core | {"replaces": wrong["id"], "temperature": "-18 °C"})
    first = kitchen.keeper.made("/checks", {"kind": "cleaned", "place": "FZ1"})
    again = {"kind": "cleaned", "place": "FZ2", "replaces": first["id"]}
    kitchen.keeper.made("/checks", again)
    before = kitchen.keeper.shown("/checks?kind=core")["items"]

    command.downgrade(configuration(kitchen.address), "0020")
    with kitchen.app.state.database.writer.connect() as connection:
        kinds = connection.execute(text("SELECT kind, value FROM check_record ORDER BY id")).all()
    assert [tuple(row) for row in kinds] == [("core", "-13.2"), ("core", "-18")]

    command.upgrade(configuration(kitchen.address), "head")
    assert kitchen.keeper.shown("/checks?kind=core")["items"] == before
    for statement in ("UPDATE check_record SET note = 'x'", "DELETE FROM check_record"):
        with (
            pytest.raises(Exception, match="never changed"),
            kitchen.app.state.database.writer.begin() as connection,
        ):
            connection.execute(text(statement))


def test_who_took_everything_takes_what_is_new(kitchen: Kitchen) -> None:
    """A recipient of before issue 7 took six subjects, which were all; another took one."""
    wishes = {
        "all": ["excursion", "assessment", "probe", "backup", "worker", "recipient"],
        "one": ["backup"],
    }
    for name, subjects in wishes.items():
        body = {
            "name": name,
            "channel": "email",
            "address": f"{name}@example.org",
            "subjects": subjects,
        }
        kitchen.manager.made("/recipients", body)
    command.downgrade(configuration(kitchen.address), "0020")
    command.upgrade(configuration(kitchen.address), "0022")
    with kitchen.app.state.database.writer.connect() as connection:
        rows = connection.execute(text("SELECT name, subjects FROM recipient")).all()
    taken = {name: str(subjects) for name, subjects in rows}
    assert "animal" in taken["all"] and "check" in taken["all"]
    assert "animal" not in taken["one"] and "backup" in taken["one"]
