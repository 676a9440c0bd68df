"""Which hours of a probe are newer than what was seen

Revision: 0014
After: 0013
"""

from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_probe_hour_probe_id_version", "probe_hour", ["probe_id", "version"])


def downgrade() -> None:
    op.drop_index("ix_probe_hour_probe_id_version", table_name="probe_hour")
