"""What happens to a thaw batch

Revision: 0018
After: 0017

Nothing yet.
"""

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
