"""Chores and when they are due

Revision: 0021
After: 0020

A check need not be a temperature; chores that were told as overdue. Recipients who
take everything take these too.
"""

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None

ADDED = {
    "equipment": sa.String(),
    "method": sa.String(),
    "contact_minutes": sa.Float(),
    "passed": sa.Boolean(),
}
MAY_BE_MISSING = {"value": sa.String(), "unit": sa.String(), "measured_c": sa.Float()}
BEFORE = {"excursion", "assessment", "probe", "backup", "worker", "recipient"}


def upgrade() -> None:
    with op.batch_alter_table("check_record") as check_record:
        for name, kind in ADDED.items():
            check_record.add_column(sa.Column(name, kind, nullable=True))
        for name, kind in MAY_BE_MISSING.items():
            check_record.alter_column(name, existing_type=kind, nullable=True)
    _protect_again()
    op.create_index(
        "ix_check_record_site_id_kind_occurred_at",
        "check_record",
        ["site_id", "kind", "occurred_at"],
    )
    op.create_table(
        "overdue_chore",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("chore", sa.String(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("told_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_overdue_chore_site_id")),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_overdue_chore_place_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_overdue_chore")),
    )
    op.create_index(op.f("ix_overdue_chore_site_id"), "overdue_chore", ["site_id"], unique=False)
    _subscribe("check")


def downgrade() -> None:
    _subscribe("check", take=False)
    op.drop_table("overdue_chore")
    op.drop_index("ix_check_record_site_id_kind_occurred_at", table_name="check_record")
    _stop_protecting()
    # What was cleaned cannot be told by the older tables: it goes.
    op.execute(
        "UPDATE check_record SET replaces_id = NULL WHERE kind IN "
        "('cleaned', 'sanitised', 'container')"
    )
    op.execute("DELETE FROM check_record WHERE kind IN ('cleaned', 'sanitised', 'container')")
    with op.batch_alter_table("check_record") as check_record:
        for name, kind in MAY_BE_MISSING.items():
            check_record.alter_column(name, existing_type=kind, nullable=False)
        for name in ADDED:
            check_record.drop_column(name)
    _protect_again()


def _protect_again() -> None:
    """SQLite's rebuilt table has lost its triggers; PostgreSQL alters in place."""
    if op.get_bind().dialect.name == "sqlite":
        for event in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER check_record_no_{event.lower()} BEFORE {event} ON check_record "
                "BEGIN SELECT RAISE(ABORT, 'check_record is never changed'); END"
            )
        return
    op.execute("ALTER TABLE check_record ENABLE TRIGGER check_record_no_change")


def _stop_protecting() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for event in ("update", "delete"):
            op.execute(f"DROP TRIGGER check_record_no_{event}")
        return
    op.execute("ALTER TABLE check_record DISABLE TRIGGER check_record_no_change")


def _subscribe(subject: str, *, take: bool = True) -> None:
    """Those who take every subject there was take this one too; or no longer."""
    recipient = sa.table("recipient", sa.column("id"), sa.column("subjects", sa.JSON()))
    connection = op.get_bind()
    for number, subjects in connection.execute(sa.select(recipient)).all():
        others = [each for each in subjects if each != subject]
        wanted = [*others, subject] if take and set(others) >= BEFORE else others
        connection.execute(
            recipient.update().where(recipient.c.id == number).values(subjects=wanted)
        )
