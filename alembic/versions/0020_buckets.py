"""Buckets and what they carry

Revision: 0020
After: 0019

Portions for an animal or group at a feed, what happened to them, the pieces in their
fish and what became of these; medication that a vet has ordered.
"""

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None

FACTS = ("bucket_event", "piece_outcome")


def upgrade() -> None:
    op.create_table(
        "bucket",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=True),
        sa.Column("group_id", sa.Integer(), nullable=True),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=True),
        sa.Column("feed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("tare_g", sa.Integer(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint(
            "(animal_id IS NULL) <> (group_id IS NULL)", name=op.f("ck_bucket_for_one_or_a_group")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_bucket_site_id")),
        sa.ForeignKeyConstraint(["animal_id"], ["animal.id"], name=op.f("fk_bucket_animal_id")),
        sa.ForeignKeyConstraint(["group_id"], ["animal_group.id"], name=op.f("fk_bucket_group_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bucket")),
        sa.UniqueConstraint("code", name=op.f("uq_bucket_code")),
    )
    op.create_index(op.f("ix_bucket_animal_id"), "bucket", ["animal_id"], unique=False)
    op.create_index(op.f("ix_bucket_group_id"), "bucket", ["group_id"], unique=False)
    op.create_index("ix_bucket_site_id_feed_at", "bucket", ["site_id", "feed_at"], unique=False)
    op.create_table(
        "bucket_item",
        sa.Column("bucket_id", sa.Integer(), nullable=False),
        sa.Column("thaw_batch_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("planned_g", sa.Integer(), nullable=False),
        sa.Column("weighed_g", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "planned_g >= 0 AND (weighed_g IS NULL OR weighed_g >= 0)",
            name=op.f("ck_bucket_item_mass"),
        ),
        sa.ForeignKeyConstraint(
            ["bucket_id"], ["bucket.id"], name=op.f("fk_bucket_item_bucket_id")
        ),
        sa.ForeignKeyConstraint(
            ["thaw_batch_id"], ["thaw_batch.id"], name=op.f("fk_bucket_item_thaw_batch_id")
        ),
        sa.PrimaryKeyConstraint("bucket_id", "thaw_batch_id", name=op.f("pk_bucket_item")),
    )
    op.create_index(
        op.f("ix_bucket_item_thaw_batch_id"), "bucket_item", ["thaw_batch_id"], unique=False
    )
    op.create_table(
        "bucket_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bucket_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("feed_id", sa.Integer(), nullable=True),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["bucket_id"], ["bucket.id"], name=op.f("fk_bucket_event_bucket_id")
        ),
        sa.ForeignKeyConstraint(["feed_id"], ["feed.id"], name=op.f("fk_bucket_event_feed_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bucket_event")),
    )
    op.create_index(op.f("ix_bucket_event_bucket_id"), "bucket_event", ["bucket_id"], unique=False)
    op.create_index(op.f("ix_bucket_event_feed_id"), "bucket_event", ["feed_id"], unique=False)
    op.create_table(
        "medication_order",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("item", sa.String(), nullable=False),
        sa.Column("count", sa.Float(), nullable=False),
        sa.Column("feeds_per_day", sa.Integer(), nullable=False),
        sa.Column("fish", sa.String(), nullable=True),
        sa.Column("from_day", sa.Date(), nullable=False),
        sa.Column("until_day", sa.Date(), nullable=False),
        sa.Column("instructions", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("stopped_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("stopped_by", sa.String(), nullable=True),
        sa.Column("stopped_reason", sa.String(), nullable=True),
        sa.CheckConstraint(
            "count > 0 AND feeds_per_day > 0", name=op.f("ck_medication_order_more_than_nothing")
        ),
        sa.CheckConstraint(
            "until_day >= from_day", name=op.f("ck_medication_order_from_before_until")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_medication_order_site_id")),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animal.id"], name=op.f("fk_medication_order_animal_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_medication_order")),
    )
    for column in ("site_id", "animal_id"):
        op.create_index(
            op.f(f"ix_medication_order_{column}"), "medication_order", [column], unique=False
        )
    op.create_table(
        "bucket_piece",
        sa.Column("bucket_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("plan_id", sa.Integer(), nullable=True),
        sa.Column("order_id", sa.Integer(), nullable=True),
        sa.Column("item", sa.String(), nullable=False),
        sa.Column("count", sa.Float(), nullable=False),
        sa.Column("batch", sa.String(), nullable=True),
        sa.Column("fish", sa.String(), nullable=True),
        sa.CheckConstraint("count > 0", name=op.f("ck_bucket_piece_count_more_than_nothing")),
        sa.CheckConstraint(
            "(plan_id IS NULL) <> (order_id IS NULL)", name=op.f("ck_bucket_piece_plan_or_order")
        ),
        sa.ForeignKeyConstraint(
            ["bucket_id"], ["bucket.id"], name=op.f("fk_bucket_piece_bucket_id")
        ),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animal.id"], name=op.f("fk_bucket_piece_animal_id")
        ),
        sa.ForeignKeyConstraint(
            ["plan_id"], ["supplement_plan.id"], name=op.f("fk_bucket_piece_plan_id")
        ),
        sa.ForeignKeyConstraint(
            ["order_id"], ["medication_order.id"], name=op.f("fk_bucket_piece_order_id")
        ),
        sa.PrimaryKeyConstraint("bucket_id", "number", name=op.f("pk_bucket_piece")),
    )
    op.create_index(op.f("ix_bucket_piece_animal_id"), "bucket_piece", ["animal_id"], unique=False)
    op.create_table(
        "piece_outcome",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("bucket_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["bucket_id"], ["bucket.id"], name=op.f("fk_piece_outcome_bucket_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece_outcome")),
    )
    op.create_index(
        op.f("ix_piece_outcome_bucket_id"), "piece_outcome", ["bucket_id"], unique=False
    )
    for table in FACTS:
        _protect(table)


def _protect(table: str) -> None:
    """What happened stays as it was written: neither changed nor deleted."""
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


def downgrade() -> None:
    for table in (
        "piece_outcome",
        "bucket_piece",
        "medication_order",
        "bucket_event",
        "bucket_item",
        "bucket",
    ):
        op.drop_table(table)
