"""Chores and when they are due

Revision: 0021
After: 0020

Nothing yet.
"""

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
