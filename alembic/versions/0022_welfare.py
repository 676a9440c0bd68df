"""What is noticed about animals

Revision: 0022
After: 0021

Nothing yet.
"""

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
