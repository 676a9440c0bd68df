"""How long a thaw batch was expected to take, and when it was looked at

Revision: 0002
After: 0001

A pull keeps its forecast, so that a clock that runs from it never moves by itself,
and so that the site can learn from what was seen. Pulls from before have none.
"""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "thaw_forecast",
        sa.Column("thaw_batch_id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("product_id", sa.Integer(), nullable=False),
        sa.Column("place_kind", sa.String(), nullable=False),
        sa.Column("left_freezer_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("hours", sa.Float(), nullable=False),
        sa.Column("low_h", sa.Float(), nullable=False),
        sa.Column("high_h", sa.Float(), nullable=False),
        sa.Column("modelled_h", sa.Float(), nullable=True),
        sa.Column("method", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["product_id"], ["product.id"], name=op.f("fk_thaw_forecast_product_id")
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_thaw_forecast_site_id")),
        sa.ForeignKeyConstraint(
            ["thaw_batch_id"], ["thaw_batch.id"], name=op.f("fk_thaw_forecast_thaw_batch_id")
        ),
        sa.PrimaryKeyConstraint("thaw_batch_id", name=op.f("pk_thaw_forecast")),
    )
    op.create_index(
        "ix_thaw_forecast_site_id_product_id",
        "thaw_forecast",
        ["site_id", "product_id", "place_kind"],
        unique=False,
    )
    # A plain ADD COLUMN: the table is not rebuilt.
    op.add_column("thawed_mark", sa.Column("not_yet_at", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    op.drop_column("thawed_mark", "not_yet_at")
    op.drop_index("ix_thaw_forecast_site_id_product_id", table_name="thaw_forecast")
    op.drop_table("thaw_forecast")
