"""Who ate of a bad lot, and how they are

Revision: 0025
After: 0024

Watches and why they are kept; what was seen and what changed stays as it was written.
Whoever hears of animals hears of this too.
"""

import sqlalchemy as sa
from alembic import op

revision = "0025"
down_revision = "0024"
branch_labels = None
depends_on = None

LIKE = "animal"
FAILED = sa.text("verdict = 'reject'")
OPEN = sa.text("closed_at IS NULL")


def upgrade() -> None:
    op.create_index(
        "ix_assay_test_failed",
        "assay_test",
        ["assay_id"],
        unique=False,
        sqlite_where=FAILED,
        postgresql_where=FAILED,
    )
    op.create_table(
        "watch",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("thaw_batch_id", sa.Integer(), nullable=True),
        sa.Column("hours", sa.Float(), nullable=False),
        sa.Column("round_h", sa.Float(), nullable=False),
        sa.Column("look_back_days", sa.Float(), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("from_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("known", sa.JSON(), nullable=False),
        sa.Column("overdue_told_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("closing_proposed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("closed_by", sa.String(), nullable=True),
        sa.Column("closed_because", sa.String(), nullable=True),
        sa.CheckConstraint("hours >= 0 AND round_h > 0", name=op.f("ck_watch_hours_not_negative")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_watch_site_id")),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_watch_lot_id")),
        sa.ForeignKeyConstraint(
            ["thaw_batch_id"], ["thaw_batch.id"], name=op.f("fk_watch_thaw_batch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_watch")),
    )
    op.create_index(op.f("ix_watch_site_id"), "watch", ["site_id"], unique=False)
    op.create_index(op.f("ix_watch_lot_id"), "watch", ["lot_id"], unique=False)
    op.create_index("ix_watch_open", "watch", ["lot_id"], sqlite_where=OPEN, postgresql_where=OPEN)
    op.create_table(
        "watch_cause",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("watch_id", sa.Integer(), nullable=False),
        sa.Column("assay_id", sa.Integer(), nullable=True),
        sa.Column("hazards", sa.JSON(), nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["watch_id"], ["watch.id"], name=op.f("fk_watch_cause_watch_id")),
        sa.ForeignKeyConstraint(["assay_id"], ["assay.id"], name=op.f("fk_watch_cause_assay_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_watch_cause")),
        sa.UniqueConstraint("assay_id", name=op.f("uq_watch_cause_assay_id")),
    )
    op.create_table(
        "watch_observation",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("watch_id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=True),
        sa.Column("group_id", sa.Integer(), nullable=True),
        sa.Column("signs", sa.JSON(), nullable=False),
        sa.Column("other", sa.String(), nullable=True),
        sa.Column("appetite", sa.String(), nullable=True),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint(
            "(animal_id IS NULL) <> (group_id IS NULL)",
            name=op.f("ck_watch_observation_animal_or_group"),
        ),
        sa.ForeignKeyConstraint(
            ["watch_id"], ["watch.id"], name=op.f("fk_watch_observation_watch_id")
        ),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animal.id"], name=op.f("fk_watch_observation_animal_id")
        ),
        sa.ForeignKeyConstraint(
            ["group_id"], ["animal_group.id"], name=op.f("fk_watch_observation_group_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_watch_observation")),
    )
    op.create_table(
        "watch_change",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("watch_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["watch_id"], ["watch.id"], name=op.f("fk_watch_change_watch_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_watch_change")),
    )
    for table in ("watch_cause", "watch_observation", "watch_change"):
        op.create_index(op.f(f"ix_{table}_watch_id"), table, ["watch_id"], unique=False)
        _protect(table)
    _subscribe("watch")


def downgrade() -> None:
    _subscribe("watch", take=False)
    for table in ("watch_change", "watch_observation", "watch_cause", "watch"):
        op.drop_table(table)
    op.drop_index("ix_assay_test_failed", table_name="assay_test")


def _protect(table: str) -> None:
    """What was seen and said stays as it was written: neither changed nor deleted."""
    if op.get_bind().dialect.name == "sqlite":
        for event in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, '{table} is never changed'); END"
            )
        return
    op.execute(
        f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
    )
    op.execute(
        f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
    )


def _subscribe(subject: str, *, take: bool = True) -> None:
    """Whoever hears of animals hears of this too; or no longer."""
    recipient = sa.table("recipient", sa.column("id"), sa.column("subjects", sa.JSON()))
    connection = op.get_bind()
    for number, subjects in connection.execute(sa.select(recipient)).all():
        others = [each for each in subjects if each != subject]
        wanted = [*others, subject] if take and LIKE in others else others
        connection.execute(
            recipient.update().where(recipient.c.id == number).values(subjects=wanted)
        )
