"""Feeds of groups, and what became of what was offered

Revision: 0019
After: 0018

Nothing yet.
"""

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
