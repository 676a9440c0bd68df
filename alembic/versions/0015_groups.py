"""Groups of animals, stages of life, fasts

Revision: 0015
After: 0014

Who is fed together, and who is not expected to eat.
"""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("animal", sa.Column("gone_on", sa.Date(), nullable=True))
    op.add_column("animal", sa.Column("gone_reason", sa.String(), nullable=True))
    op.create_table(
        "animal_group",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("unnamed", sa.Integer(), nullable=False),
        sa.CheckConstraint("unnamed >= 0", name=op.f("ck_animal_group_unnamed_not_negative")),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_animal_group_site_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_animal_group")),
        sa.UniqueConstraint("code", name=op.f("uq_animal_group_code")),
    )
    op.create_index(op.f("ix_animal_group_site_id"), "animal_group", ["site_id"], unique=False)
    op.create_table(
        "group_membership",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("group_id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("station", sa.String(), nullable=True),
        sa.Column("from_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint(
            "until_at IS NULL OR until_at > from_at",
            name=op.f("ck_group_membership_from_before_until"),
        ),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animal.id"], name=op.f("fk_group_membership_animal_id")
        ),
        sa.ForeignKeyConstraint(
            ["group_id"], ["animal_group.id"], name=op.f("fk_group_membership_group_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_group_membership")),
    )
    for column in ("group_id", "animal_id"):
        op.create_index(
            op.f(f"ix_group_membership_{column}"), "group_membership", [column], unique=False
        )
    op.create_table(
        "life_stage",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("stage", sa.String(), nullable=False),
        sa.Column("from_day", sa.Date(), nullable=False),
        sa.Column("until_day", sa.Date(), nullable=True),
        sa.Column("note", sa.String(), nullable=True),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint(
            "until_day IS NULL OR until_day >= from_day",
            name=op.f("ck_life_stage_from_before_until"),
        ),
        sa.ForeignKeyConstraint(["animal_id"], ["animal.id"], name=op.f("fk_life_stage_animal_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_life_stage")),
    )
    op.create_index(op.f("ix_life_stage_animal_id"), "life_stage", ["animal_id"], unique=False)
    op.create_table(
        "fast",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("from_day", sa.Date(), nullable=False),
        sa.Column("until_day", sa.Date(), nullable=True),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("floor_g", sa.Integer(), nullable=True),
        sa.Column("ordered_by", sa.String(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint(
            "until_day IS NULL OR until_day >= from_day", name=op.f("ck_fast_from_before_until")
        ),
        sa.CheckConstraint(
            "floor_g IS NULL OR floor_g > 0", name=op.f("ck_fast_floor_more_than_nothing")
        ),
        sa.ForeignKeyConstraint(["animal_id"], ["animal.id"], name=op.f("fk_fast_animal_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fast")),
    )
    op.create_index(op.f("ix_fast_animal_id"), "fast", ["animal_id"], unique=False)


def downgrade() -> None:
    for table in ("fast", "life_stage", "group_membership", "animal_group"):
        op.drop_table(table)
    op.drop_column("animal", "gone_reason")
    op.drop_column("animal", "gone_on")
