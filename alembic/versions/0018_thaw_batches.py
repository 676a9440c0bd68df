"""What happens to a thaw batch

Revision: 0018
After: 0017

A batch may be split; every look at one is kept, with what was measured; which warnings of
its clock were told; and what a pull used of a reservation, so that it can be given back.
Marks of fish found thawed become looks. Looks are never changed: triggers, as in 0001.
"""

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

NOT_YET = sa.text("not_yet_at IS NOT NULL OR found <> 'thawed'")
THAWING = sa.text("grams > 0 AND thaw_batch_id IS NOT NULL")


def _instant(name: str, *, nullable: bool = False) -> sa.Column:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _key(table: str, column: str, of: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [of], name=op.f(f"fk_{table}_{column}"))


def upgrade() -> None:
    # Plain ADD COLUMNs: no table is rebuilt.
    of = sa.ForeignKey("thaw_batch.id", name=op.f("fk_thaw_batch_split_from_id"))
    op.add_column(
        "thaw_batch",
        sa.Column("split_from_id", sa.Integer(), of, nullable=True),
        inline_references=True,
    )
    op.add_column("thaw_batch", _instant("split_at", nullable=True))
    op.create_index(
        "ix_parcel_thawing",
        "parcel",
        ["thaw_batch_id"],
        sqlite_where=THAWING,
        postgresql_where=THAWING,
    )
    _looks()
    op.execute(
        "INSERT INTO thaw_look "
        '(id, thaw_batch_id, seen_at, found, not_yet_at, recorded_at, "by") '
        "SELECT id, thaw_batch_id, thawed_at, 'thawed', not_yet_at, recorded_at, \"by\" "
        "FROM thawed_mark"
    )
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "SELECT setval(pg_get_serial_sequence('thaw_look', 'id'), "
            "(SELECT coalesce(max(id), 0) + 1 FROM thaw_look), false)"
        )
    op.drop_table("thawed_mark")
    op.create_table(
        "thaw_warning",
        sa.Column("thaw_batch_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        _instant("discard_after"),
        _instant("told_at"),
        _key("thaw_warning", "thaw_batch_id", "thaw_batch.id"),
        sa.PrimaryKeyConstraint(
            "thaw_batch_id", "kind", "discard_after", name=op.f("pk_thaw_warning")
        ),
    )
    op.create_table(
        "reservation_use",
        sa.Column("movement_id", sa.Integer(), nullable=False),
        sa.Column("reservation_id", sa.Integer(), nullable=False),
        sa.Column("grams", sa.Integer(), nullable=False),
        _key("reservation_use", "movement_id", "movement.id"),
        _key("reservation_use", "reservation_id", "reservation.id"),
        sa.PrimaryKeyConstraint("movement_id", "reservation_id", name=op.f("pk_reservation_use")),
    )
    op.create_index(
        op.f("ix_reservation_use_reservation_id"), "reservation_use", ["reservation_id"]
    )
    for statement in _triggers():
        op.execute(statement)


def _looks() -> None:
    op.create_table(
        "thaw_look",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("thaw_batch_id", sa.Integer(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=True),
        _instant("seen_at"),
        sa.Column("found", sa.String(), nullable=True),
        sa.Column("method", sa.String(), nullable=True),
        sa.Column("part", sa.String(), nullable=True),
        sa.Column("value", sa.String(), nullable=True),
        sa.Column("unit", sa.String(), nullable=True),
        sa.Column("measured_c", sa.Float(), nullable=True),
        _instant("not_yet_at", nullable=True),
        _instant("recorded_at"),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint(
            "found IS NOT NULL OR measured_c IS NOT NULL", name=op.f("ck_thaw_look_saw_something")
        ),
        _key("thaw_look", "thaw_batch_id", "thaw_batch.id"),
        _key("thaw_look", "place_id", "place.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_thaw_look")),
    )
    op.create_index(op.f("ix_thaw_look_thaw_batch_id"), "thaw_look", ["thaw_batch_id"])
    op.create_index(
        "ix_thaw_look_not_yet",
        "thaw_look",
        ["thaw_batch_id"],
        sqlite_where=NOT_YET,
        postgresql_where=NOT_YET,
    )


def _triggers() -> Iterator[str]:
    if op.get_bind().dialect.name == "sqlite":
        for event in ("UPDATE", "DELETE"):
            yield (
                f"CREATE TRIGGER thaw_look_no_{event.lower()} BEFORE {event} ON thaw_look BEGIN "
                "SELECT RAISE(ABORT, 'thaw_look is never changed'); END"
            )
        return
    yield (
        "CREATE TRIGGER thaw_look_no_change BEFORE UPDATE OR DELETE ON thaw_look "
        "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
    )
    yield (
        "CREATE TRIGGER thaw_look_no_truncate BEFORE TRUNCATE ON thaw_look "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
    )


def downgrade() -> None:
    op.drop_table("reservation_use")
    op.drop_table("thaw_warning")
    op.create_table(
        "thawed_mark",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("thaw_batch_id", sa.Integer(), nullable=False),
        _instant("thawed_at"),
        _instant("recorded_at"),
        sa.Column("by", sa.String(), nullable=False),
        _instant("not_yet_at", nullable=True),
        _key("thawed_mark", "thaw_batch_id", "thaw_batch.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_thawed_mark")),
    )
    op.create_index(op.f("ix_thawed_mark_thaw_batch_id"), "thawed_mark", ["thaw_batch_id"])
    op.execute(
        'INSERT INTO thawed_mark (id, thaw_batch_id, thawed_at, not_yet_at, recorded_at, "by") '
        'SELECT id, thaw_batch_id, seen_at, not_yet_at, recorded_at, "by" '
        "FROM thaw_look WHERE found = 'thawed'"
    )
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "SELECT setval(pg_get_serial_sequence('thawed_mark', 'id'), "
            "(SELECT coalesce(max(id), 0) + 1 FROM thawed_mark), false)"
        )
    op.drop_table("thaw_look")
    op.drop_index("ix_parcel_thawing", table_name="parcel")
    # Not by a copy of the table: fish refers to it.
    op.drop_column("thaw_batch", "split_at")
    op.drop_column("thaw_batch", "split_from_id")
