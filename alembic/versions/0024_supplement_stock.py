"""Supplements as they are bought: batches, their strength and expiry, and what is left

Revision: 0024
After: 0023

Products gain the step in which they are measured out, and a price.
"""

import sqlalchemy as sa
from alembic import op

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("supplement_product", sa.Column("smallest", sa.Float(), nullable=True))
    op.add_column("supplement_product", sa.Column("price", sa.Float(), nullable=True))
    op.add_column("supplement_product", sa.Column("currency", sa.String(), nullable=True))
    op.create_table(
        "supplement_batch",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("product_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("expires_on", sa.Date(), nullable=False),
        sa.Column("contents", sa.JSON(), nullable=False),
        sa.Column("price", sa.Float(), nullable=True),
        sa.Column("currency", sa.String(), nullable=True),
        sa.Column("left_milli", sa.BigInteger(), nullable=False),
        sa.Column("last_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint("left_milli >= 0", name=op.f("ck_supplement_batch_left_not_negative")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_supplement_batch_site_id")),
        sa.ForeignKeyConstraint(
            ["product_id"],
            ["supplement_product.id"],
            name=op.f("fk_supplement_batch_product_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplement_batch")),
        sa.UniqueConstraint(
            "site_id", "product_id", "key", name=op.f("uq_supplement_batch_site_id_product_id_key")
        ),
    )
    op.create_index(op.f("ix_supplement_batch_product_id"), "supplement_batch", ["product_id"])
    op.create_index(
        "ix_supplement_batch_site_id_expires_on",
        "supplement_batch",
        ["site_id", "expires_on", "id"],
    )
    op.create_table(
        "supplement_movement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("batch_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("milli", sa.BigInteger(), nullable=False),
        sa.Column("counted_milli", sa.BigInteger(), nullable=True),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("reference", sa.String(), nullable=True),
        sa.Column("reverses_id", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "kind IN ('counted', 'reversed') OR milli <> 0",
            name=op.f("ck_supplement_movement_something_moved"),
        ),
        sa.CheckConstraint(
            "counted_milli IS NULL OR kind = 'counted'",
            name=op.f("ck_supplement_movement_counted_by_a_count"),
        ),
        sa.ForeignKeyConstraint(
            ["batch_id"], ["supplement_batch.id"], name=op.f("fk_supplement_movement_batch_id")
        ),
        sa.ForeignKeyConstraint(
            ["reverses_id"],
            ["supplement_movement.id"],
            name=op.f("fk_supplement_movement_reverses_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplement_movement")),
        sa.UniqueConstraint("reverses_id", name=op.f("uq_supplement_movement_reverses_id")),
    )
    op.create_index(
        "ix_supplement_movement_batch_id_day", "supplement_movement", ["batch_id", "day"]
    )
    op.create_index(op.f("ix_supplement_movement_reference"), "supplement_movement", ["reference"])
    op.create_table(
        "supplement_concern",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("product_id", sa.Integer(), nullable=False),
        sa.Column("batch_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("told_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["site_id"], ["site.id"], name=op.f("fk_supplement_concern_site_id")
        ),
        sa.ForeignKeyConstraint(
            ["product_id"],
            ["supplement_product.id"],
            name=op.f("fk_supplement_concern_product_id"),
        ),
        sa.ForeignKeyConstraint(
            ["batch_id"], ["supplement_batch.id"], name=op.f("fk_supplement_concern_batch_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplement_concern")),
    )
    for column in ("site_id", "product_id", "batch_id"):
        name = op.f(f"ix_supplement_concern_{column}")
        op.create_index(name, "supplement_concern", [column])
    _protect("supplement_movement")


def _protect(table: str) -> None:
    """What came and went stays as it was written: neither changed nor deleted."""
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
    op.drop_table("supplement_concern")
    op.drop_table("supplement_movement")
    op.drop_table("supplement_batch")
    for column in ("currency", "price", "smallest"):
        op.drop_column("supplement_product", column)
