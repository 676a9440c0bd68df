"""What has been written into the books and the trail cannot be unwritten, even past the service."""

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from tests.kitchen import Kitchen

NEVER_CHANGED = ("movement", "transfer", "audit_entry", "deviation", "feed", "feed_item")
CHANGES = {
    "movement": "reason = 'something else'",
    "transfer": "grams = grams + 1",
    "audit_entry": "what = 'nothing'",
    "deviation": "reason = 'it was allowed'",
    "feed": "appetite = 'reduced'",
    "feed_item": "eaten_g = eaten_g - 1, left_g = left_g + 1",
}


def written(kitchen: Kitchen) -> Kitchen:
    """A kitchen in which every protected table holds something."""
    lot = kitchen.a_lot("CAP")["code"]
    kitchen.a_lot("CAP", caught="2026-07-01", mass="1 kg")
    batch = kitchen.pulled(lot, "10 kg", already_done=True)["code"]
    item = {"thaw_batch": batch, "offered": "2 kg", "eaten": "2 kg"}
    kitchen.keeper.made("/feeds", {"animal": "BRINE", "items": [item]})
    return kitchen


def rows(kitchen: Kitchen, table: str) -> list[tuple[object, ...]]:
    with kitchen.looking() as session:
        found = session.connection().execute(text(f"SELECT * FROM {table}"))
        return sorted((tuple(row) for row in found), key=repr)


def refused(kitchen: Kitchen, statement: str) -> str:
    """What the database says to a statement that it must not run."""
    with pytest.raises(DatabaseError) as raised, kitchen.writing() as session:
        session.connection().execute(text(statement))
    return str(raised.value.orig)


@pytest.mark.parametrize("table", NEVER_CHANGED)
def test_rows_of_the_books_and_the_trail_are_neither_changed_nor_deleted(
    kitchen: Kitchen, table: str
) -> None:
    before = rows(written(kitchen), table)
    assert before, "a trigger that nothing passes proves nothing"
    assert "never changed" in refused(kitchen, f"UPDATE {table} SET {CHANGES[table]}")
    assert "never changed" in refused(kitchen, f"DELETE FROM {table}")
    assert rows(kitchen, table) == before


@pytest.mark.parametrize("table", NEVER_CHANGED)
def test_rows_are_not_replaced_on_sqlite_nor_truncated_on_postgresql(
    kitchen: Kitchen, table: str
) -> None:
    before = rows(written(kitchen), table)
    if kitchen.app.state.database.is_sqlite:
        statement = f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}"
    else:
        statement = f"TRUNCATE {table} CASCADE"
    assert "never changed" in refused(kitchen, statement)
    assert rows(kitchen, table) == before


@pytest.mark.parametrize(
    "change",
    [
        "place_id = (SELECT id FROM place WHERE code = 'FZ2')",
        "lot_id = (SELECT max(id) FROM lot)",
        "opened_at = (SELECT min(created_at) FROM app_user)",
        "parent_id = id",
        "thaw_batch_id = (SELECT max(id) FROM thaw_batch)",
        "id = id + 1000",
    ],
)
def test_a_parcel_never_becomes_another_one(kitchen: Kitchen, change: str) -> None:
    before = rows(written(kitchen), "parcel")
    refused(kitchen, f"UPDATE parcel SET {change} WHERE parent_id IS NULL")
    assert rows(kitchen, "parcel") == before


def test_a_parcel_is_never_deleted_replaced_or_truncated(kitchen: Kitchen) -> None:
    before = rows(written(kitchen), "parcel")
    refused(kitchen, "DELETE FROM transfer")
    if kitchen.app.state.database.is_sqlite:
        statement = "INSERT OR REPLACE INTO parcel SELECT * FROM parcel"
        assert "never deleted" in refused(kitchen, statement)
        childless = "id NOT IN (SELECT parent_id FROM parcel WHERE parent_id IS NOT NULL)"
        assert "never deleted" in refused(kitchen, f"DELETE FROM parcel WHERE {childless}")
    else:
        assert "never changed" in refused(kitchen, "DELETE FROM parcel")
        assert "never changed" in refused(kitchen, "TRUNCATE parcel CASCADE")
    assert rows(kitchen, "parcel") == before


def test_the_grams_and_cartons_of_a_parcel_never_fall_below_zero(kitchen: Kitchen) -> None:
    before = rows(written(kitchen), "parcel")
    assert "parcel_grams_not_negative" in refused(kitchen, "UPDATE parcel SET grams = -1")
    assert "parcel_cartons_not_negative" in refused(kitchen, "UPDATE parcel SET cartons = -1")
    assert rows(kitchen, "parcel") == before


@pytest.mark.parametrize(
    ("ends", "why"),
    [
        ("NULL, NULL, NULL, 'eaten', 5", "one_source"),
        ("1, NULL, 'supplier', 'eaten', 5", "one_source"),
        ("1, NULL, NULL, NULL, 5", "one_target"),
        ("1, 2, NULL, 'eaten', 5", "one_target"),
        ("1, NULL, NULL, 'eaten', 0", "transfer_more_than_nothing"),
        ("1, NULL, NULL, 'eaten', -5", "transfer_more_than_nothing"),
    ],
)
def test_grams_can_neither_appear_nor_vanish_in_a_transfer(
    kitchen: Kitchen, ends: str, why: str
) -> None:
    statement = (
        "INSERT INTO transfer (movement_id, lot_id, from_parcel_id, to_parcel_id, from_account, "
        f"to_account, grams) VALUES (1, 1, {ends})"
    )
    assert why in refused(written(kitchen), statement)
