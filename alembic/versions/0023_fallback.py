"""Sheets on paper, and what was entered from them

Revision: 0023
After: 0022

A day's feeds as they were printed, and the lines of it that came back.
"""

import sqlalchemy as sa
from alembic import op

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "fallback_sheet",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_fallback_sheet_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fallback_sheet")),
        sa.UniqueConstraint("code", name=op.f("uq_fallback_sheet_code")),
    )
    op.create_index(
        "ix_fallback_sheet_site_id_day", "fallback_sheet", ["site_id", "day"], unique=False
    )
    op.create_table(
        "sheet_entry",
        sa.Column("sheet_id", sa.Integer(), nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.Column("bucket_id", sa.Integer(), nullable=False),
        sa.Column("not_fed", sa.String(), nullable=True),
        sa.Column("initials", sa.String(), nullable=True),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["sheet_id"], ["fallback_sheet.id"], name=op.f("fk_sheet_entry_sheet_id")
        ),
        sa.ForeignKeyConstraint(
            ["bucket_id"], ["bucket.id"], name=op.f("fk_sheet_entry_bucket_id")
        ),
        sa.PrimaryKeyConstraint("sheet_id", "line", name=op.f("pk_sheet_entry")),
    )
    _protect("sheet_entry")


def _protect(table: str) -> None:
    """What was entered stays as it was written: neither changed nor deleted."""
    if op.get_bind().dialect.name == "sqlite":
        for event in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, '{table} is never changed'); END"
            )
        return
    op.execute(
        f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
    )
    op.execute(
        f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
    )


def downgrade() -> None:
    op.drop_table("sheet_entry")
    op.drop_table("fallback_sheet")
