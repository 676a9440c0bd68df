"""A delivery that is being entered, for whoever goes on with it

Revision: 0029
After: 0028

A truck takes half an hour and more than one pair of hands: what was entered is kept here step
by step, whichever tablet it was entered at. Nothing of it is in the books before it is received.
"""

import sqlalchemy as sa
from alembic import op

revision = "0029"
down_revision = "0028"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "delivery_draft",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("entered", sa.JSON(), nullable=False),
        sa.Column("begun_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("begun_by", sa.String(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_by", sa.String(), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("delivery_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_delivery_draft_site_id")),
        sa.ForeignKeyConstraint(
            ["delivery_id"], ["delivery.id"], name=op.f("fk_delivery_draft_delivery_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_delivery_draft")),
    )
    op.create_index(op.f("ix_delivery_draft_site_id"), "delivery_draft", ["site_id"], unique=False)


def downgrade() -> None:
    op.drop_table("delivery_draft")
