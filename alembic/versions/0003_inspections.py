"""Inspections and photos

Revision: 0003
After: 0002

What was answered, measured, counted and signed is never changed: triggers, as in 0001.
"""

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

NEVER_CHANGED = (
    "inspection_answer",
    "inspection_core",
    "inspection_count",
    "inspection_signature",
    "photo",
)


def _instant(name: str) -> sa.Column:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=False)


def _key(table: str, column: str, of: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [of], name=op.f(f"fk_{table}_{column}"))


def upgrade() -> None:
    op.create_table(
        "photo",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("media_type", sa.String(), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        _instant("taken_at"),
        _instant("recorded_at"),
        sa.Column("by", sa.String(), nullable=False),
        _key("photo", "site_id", "site.id"),
        sa.PrimaryKeyConstraint("digest", "site_id", name=op.f("pk_photo")),
    )
    op.create_table(
        "inspection",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("purpose", sa.String(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("corrects_id", sa.Integer(), nullable=True),
        _instant("opened_at"),
        _instant("recorded_at"),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("policy_version", sa.Integer(), nullable=False),
        _key("inspection", "corrects_id", "inspection.id"),
        _key("inspection", "delivery_id", "delivery.id"),
        _key("inspection", "site_id", "site.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspection")),
    )
    op.create_index(op.f("ix_inspection_delivery_id"), "inspection", ["delivery_id"], unique=False)
    op.create_index(op.f("ix_inspection_site_id"), "inspection", ["site_id"], unique=False)
    op.create_table(
        "inspection_lot",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("cartons", sa.Integer(), nullable=False),
        sa.Column("carton_g", sa.Integer(), nullable=False),
        sa.Column("sample", sa.Integer(), nullable=False),
        sa.Column("accept", sa.Integer(), nullable=False),
        sa.Column("level", sa.String(), nullable=True),
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("chosen", sa.JSON(), nullable=False),
        _key("inspection_lot", "inspection_id", "inspection.id"),
        _key("inspection_lot", "lot_id", "lot.id"),
        sa.PrimaryKeyConstraint("inspection_id", "lot_id", name=op.f("pk_inspection_lot")),
    )
    op.create_index(op.f("ix_inspection_lot_lot_id"), "inspection_lot", ["lot_id"], unique=False)
    for table, columns in _facts().items():
        op.create_table(
            table,
            sa.Column("id", sa.Integer(), nullable=False),
            sa.Column("inspection_id", sa.Integer(), nullable=False),
            *columns,
            _instant("occurred_at"),
            _instant("recorded_at"),
            sa.Column("by", sa.String(), nullable=False),
            _key(table, "inspection_id", "inspection.id"),
            _key(table, "lot_id", "lot.id"),
            sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
        )
        op.create_index(op.f(f"ix_{table}_inspection_id"), table, ["inspection_id"], unique=False)
    op.create_table(
        "inspection_signature",
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("decision", sa.String(), nullable=False),
        sa.Column("proposed", sa.String(), nullable=False),
        sa.Column("lots", sa.JSON(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("meaning", sa.String(), nullable=False),
        _instant("signed_at"),
        _instant("recorded_at"),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("policy_version", sa.Integer(), nullable=False),
        _key("inspection_signature", "inspection_id", "inspection.id"),
        sa.PrimaryKeyConstraint("inspection_id", name=op.f("pk_inspection_signature")),
    )
    statements = _sqlite() if op.get_bind().dialect.name == "sqlite" else _postgresql()
    for statement in statements:
        op.execute(statement)


def _facts() -> dict[str, tuple[sa.Column, ...]]:
    # Columns belong to one table: made anew each time.
    return {
        "inspection_answer": (
            sa.Column("lot_id", sa.Integer(), nullable=True),
            sa.Column("item", sa.String(), nullable=False),
            sa.Column("answer", sa.String(), nullable=False),
            sa.Column("note", sa.String(), nullable=True),
            sa.Column("photos", sa.JSON(), nullable=False),
        ),
        "inspection_core": (
            sa.Column("lot_id", sa.Integer(), nullable=False),
            sa.Column("carton", sa.Integer(), nullable=False),
            sa.Column("value", sa.String(), nullable=False),
            sa.Column("unit", sa.String(), nullable=False),
        ),
        "inspection_count": (
            sa.Column("lot_id", sa.Integer(), nullable=False),
            sa.Column("opened", sa.Integer(), nullable=False),
            sa.Column("defective", sa.Integer(), nullable=False),
            sa.Column("note", sa.String(), nullable=True),
        ),
    }


def _sqlite() -> Iterator[str]:
    for table in NEVER_CHANGED:
        for event in ("UPDATE", "DELETE"):
            yield (
                f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, '{table} is never changed'); END"
            )


def _postgresql() -> Iterator[str]:
    for table in NEVER_CHANGED:
        yield (
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
        )
        yield (
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )


def downgrade() -> None:
    for table in (
        "inspection_signature",
        "inspection_count",
        "inspection_core",
        "inspection_answer",
        "inspection_lot",
        "inspection",
        "photo",
    ):
        op.drop_table(table)
