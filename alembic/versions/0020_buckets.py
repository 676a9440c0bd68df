"""Buckets and what they carry

Revision: 0020
After: 0019

Nothing yet.
"""

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
