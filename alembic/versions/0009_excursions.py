"""Excursions as they are revised

Revision: 0009
After: 0008

What is known of an excursion may change with later readings: each such change is a
revision that is kept. The fish that was in the place is stored with it.
"""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # Plain ADD COLUMNs: the table is not rebuilt.
    for name, default in (("state", "open"), ("reason", ""), ("cause", "unknown")):
        op.add_column(
            "excursion", sa.Column(name, sa.String(), nullable=False, server_default=default)
        )
    op.add_column(
        "excursion", sa.Column("criteria", sa.JSON(), nullable=False, server_default="{}")
    )
    op.add_column(
        "excursion", sa.Column("revision", sa.Integer(), nullable=False, server_default="1")
    )
    for name in ("follows_id", "merged_into_id"):
        of = sa.ForeignKey("excursion.id", name=op.f(f"fk_excursion_{name}"))
        op.add_column(
            "excursion", sa.Column(name, sa.Integer(), of, nullable=True), inline_references=True
        )
        op.create_index(op.f(f"ix_excursion_{name}"), "excursion", [name], unique=False)
    op.create_index(op.f("ix_excursion_state"), "excursion", ["state"], unique=False)
    op.execute("UPDATE excursion SET state = 'ended' WHERE ended_at IS NOT NULL")
    _revisions()
    _parcels()
    _watch()
    _protect("excursion_revision")


def _revisions() -> None:
    op.create_table(
        "excursion_revision",
        sa.Column("excursion_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("from_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("peak_c", sa.Float(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["excursion_id"], ["excursion.id"], name=op.f("fk_excursion_revision_excursion_id")
        ),
        sa.PrimaryKeyConstraint("excursion_id", "number", name=op.f("pk_excursion_revision")),
    )
    op.execute(
        "INSERT INTO excursion_revision (excursion_id, number, state, from_at, ended_at, peak_c,"
        ' reason, recorded_at, "by") SELECT id, 1, state, from_at, ended_at, peak_c,'
        " 'as it stood before revisions were kept', opened_at, 'fishhouse' FROM excursion"
    )


def _parcels() -> None:
    op.create_table(
        "excursion_parcel",
        sa.Column("excursion_id", sa.Integer(), nullable=False),
        sa.Column("parcel_id", sa.Integer(), nullable=False),
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.Column("from_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["excursion_id"], ["excursion.id"], name=op.f("fk_excursion_parcel_excursion_id")
        ),
        sa.ForeignKeyConstraint(
            ["parcel_id"], ["parcel.id"], name=op.f("fk_excursion_parcel_parcel_id")
        ),
        sa.PrimaryKeyConstraint("excursion_id", "parcel_id", name=op.f("pk_excursion_parcel")),
    )
    op.create_index(
        op.f("ix_excursion_parcel_parcel_id"), "excursion_parcel", ["parcel_id"], unique=False
    )


def _watch() -> None:
    op.create_table(
        "passed_defrost",
        sa.Column("probe_id", sa.Integer(), nullable=False),
        sa.Column("from_s", sa.BigInteger(), nullable=False),
        sa.Column("until_s", sa.BigInteger(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=False),
        sa.Column("peak_c", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["probe_id"], ["probe.id"], name=op.f("fk_passed_defrost_probe_id")
        ),
        sa.ForeignKeyConstraint(
            ["place_id"], ["place.id"], name=op.f("fk_passed_defrost_place_id")
        ),
        sa.PrimaryKeyConstraint("probe_id", "from_s", name=op.f("pk_passed_defrost")),
    )
    op.create_index(
        op.f("ix_passed_defrost_place_id"), "passed_defrost", ["place_id"], unique=False
    )
    op.create_table(
        "probe_watch",
        sa.Column("probe_id", sa.Integer(), nullable=False),
        sa.Column("at_s", sa.BigInteger(), nullable=False),
        sa.Column("memory", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_probe_watch_probe_id")),
        sa.PrimaryKeyConstraint("probe_id", name=op.f("pk_probe_watch")),
    )


def _protect(table: str) -> None:
    """What was known of an excursion stays readable: neither changed nor deleted."""
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
    for table in ("probe_watch", "passed_defrost", "excursion_parcel", "excursion_revision"):
        op.drop_table(table)
    op.drop_index(op.f("ix_excursion_state"), table_name="excursion")
    for name in ("merged_into_id", "follows_id"):
        op.drop_index(op.f(f"ix_excursion_{name}"), table_name="excursion")
    if op.get_bind().dialect.name == "sqlite":
        with op.batch_alter_table("excursion") as excursion:
            for name in ADDED:
                excursion.drop_column(name)
        return
    for name in ADDED:
        op.drop_column("excursion", name)


ADDED = ("merged_into_id", "follows_id", "revision", "criteria", "cause", "reason", "state")
