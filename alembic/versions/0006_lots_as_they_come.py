"""Lots as they really come

Revision: 0006
After: 0005

What a lot's days are the days of, corrections with their evidence, cartons that
may be of several lots; a delivery's order and papers.
"""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Plain ADD COLUMNs: no table is rebuilt.
    op.add_column(
        "lot", sa.Column("age_basis", sa.String(), server_default="caught", nullable=False)
    )
    op.add_column(
        "lot", sa.Column("doubtful", sa.Boolean(), server_default=sa.false(), nullable=False)
    )
    op.add_column("delivery", sa.Column("order_number", sa.String(), nullable=True))
    op.create_index(op.f("ix_delivery_order_number"), "delivery", ["order_number"], unique=False)
    op.create_table(
        "delivery_document",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("number", sa.String(), nullable=False),
        sa.Column("issued_on", sa.Date(), nullable=True),
        sa.Column("valid_until", sa.Date(), nullable=True),
        sa.Column("photo", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(
            ["delivery_id"], ["delivery.id"], name=op.f("fk_delivery_document_delivery_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery_document")),
    )
    op.create_index(
        op.f("ix_delivery_document_delivery_id"), "delivery_document", ["delivery_id"], unique=False
    )
    op.create_table(
        "lot_correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("field", sa.String(), nullable=False),
        sa.Column("before", sa.String(), nullable=True),
        sa.Column("after", sa.String(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("evidence", sa.String(), nullable=False),
        sa.Column("photo", sa.String(), nullable=True),
        sa.Column("corrected_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_lot_correction_lot_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_lot_correction")),
    )
    op.create_index(op.f("ix_lot_correction_lot_id"), "lot_correction", ["lot_id"], unique=False)
    op.create_table(
        "lot_candidate",
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("candidate_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["lot_id"], ["lot.id"], name=op.f("fk_lot_candidate_lot_id")),
        sa.ForeignKeyConstraint(
            ["candidate_id"], ["lot.id"], name=op.f("fk_lot_candidate_candidate_id")
        ),
        sa.PrimaryKeyConstraint("lot_id", "candidate_id", name=op.f("pk_lot_candidate")),
    )
    op.create_index(
        op.f("ix_lot_candidate_candidate_id"), "lot_candidate", ["candidate_id"], unique=False
    )
    _protect("lot_correction")


def _protect(table: str) -> None:
    """What was corrected stays readable: neither changed nor deleted."""
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
    op.drop_index(op.f("ix_lot_candidate_candidate_id"), table_name="lot_candidate")
    op.drop_table("lot_candidate")
    op.drop_index(op.f("ix_lot_correction_lot_id"), table_name="lot_correction")
    op.drop_table("lot_correction")
    op.drop_index(op.f("ix_delivery_document_delivery_id"), table_name="delivery_document")
    op.drop_table("delivery_document")
    op.drop_index(op.f("ix_delivery_order_number"), table_name="delivery")
    op.drop_column("delivery", "order_number")
    op.drop_column("lot", "doubtful")
    op.drop_column("lot", "age_basis")
