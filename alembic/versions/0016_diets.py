"""Diets by mass, share of body mass or energy

Revision: 0016
After: 0015

Nothing yet.
"""

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
