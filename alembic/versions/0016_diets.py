"""Diets by mass, share of body mass or energy; substitutions of a day

Revision: 0016
After: 0015

Also for groups, from a feed on, by season, proposed and approved.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

_OF_ONE = "(animal_id IS NULL) <> (group_id IS NULL)"


def upgrade() -> None:
    _put_aside()
    _diet(
        sa.Column("animal_id", sa.Integer(), nullable=True),
        sa.Column("group_id", sa.Integer(), nullable=True),
        sa.Column("from_day", sa.Date(), nullable=False),
        sa.Column("from_feed", sa.Integer(), nullable=False),
        sa.Column("feeds_per_day", sa.Integer(), nullable=False),
        sa.Column("feeds", sa.JSON(), nullable=True),
        sa.Column("amounts_for", sa.String(), nullable=False),
        sa.Column("total_by", sa.String(), nullable=True),
        sa.Column("total", sa.Float(), nullable=True),
        sa.Column("season", sa.JSON(), nullable=True),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("decided_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("decided_by", sa.String(), nullable=True),
        sa.Column("decided_as", sa.String(), nullable=True),
        sa.Column("decision_reason", sa.String(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.CheckConstraint(_OF_ONE, name=op.f("ck_diet_of_one_eater")),
        sa.ForeignKeyConstraint(["group_id"], ["animal_group.id"], name=op.f("fk_diet_group_id")),
    )
    for eater in ("animal_id", "group_id"):
        op.create_index(op.f(f"ix_diet_{eater}_from_day"), "diet", [eater, "from_day"])
    _diet_item(
        sa.Column("amount_by", sa.String(), nullable=False),
        sa.Column("amount", sa.Float(), nullable=False),
        sa.Column("minimum_g", sa.Integer(), nullable=True),
        sa.Column("maximum_g", sa.Integer(), nullable=True),
        sa.Column("size_grade", sa.String(), nullable=True),
        sa.Column("substitutes", sa.JSON(), nullable=False),
        sa.CheckConstraint("amount > 0", name=op.f("ck_diet_item_diet_item_more_than_nothing")),
    )
    op.execute(
        "INSERT INTO diet (id, animal_id, from_day, from_feed, feeds_per_day, amounts_for, status, "
        'decided_at, decided_by, recorded_at, "by") SELECT id, animal_id, from_day, 1, '
        "feeds_per_day, 'animal', 'approved', recorded_at, \"by\", recorded_at, \"by\" FROM diet_was"
    )
    op.execute(
        "INSERT INTO diet_item (diet_id, species_code, amount_by, amount, substitutes) "
        "SELECT diet_id, species_code, 'mass', grams, '[]' FROM diet_item_was"
    )
    _forget()
    _days()
    op.create_index(
        op.f("ix_animal_weight_animal_id_occurred_at"),
        "animal_weight",
        ["animal_id", "occurred_at"],
    )
    op.drop_index(op.f("ix_animal_weight_animal_id"), table_name="animal_weight")


def _days() -> None:
    op.create_table(
        "day_substitution",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=True),
        sa.Column("group_id", sa.Integer(), nullable=True),
        sa.Column("species_code", sa.String(), nullable=False),
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.Column("substitute_code", sa.String(), nullable=False),
        sa.Column("substitute_g", sa.Integer(), nullable=False),
        sa.Column("kcal", sa.Float(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("withdrawn_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("withdrawn_by", sa.String(), nullable=True),
        sa.CheckConstraint(_OF_ONE, name=op.f("ck_day_substitution_of_one_eater")),
        sa.CheckConstraint(
            "grams > 0 AND substitute_g > 0",
            name=op.f("ck_day_substitution_substitution_more_than_nothing"),
        ),
        *(
            sa.ForeignKeyConstraint([column], [parent], name=op.f(f"fk_day_substitution_{column}"))
            for column, parent in (
                ("site_id", "site.id"),
                ("animal_id", "animal.id"),
                ("group_id", "animal_group.id"),
                ("species_code", "species.code"),
                ("substitute_code", "species.code"),
            )
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_day_substitution")),
    )
    op.create_index(op.f("ix_day_substitution_day"), "day_substitution", ["day"], unique=False)
    op.create_table(
        "day_energy",
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("species_code", sa.String(), nullable=False),
        sa.Column("kcal_per_kg", sa.Float(), nullable=False),
        sa.Column("lot_id", sa.Integer(), nullable=True),
        sa.Column("source", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        *(
            sa.ForeignKeyConstraint([column], [parent], name=op.f(f"fk_day_energy_{column}"))
            for column, parent in (
                ("site_id", "site.id"),
                ("species_code", "species.code"),
                ("lot_id", "lot.id"),
            )
        ),
        sa.PrimaryKeyConstraint("site_id", "day", "species_code", name=op.f("pk_day_energy")),
    )


def downgrade() -> None:
    op.create_index(op.f("ix_animal_weight_animal_id"), "animal_weight", ["animal_id"])
    op.drop_index(op.f("ix_animal_weight_animal_id_occurred_at"), table_name="animal_weight")
    op.drop_table("day_energy")
    op.drop_table("day_substitution")
    _put_aside()
    _diet(
        sa.Column("animal_id", sa.Integer(), nullable=False),
        sa.Column("from_day", sa.Date(), nullable=False),
        sa.Column("feeds_per_day", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
    )
    op.create_index(op.f("ix_diet_animal_id"), "diet", ["animal_id"])
    _diet_item(
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.CheckConstraint("grams > 0", name=op.f("ck_diet_item_diet_item_more_than_nothing")),
    )
    # What the older tables can say: diets of animals, in force, by mass throughout.
    kept = (
        "animal_id IS NOT NULL AND status = 'approved' AND total_by IS NULL AND NOT EXISTS "
        "(SELECT 1 FROM diet_item_was i WHERE i.diet_id = diet_was.id AND i.amount_by <> 'mass')"
    )
    op.execute(
        'INSERT INTO diet (id, animal_id, from_day, feeds_per_day, recorded_at, "by") SELECT id, '
        f'animal_id, from_day, feeds_per_day, recorded_at, "by" FROM diet_was WHERE {kept}'
    )
    op.execute(
        "INSERT INTO diet_item (diet_id, species_code, grams) SELECT diet_id, species_code, "
        "CAST(amount AS INTEGER) FROM diet_item_was WHERE diet_id IN (SELECT id FROM diet)"
    )
    _forget()


def _put_aside() -> None:
    """SQLite cannot change a column: the rows wait elsewhere while the tables are made anew."""
    for table in ("diet", "diet_item"):
        op.execute(f"CREATE TABLE {table}_was AS SELECT * FROM {table}")
    op.drop_table("diet_item")
    op.drop_table("diet")


def _diet(*columns: Any) -> None:
    op.create_table(
        "diet",
        sa.Column("id", sa.Integer(), nullable=False),
        *columns,
        sa.ForeignKeyConstraint(["animal_id"], ["animal.id"], name=op.f("fk_diet_animal_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_diet")),
    )


def _diet_item(*columns: Any) -> None:
    op.create_table(
        "diet_item",
        sa.Column("diet_id", sa.Integer(), nullable=False),
        sa.Column("species_code", sa.String(), nullable=False),
        *columns,
        sa.ForeignKeyConstraint(["diet_id"], ["diet.id"], name=op.f("fk_diet_item_diet_id")),
        sa.ForeignKeyConstraint(
            ["species_code"], ["species.code"], name=op.f("fk_diet_item_species_code")
        ),
        sa.PrimaryKeyConstraint("diet_id", "species_code", name=op.f("pk_diet_item")),
    )


def _forget() -> None:
    op.drop_table("diet_was")
    op.drop_table("diet_item_was")
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            "SELECT setval(pg_get_serial_sequence('diet', 'id'), "
            "(SELECT coalesce(max(id), 0) + 1 FROM diet), false)"
        )
