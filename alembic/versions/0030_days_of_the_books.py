"""What happened on a day, found by the day

Revision: 0030
After: 0029

The day sheet asks for a site's movements between two instants, whatever else the books hold.
"""

from alembic import op

revision = "0030"
down_revision = "0029"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index(
        "ix_movement_site_id_occurred_at", "movement", ["site_id", "occurred_at"], unique=False
    )


def downgrade() -> None:
    op.drop_index("ix_movement_site_id_occurred_at", table_name="movement")
