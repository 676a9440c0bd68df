"""Thermometers and what is known of them

Revision: 0007
After: 0006

Where each hung and when, what it was off by, when it was broken, who may send its readings.
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "probe_stay",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("probe_id", sa.Integer(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=True),
        sa.Column("from_s", sa.BigInteger(), nullable=False),
        sa.Column("until_s", sa.BigInteger(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_probe_stay_place_id")),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_probe_stay_probe_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_probe_stay")),
    )
    op.create_index(op.f("ix_probe_stay_probe_id"), "probe_stay", ["probe_id"], unique=False)
    op.create_index(op.f("ix_probe_stay_place_id"), "probe_stay", ["place_id"], unique=False)
    op.create_table(
        "probe_offset",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("probe_id", sa.Integer(), nullable=False),
        sa.Column("from_s", sa.BigInteger(), nullable=False),
        sa.Column("centi_c", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_probe_offset_probe_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_probe_offset")),
    )
    op.create_index(op.f("ix_probe_offset_probe_id"), "probe_offset", ["probe_id"], unique=False)
    op.create_table(
        "probe_fault",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("probe_id", sa.Integer(), nullable=False),
        sa.Column("from_s", sa.BigInteger(), nullable=False),
        sa.Column("until_s", sa.BigInteger(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_probe_fault_probe_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_probe_fault")),
    )
    op.create_index(op.f("ix_probe_fault_probe_id"), "probe_fault", ["probe_id"], unique=False)
    op.create_table(
        "calibration",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("probe_id", sa.Integer(), nullable=False),
        sa.Column("calibrated_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("method", sa.String(), nullable=False),
        sa.Column("reference_c", sa.Float(), nullable=False),
        sa.Column("measured_c", sa.Float(), nullable=False),
        sa.Column("offset_c", sa.Float(), nullable=False),
        sa.Column("tolerance_c", sa.Float(), nullable=False),
        sa.Column("passed", sa.Boolean(), nullable=False),
        sa.Column("note", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_calibration_probe_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
    )
    op.create_index(op.f("ix_calibration_probe_id"), "calibration", ["probe_id"], unique=False)
    op.create_table(
        "governing_choice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=False),
        sa.Column("probe_id", sa.Integer(), nullable=True),
        sa.Column("from_s", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["place_id"], ["place.id"], name=op.f("fk_governing_choice_place_id")
        ),
        sa.ForeignKeyConstraint(
            ["probe_id"], ["probe.id"], name=op.f("fk_governing_choice_probe_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_governing_choice")),
    )
    op.create_index(
        op.f("ix_governing_choice_place_id"), "governing_choice", ["place_id"], unique=False
    )
    op.create_table(
        "probe_concern",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("probe_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("from_s", sa.BigInteger(), nullable=False),
        sa.Column("until_s", sa.BigInteger(), nullable=True),
        sa.Column("told_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_probe_concern_probe_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_probe_concern")),
    )
    op.create_index(op.f("ix_probe_concern_probe_id"), "probe_concern", ["probe_id"], unique=False)
    op.create_table(
        "probe_sender",
        sa.Column("probe_id", sa.Integer(), nullable=False),
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_probe_sender_probe_id")),
        sa.ForeignKeyConstraint(["user_id"], ["app_user.id"], name=op.f("fk_probe_sender_user_id")),
        sa.PrimaryKeyConstraint("probe_id", "user_id", name=op.f("pk_probe_sender")),
    )
    # Where probes hang now is where they are taken to have hung always.
    op.execute(
        'INSERT INTO probe_stay (probe_id, place_id, from_s, reason, recorded_at, "by")'
        " SELECT id, place_id, 0, '', created_at, 'fishhouse' FROM probe"
    )


def downgrade() -> None:
    op.drop_table("probe_sender")
    op.drop_table("probe_concern")
    op.drop_table("governing_choice")
    op.drop_table("calibration")
    op.drop_table("probe_fault")
    op.drop_table("probe_offset")
    op.drop_table("probe_stay")
