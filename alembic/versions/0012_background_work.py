"""Background work

Revision: 0012
After: 0011

When each job is due and how it went; messages of a broker that could not be read.
"""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Made anew: every worker makes its rows again, and each job is then due once.
    op.drop_table("job")
    op.create_table(
        "job",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("every_s", sa.Float(), nullable=False),
        sa.Column("fence", sa.Integer(), nullable=False),
        sa.Column("due_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=True),
        sa.Column("began_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("took_s", sa.Float(), nullable=True),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("failed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_error", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_job")),
    )
    op.create_table(
        "unread_message",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("topic", sa.String(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unread_message")),
    )


def downgrade() -> None:
    op.drop_table("unread_message")
    op.drop_table("job")
    op.create_table(
        "job",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("fence", sa.Integer(), nullable=False),
        sa.Column("leased_until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_job")),
    )
