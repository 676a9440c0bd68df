"""What senders of readings are known by, and what hours are made with

Revision: 0013
After: 0012
"""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "sender_clock",
        sa.Column("user_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ahead_s", sa.BigInteger(), nullable=False),
        sa.Column("spread_s", sa.BigInteger(), nullable=False),
        sa.Column("batches", sa.Integer(), nullable=False),
        sa.Column("measured", sa.Boolean(), nullable=False),
        sa.Column("wrong_since", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["user_id"], ["app_user.id"], name=op.f("fk_sender_clock_user_id")),
        sa.PrimaryKeyConstraint("user_id", name=op.f("pk_sender_clock")),
    )
    op.create_table(
        "hours_made",
        sa.Column("probe_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("gap_s", sa.Integer(), nullable=False),
        sa.Column("kinetics", sa.Integer(), nullable=False),
        sa.Column("until_s", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_hours_made_probe_id")),
        sa.PrimaryKeyConstraint("probe_id", name=op.f("pk_hours_made")),
    )


def downgrade() -> None:
    op.drop_table("hours_made")
    op.drop_table("sender_clock")
