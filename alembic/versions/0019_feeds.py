"""Feeds of groups, and what became of what was offered

Revision: 0019
After: 0018

A feed may be of an animal, a group or the public, of a kind, with an outcome; fish may come
back cold or be lost; and what was eaten is summed by day and lot. Going back, the older tables
cannot hold feeds without an animal: those are dropped, and what came back cold counts as left.
"""

from collections.abc import Iterator
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

TABLES = ("feed", "feed_item")
NO_FISH = sa.text("outcome <> 'eaten'")
SUMS = ("feeds", "offered_g", "eaten_g", "left_g", "cold_g", "lost_g", "estimated_g")


def upgrade() -> None:
    if _is_sqlite():
        _know_civil_days()
        _set_aside()
        _make_feed()
        _make_item()
        for statement in (*_copied(), *_triggers(TABLES)):
            op.execute(statement)
        _drop_aside()
    else:
        _alter()
    _index()
    op.create_table(
        "feed_share",
        *_whole("feed_id", "number", "parts", "animal_id"),
        _key("feed_share", "feed_id", "feed.id"),
        _key("feed_share", "animal_id", "animal.id"),
        sa.PrimaryKeyConstraint("feed_id", "number", name=op.f("pk_feed_share")),
    )
    op.create_index(op.f("ix_feed_share_animal_id"), "feed_share", ["animal_id"])
    for statement in _triggers(["feed_share"]):
        op.execute(statement)
    for eater, parent in (("animal", "animal"), ("group", "animal_group")):
        _make_intake(eater, parent)
    op.execute(
        f"INSERT INTO animal_intake (animal_id, day, lot_id, {', '.join(SUMS)}) "
        "SELECT f.animal_id, f.day, i.lot_id, sum(CASE WHEN i.number = 0 THEN 1 ELSE 0 END), "
        "sum(i.offered_g), sum(i.eaten_g), sum(i.left_g), 0, 0, 0 "
        "FROM feed f JOIN feed_item i ON i.feed_id = f.id "
        "LEFT JOIN movement u ON u.reverses_id = f.movement_id "
        "WHERE u.reverses_id IS NULL GROUP BY f.animal_id, f.day, i.lot_id"
    )


def _is_sqlite() -> bool:
    return op.get_bind().dialect.name == "sqlite"


def _know_civil_days() -> None:
    """SQLite has no time zones; days are as in the service."""

    def civil_day(at: str, zone: str) -> str:
        instant = datetime.fromisoformat(at).replace(tzinfo=UTC)
        return instant.astimezone(ZoneInfo(zone)).date().isoformat()

    driver = op.get_bind().connection.dbapi_connection
    driver.create_function("civil_day", 2, civil_day, deterministic=True)


def _set_aside() -> None:
    """SQLite changes no constraint: the tables are made anew, and their triggers with them."""
    for table in TABLES:
        for event in ("update", "delete"):
            op.execute(f"DROP TRIGGER {table}_no_{event}")
    op.drop_index("ix_feed_animal_id_occurred_at", table_name="feed")
    op.drop_index(op.f("ix_feed_item_lot_id"), table_name="feed_item")
    for table in reversed(TABLES):
        op.rename_table(table, f"{table}_before")


def _drop_aside() -> None:
    for table in reversed(TABLES):
        op.drop_table(f"{table}_before")


def _whole(*names: str, nullable: bool = False) -> list[sa.Column]:
    return [sa.Column(name, sa.Integer(), nullable=nullable) for name in names]


def _text(*names: str, nullable: bool = False) -> list[sa.Column]:
    return [sa.Column(name, sa.String(), nullable=nullable) for name in names]


def _instant(name: str) -> sa.Column:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=False)


def _key(table: str, column: str, of: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [of], name=op.f(f"fk_{table}_{column}"))


ONE_EATER = "animal_id IS NULL OR group_id IS NULL"
OF_A_GROUP = "(group_id IS NULL) = (present IS NULL)"
ADDS_UP = "offered_g = eaten_g + left_g + cold_g + lost_g"
NOT_NEGATIVE = "offered_g > 0 AND eaten_g >= 0 AND left_g >= 0 AND cold_g >= 0 AND lost_g >= 0"
OLD_ADDS_UP = "offered_g = eaten_g + left_g"
OLD_NOT_NEGATIVE = "offered_g > 0 AND eaten_g >= 0 AND left_g >= 0"


def _make_feed() -> None:
    op.create_table(
        "feed",
        *_whole("id", "site_id"),
        *_whole("animal_id", "group_id", "present", nullable=True),
        *_whole("movement_id"),
        *_whole("corrects_id", nullable=True),
        *_text("kind", "outcome"),
        _instant("occurred_at"),
        sa.Column("day", sa.Date(), nullable=False),
        _instant("recorded_at"),
        *_whole("clock_corrected_s"),
        *_text("by", "appetite"),
        *_text("note", nullable=True),
        sa.CheckConstraint(ONE_EATER, name=op.f("ck_feed_one_eater")),
        sa.CheckConstraint(OF_A_GROUP, name=op.f("ck_feed_present_of_a_group")),
        _key("feed", "site_id", "site.id"),
        _key("feed", "animal_id", "animal.id"),
        _key("feed", "group_id", "animal_group.id"),
        _key("feed", "movement_id", "movement.id"),
        _key("feed", "corrects_id", "feed.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feed")),
        sa.UniqueConstraint("movement_id", name=op.f("uq_feed_movement_id")),
        sa.UniqueConstraint("corrects_id", name=op.f("uq_feed_corrects_id")),
    )


def _make_item() -> None:
    op.create_table(
        "feed_item",
        *_whole("feed_id", "number", "thaw_batch_id", "lot_id"),
        *_whole("offered_g", "eaten_g", "left_g", "cold_g", "lost_g"),
        *_whole("pieces_offered", "pieces_eaten", nullable=True),
        sa.CheckConstraint(ADDS_UP, name=op.f("ck_feed_item_offered_adds_up")),
        sa.CheckConstraint(NOT_NEGATIVE, name=op.f("ck_feed_item_not_negative")),
        *_keys_of_an_item(),
        sa.PrimaryKeyConstraint("feed_id", "number", name=op.f("pk_feed_item")),
    )


def _keys_of_an_item() -> list[sa.ForeignKeyConstraint]:
    return [
        _key("feed_item", "feed_id", "feed.id"),
        _key("feed_item", "lot_id", "lot.id"),
        _key("feed_item", "thaw_batch_id", "thaw_batch.id"),
    ]


OUTCOME = (
    "CASE WHEN (SELECT sum(i.eaten_g) FROM {items} i WHERE i.feed_id = {feed}.id) > 0 "
    "THEN 'eaten' ELSE 'refused' END"
)


def _copied() -> Iterator[str]:
    outcome = OUTCOME.format(items="feed_item_before", feed="f")
    yield (
        "INSERT INTO feed (id, site_id, animal_id, movement_id, kind, outcome, occurred_at, day, "
        'recorded_at, clock_corrected_s, "by", appetite, note) '
        f"SELECT f.id, m.site_id, f.animal_id, f.movement_id, 'meal', {outcome}, "
        "f.occurred_at, civil_day(f.occurred_at, s.timezone), f.recorded_at, 0, "
        'f."by", f.appetite, f.note FROM feed_before f '
        "JOIN movement m ON m.id = f.movement_id JOIN site s ON s.id = m.site_id"
    )
    yield (
        "INSERT INTO feed_item (feed_id, number, thaw_batch_id, lot_id, offered_g, eaten_g, "
        "left_g, cold_g, lost_g) SELECT feed_id, number, thaw_batch_id, lot_id, offered_g, "
        "eaten_g, left_g, 0, 0 FROM feed_item_before"
    )


def _alter() -> None:
    """What is new is filled in once; the triggers look away meanwhile."""
    for table in TABLES:
        op.execute(f"ALTER TABLE {table} DISABLE TRIGGER {table}_no_change")
    for column in (
        *_whole("site_id", "group_id", "present", "corrects_id", nullable=True),
        *_text("kind", "outcome", nullable=True),
        sa.Column("day", sa.Date(), nullable=True),
        sa.Column("clock_corrected_s", sa.Integer(), server_default="0", nullable=False),
    ):
        op.add_column("feed", column)
    op.execute(
        f"UPDATE feed SET kind = 'meal', outcome = {OUTCOME.format(items='feed_item', feed='feed')}"
        ", site_id = m.site_id, day = (feed.occurred_at AT TIME ZONE s.timezone)::date "
        "FROM movement m JOIN site s ON s.id = m.site_id WHERE m.id = feed.movement_id"
    )
    for name in ("site_id", "kind", "outcome", "day"):
        op.alter_column("feed", name, nullable=False)
    op.alter_column("feed", "clock_corrected_s", server_default=None)
    op.alter_column("feed", "animal_id", nullable=True)
    for column, of in (
        ("site_id", "site"),
        ("group_id", "animal_group"),
        ("corrects_id", "feed"),
    ):
        op.create_foreign_key(op.f(f"fk_feed_{column}"), "feed", of, [column], ["id"])
    op.create_unique_constraint(op.f("uq_feed_corrects_id"), "feed", ["corrects_id"])
    op.create_check_constraint(op.f("ck_feed_one_eater"), "feed", ONE_EATER)
    op.create_check_constraint(op.f("ck_feed_present_of_a_group"), "feed", OF_A_GROUP)
    for name in ("cold_g", "lost_g"):
        column = sa.Column(name, sa.Integer(), server_default="0", nullable=False)
        op.add_column("feed_item", column)
        op.alter_column("feed_item", name, server_default=None)
    for column in _whole("pieces_offered", "pieces_eaten", nullable=True):
        op.add_column("feed_item", column)
    _check_items("offered_is_eaten_and_left", ("offered_adds_up", ADDS_UP), NOT_NEGATIVE)
    for table in TABLES:
        op.execute(f"ALTER TABLE {table} ENABLE TRIGGER {table}_no_change")


def _check_items(before: str, after: tuple[str, str], not_negative: str) -> None:
    op.drop_constraint(op.f(f"ck_feed_item_{before}"), "feed_item", type_="check")
    op.drop_constraint(op.f("ck_feed_item_not_negative"), "feed_item", type_="check")
    name, condition = after
    op.create_check_constraint(op.f(f"ck_feed_item_{name}"), "feed_item", condition)
    op.create_check_constraint(op.f("ck_feed_item_not_negative"), "feed_item", not_negative)


def _index() -> None:
    if _is_sqlite():
        op.create_index("ix_feed_animal_id_occurred_at", "feed", ["animal_id", "occurred_at"])
        op.create_index(op.f("ix_feed_item_lot_id"), "feed_item", ["lot_id"])
    op.create_index("ix_feed_group_id_occurred_at", "feed", ["group_id", "occurred_at"])
    op.create_index("ix_feed_site_id_day", "feed", ["site_id", "day"])
    op.create_index(
        "ix_feed_without_eating",
        "feed",
        ["animal_id", "day"],
        sqlite_where=NO_FISH,
        postgresql_where=NO_FISH,
    )


def _make_intake(eater: str, parent: str) -> None:
    table = f"{eater}_intake"
    op.create_table(
        table,
        sa.Column("day", sa.Date(), nullable=False),
        *_whole("lot_id", *SUMS, f"{eater}_id"),
        _key(table, "lot_id", "lot.id"),
        _key(table, f"{eater}_id", f"{parent}.id"),
        sa.PrimaryKeyConstraint(f"{eater}_id", "day", "lot_id", name=op.f(f"pk_{table}")),
        sqlite_with_rowid=False,
    )


def _triggers(tables: list[str] | tuple[str, ...]) -> Iterator[str]:
    for table in tables:
        if _is_sqlite():
            for event in ("UPDATE", "DELETE"):
                yield (
                    f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} BEGIN "
                    f"SELECT RAISE(ABORT, '{table} is never changed'); END"
                )
            continue
        yield (
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
        )
        yield (
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )


def downgrade() -> None:
    for table in ("group_intake", "animal_intake", "feed_share"):
        op.drop_table(table)
    for name in ("ix_feed_without_eating", "ix_feed_site_id_day", "ix_feed_group_id_occurred_at"):
        op.drop_index(name, table_name="feed")
    if not _is_sqlite():
        _alter_back()
        return
    _set_aside()
    _make_old_tables()
    op.execute(
        'INSERT INTO feed (id, animal_id, movement_id, occurred_at, recorded_at, "by", appetite, '
        'note) SELECT id, animal_id, movement_id, occurred_at, recorded_at, "by", appetite, note '
        "FROM feed_before WHERE animal_id IS NOT NULL"
    )
    op.execute(
        "INSERT INTO feed_item (feed_id, number, thaw_batch_id, lot_id, offered_g, eaten_g, left_g) "
        "SELECT feed_id, number, thaw_batch_id, lot_id, offered_g, eaten_g, "
        "left_g + cold_g + lost_g FROM feed_item_before "
        "WHERE feed_id IN (SELECT id FROM feed)"
    )
    _drop_aside()
    op.create_index("ix_feed_animal_id_occurred_at", "feed", ["animal_id", "occurred_at"])
    op.create_index(op.f("ix_feed_item_lot_id"), "feed_item", ["lot_id"])
    for statement in _triggers(TABLES):
        op.execute(statement)


def _make_old_tables() -> None:
    op.create_table(
        "feed",
        *_whole("id", "animal_id", "movement_id"),
        _instant("occurred_at"),
        _instant("recorded_at"),
        *_text("by", "appetite"),
        *_text("note", nullable=True),
        _key("feed", "animal_id", "animal.id"),
        _key("feed", "movement_id", "movement.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feed")),
        sa.UniqueConstraint("movement_id", name=op.f("uq_feed_movement_id")),
    )
    op.create_table(
        "feed_item",
        *_whole("feed_id", "number", "thaw_batch_id", "lot_id", "offered_g", "eaten_g", "left_g"),
        sa.CheckConstraint(OLD_ADDS_UP, name=op.f("ck_feed_item_offered_is_eaten_and_left")),
        sa.CheckConstraint(OLD_NOT_NEGATIVE, name=op.f("ck_feed_item_not_negative")),
        *_keys_of_an_item(),
        sa.PrimaryKeyConstraint("feed_id", "number", name=op.f("pk_feed_item")),
    )


def _alter_back() -> None:
    for table in TABLES:
        op.execute(f"ALTER TABLE {table} DISABLE TRIGGER {table}_no_change")
    # Before what it rests on: checks of the rows as they are now would refuse the update.
    _check_items("offered_adds_up", ("offered_is_eaten_and_left", "true"), OLD_NOT_NEGATIVE)
    op.execute("UPDATE feed_item SET left_g = left_g + cold_g + lost_g")
    name = op.f("ck_feed_item_offered_is_eaten_and_left")
    op.drop_constraint(name, "feed_item", type_="check")
    op.create_check_constraint(name, "feed_item", OLD_ADDS_UP)
    op.drop_constraint(op.f("fk_feed_corrects_id"), "feed", type_="foreignkey")
    op.execute(
        "DELETE FROM feed_item WHERE feed_id IN (SELECT id FROM feed WHERE animal_id IS NULL)"
    )
    op.execute("DELETE FROM feed WHERE animal_id IS NULL")
    for column in ("cold_g", "lost_g", "pieces_offered", "pieces_eaten"):
        op.drop_column("feed_item", column)
    op.drop_constraint(op.f("ck_feed_one_eater"), "feed", type_="check")
    op.drop_constraint(op.f("ck_feed_present_of_a_group"), "feed", type_="check")
    for column in (
        *("site_id", "group_id", "present", "corrects_id"),
        *("kind", "outcome", "day", "clock_corrected_s"),
    ):
        op.drop_column("feed", column)
    op.alter_column("feed", "animal_id", nullable=False)
    for table in TABLES:
        op.execute(f"ALTER TABLE {table} ENABLE TRIGGER {table}_no_change")
