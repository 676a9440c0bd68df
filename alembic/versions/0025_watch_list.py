"""Who ate of a bad lot, and how they are

Revision: 0025
After: 0024
"""

revision = "0025"
down_revision = "0024"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing yet."""


def downgrade() -> None:
    """Nothing yet."""
