"""Checks, assessments and decisions

Revision: 0010
After: 0009

What was measured, computed and decided is never changed: triggers, as in 0001.
"""

from collections.abc import Iterator

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

NEVER_CHANGED = ("check_record", "assessment", "assessed_fish", "excursion_decision")


def _instant(name: str) -> sa.Column:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=False)


def _key(table: str, column: str, of: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [of], name=op.f(f"fk_{table}_{column}"))


def _indices(table: str, *columns: str) -> None:
    for column in columns:
        op.create_index(op.f(f"ix_{table}_{column}"), table, [column], unique=False)


def upgrade() -> None:
    _checks()
    _assessments()
    _decisions()
    statements = _sqlite() if op.get_bind().dialect.name == "sqlite" else _postgresql()
    for statement in statements:
        op.execute(statement)


def _checks() -> None:
    op.create_table(
        "check_record",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=True),
        sa.Column("lot_id", sa.Integer(), nullable=True),
        sa.Column("parcel_id", sa.Integer(), nullable=True),
        sa.Column("excursion_id", sa.Integer(), nullable=True),
        sa.Column("probe_id", sa.Integer(), nullable=True),
        sa.Column("calibration_id", sa.Integer(), nullable=True),
        sa.Column("position", sa.String(), nullable=True),
        sa.Column("carton", sa.String(), nullable=True),
        sa.Column("value", sa.String(), nullable=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("measured_c", sa.Float(), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.Column("photo", sa.String(), nullable=True),
        sa.Column("replaces_id", sa.Integer(), nullable=True),
        _instant("occurred_at"),
        _instant("recorded_at"),
        sa.Column("by", sa.String(), nullable=False),
        _key("check_record", "site_id", "site.id"),
        _key("check_record", "place_id", "place.id"),
        _key("check_record", "lot_id", "lot.id"),
        _key("check_record", "parcel_id", "parcel.id"),
        _key("check_record", "excursion_id", "excursion.id"),
        _key("check_record", "probe_id", "probe.id"),
        _key("check_record", "calibration_id", "calibration.id"),
        _key("check_record", "replaces_id", "check_record.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_check_record")),
        sa.UniqueConstraint("replaces_id", name=op.f("uq_check_record_replaces_id")),
    )
    _indices("check_record", "site_id", "place_id", "lot_id", "excursion_id")


def _assessments() -> None:
    op.create_table(
        "assessment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("excursion_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("excursion_revision", sa.Integer(), nullable=False),
        sa.Column("basis", sa.String(), nullable=False),
        _instant("until_at"),
        _instant("computed_at"),
        sa.Column("policy_version", sa.Integer(), nullable=False),
        sa.Column("figures", sa.JSON(), nullable=False),
        _key("assessment", "excursion_id", "excursion.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_assessment")),
        sa.UniqueConstraint(
            "excursion_id", "number", name=op.f("uq_assessment_excursion_id_number")
        ),
    )
    _indices("assessment", "excursion_id")
    op.create_table(
        "assessed_fish",
        sa.Column("assessment_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=False),
        sa.Column("parcels", sa.JSON(), nullable=False),
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.Column("worst_c", sa.Float(), nullable=False),
        sa.Column("figures", sa.JSON(), nullable=False),
        _key("assessed_fish", "assessment_id", "assessment.id"),
        _key("assessed_fish", "lot_id", "lot.id"),
        sa.PrimaryKeyConstraint("assessment_id", "number", name=op.f("pk_assessed_fish")),
    )
    _indices("assessed_fish", "lot_id")


def _decisions() -> None:
    op.create_table(
        "excursion_decision",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("excursion_id", sa.Integer(), nullable=False),
        sa.Column("assessment_id", sa.Integer(), nullable=True),
        sa.Column("lots", sa.JSON(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("corrective_action", sa.String(), nullable=False),
        sa.Column("meaning", sa.String(), nullable=False),
        _instant("signed_at"),
        _instant("recorded_at"),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("policy_version", sa.Integer(), nullable=False),
        _key("excursion_decision", "excursion_id", "excursion.id"),
        _key("excursion_decision", "assessment_id", "assessment.id"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_excursion_decision")),
    )
    _indices("excursion_decision", "excursion_id")


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
    for table in reversed(NEVER_CHANGED):
        op.drop_table(table)
