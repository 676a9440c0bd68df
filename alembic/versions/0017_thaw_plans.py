"""Plans in stages, shared over a day

Revision: 0017
After: 0016

Nothing yet.
"""

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pass


def downgrade() -> None:
    pass
