"""Sheets on paper, and what was entered from them

Revision: 0023
After: 0022

Nothing yet.
"""

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
