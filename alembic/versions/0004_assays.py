"""Assays in full: detection limits, replicates, tests of safety, withdrawals; opening balances

Revision: 0004
After: 0003

Plain ADD COLUMN throughout: no table is rebuilt, and what was recorded before stays as it was.
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("assay", sa.Column("method", sa.String(), nullable=True))
    op.add_column("assay", sa.Column("sample_id", sa.String(), nullable=True))
    op.add_column("assay", sa.Column("reported_on", sa.Date(), nullable=True))
    op.add_column("assay", sa.Column("findings", sa.JSON(), nullable=True))
    op.add_column("assay_value", sa.Column("reported_text", sa.String(), nullable=True))
    op.add_column("assay_value", sa.Column("limit_as_fed", sa.Float(), nullable=True))
    op.add_column("assay_value", sa.Column("replicates", sa.Integer(), nullable=True))
    op.add_column("assay_value", sa.Column("cv", sa.Float(), nullable=True))
    op.create_table(
        "assay_test",
        sa.Column("assay_id", sa.Integer(), nullable=False),
        sa.Column("test", sa.String(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("reported", sa.JSON(), nullable=False),
        sa.Column("pooled", sa.Integer(), nullable=False),
        sa.Column("verdict", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["assay_id"], ["assay.id"], name=op.f("fk_assay_test_assay_id")),
        sa.PrimaryKeyConstraint("assay_id", "test", name=op.f("pk_assay_test")),
    )
    op.create_table(
        "assay_withdrawal",
        sa.Column("assay_id", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["assay_id"], ["assay.id"], name=op.f("fk_assay_withdrawal_assay_id")
        ),
        sa.PrimaryKeyConstraint("assay_id", name=op.f("pk_assay_withdrawal")),
    )
    op.add_column(
        "delivery", sa.Column("opening", sa.Boolean(), nullable=False, server_default=sa.false())
    )


def downgrade() -> None:
    op.drop_column("delivery", "opening")
    op.drop_table("assay_withdrawal")
    op.drop_table("assay_test")
    for name in ("cv", "replicates", "limit_as_fed", "reported_text"):
        op.drop_column("assay_value", name)
    for name in ("findings", "reported_on", "sample_id", "method"):
        op.drop_column("assay", name)
