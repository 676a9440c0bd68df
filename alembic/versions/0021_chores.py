"""Chores and when they are due

Revision: 0021
After: 0020

A check need not be a temperature; chores that were told as overdue. Recipients who
take everything take these too.
"""

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None

ADDED = {
    "equipment": sa.String(),
    "method": sa.String(),
    "contact_minutes": sa.Float(),
    "passed": sa.Boolean(),
}
MAY_BE_MISSING = {"value": sa.String(), "unit": sa.String(), "measured_c": sa.Float()}
KEYS = {
    "place_id": "place.id",
    "lot_id": "lot.id",
    "parcel_id": "parcel.id",
    "excursion_id": "excursion.id",
    "probe_id": "probe.id",
    "calibration_id": "calibration.id",
    "replaces_id": "check_record.id",
}
BEFORE = {"excursion", "assessment", "probe", "backup", "worker", "recipient"}


INDEXED = ("site_id", "place_id", "lot_id", "excursion_id")
CHORES = "('cleaned', 'sanitised', 'container')"


def upgrade() -> None:
    if _is_sqlite():
        _make_anew(newer=True)
    else:
        for name, kind in ADDED.items():
            op.add_column("check_record", sa.Column(name, kind, nullable=True))
        for name in MAY_BE_MISSING:
            op.alter_column("check_record", name, nullable=True)
    op.create_index(
        "ix_check_record_site_id_kind_occurred_at",
        "check_record",
        ["site_id", "kind", "occurred_at"],
    )
    op.create_table(
        "overdue_chore",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("chore", sa.String(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("told_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_overdue_chore_site_id")),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_overdue_chore_place_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_overdue_chore")),
    )
    op.create_index(op.f("ix_overdue_chore_site_id"), "overdue_chore", ["site_id"], unique=False)
    _subscribe("check")


def downgrade() -> None:
    """What was cleaned cannot be told by the older tables: it goes."""
    _subscribe("check", take=False)
    op.drop_table("overdue_chore")
    op.drop_index("ix_check_record_site_id_kind_occurred_at", table_name="check_record")
    if _is_sqlite():
        _make_anew(newer=False)
        return
    op.execute("ALTER TABLE check_record DISABLE TRIGGER check_record_no_change")
    op.execute(f"DELETE FROM check_record WHERE kind IN {CHORES}")
    op.execute("ALTER TABLE check_record ENABLE TRIGGER check_record_no_change")
    for name in MAY_BE_MISSING:
        op.alter_column("check_record", name, nullable=False)
    for name in ADDED:
        op.drop_column("check_record", name)


def _is_sqlite() -> bool:
    return op.get_bind().dialect.name == "sqlite"


def _make_anew(*, newer: bool) -> None:
    """SQLite changes no constraint. The old table stands aside, so that checks that correct
    others always have them: they refer to their own table."""
    for event in ("update", "delete"):
        op.execute(f"DROP TRIGGER check_record_no_{event}")
    for column in INDEXED:
        op.drop_index(op.f(f"ix_check_record_{column}"), table_name="check_record")
    op.rename_table("check_record", "check_record_before")
    columns = _columns(newer=newer)
    op.create_table("check_record", *columns, *_constraints())
    kept = ", ".join(f'"{column.name}"' for column in columns if column.name not in ADDED)
    op.execute(
        f"INSERT INTO check_record ({kept}) SELECT {kept} FROM check_record_before"
        + ("" if newer else f" WHERE kind NOT IN {CHORES}")
    )
    op.drop_table("check_record_before")
    for column in INDEXED:
        op.create_index(op.f(f"ix_check_record_{column}"), "check_record", [column], unique=False)
    for event in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER check_record_no_{event.lower()} BEFORE {event} ON check_record "
            "BEGIN SELECT RAISE(ABORT, 'check_record is never changed'); END"
        )


def _columns(*, newer: bool) -> list[sa.Column]:
    may_be = [sa.Column(name, kind, nullable=newer) for name, kind in MAY_BE_MISSING.items()]
    added = [sa.Column(name, kind, nullable=True) for name, kind in ADDED.items()] if newer else []
    return [
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=True) for name in KEYS if name != "replaces_id"),
        sa.Column("position", sa.String(), nullable=True),
        sa.Column("carton", sa.String(), nullable=True),
        *may_be,
        *added,
        sa.Column("note", sa.String(), nullable=True),
        sa.Column("photo", sa.String(), nullable=True),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
    ]


def _constraints() -> list[sa.Constraint]:
    keys = {"site_id": "site.id", **KEYS}
    return [
        *(
            sa.ForeignKeyConstraint([name], [of], name=op.f(f"fk_check_record_{name}"))
            for name, of in keys.items()
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_check_record")),
        sa.UniqueConstraint("replaces_id", name=op.f("uq_check_record_replaces_id")),
    ]


def _subscribe(subject: str, *, take: bool = True) -> None:
    """Those who take every subject there was take this one too; or no longer."""
    recipient = sa.table("recipient", sa.column("id"), sa.column("subjects", sa.JSON()))
    connection = op.get_bind()
    for number, subjects in connection.execute(sa.select(recipient)).all():
        others = [each for each in subjects if each != subject]
        wanted = [*others, subject] if take and set(others) >= BEFORE else others
        connection.execute(
            recipient.update().where(recipient.c.id == number).values(subjects=wanted)
        )
