"""People at a tablet: who is logged in, and who tried to

Revision: 0028
After: 0027

A session is a row, so that it can be ended from elsewhere. Failed attempts are kept long
enough to slow down whoever guesses.
"""

import sqlalchemy as sa
from alembic import op

revision = "0028"
down_revision = "0027"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "web_session",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.LargeBinary(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("site_id", sa.Integer(), nullable=True),
        sa.Column("language", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["user_id"], ["app_user.id"], name=op.f("fk_web_session_user_id")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_web_session_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_web_session")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_web_session_token_hash")),
    )
    op.create_index(op.f("ix_web_session_user_id"), "web_session", ["user_id"], unique=False)
    op.create_table(
        "login_failure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("address", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_login_failure")),
    )
    op.create_index(op.f("ix_login_failure_at"), "login_failure", ["at"], unique=False)


def downgrade() -> None:
    op.drop_table("login_failure")
    op.drop_table("web_session")
