"""Supplements as they are bought: batches, their strength and expiry, and what is left

Revision: 0024
After: 0023
"""

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing yet."""


def downgrade() -> None:
    """Nothing yet."""
