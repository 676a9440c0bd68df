"""Requirements from a day to a day

Revision: 0026
After: 0025

Until now a newer requirement replaced an older one of the same rank without a word: the older
ones end here on the day before. Animals say what water they are kept in.
"""

import sqlalchemy as sa
from alembic import op

revision = "0026"
down_revision = "0025"
branch_labels = None
depends_on = None

RANK = ("site_id", "scope", "group_name", "animal_id", "nutrient", "mode", "per")


def upgrade() -> None:
    op.add_column("animal", sa.Column("water", sa.String(), nullable=True))
    op.add_column("supplement_plan", sa.Column("until_day", sa.Date(), nullable=True))
    for column in (
        sa.Column("species_code", sa.String(), nullable=True),
        sa.Column("from_day", sa.Date(), nullable=True),
        sa.Column("until_day", sa.Date(), nullable=True),
        sa.Column("ended_reason", sa.String(), nullable=True),
        sa.Column("ended_by", sa.String(), nullable=True),
    ):
        op.add_column("requirement", column)
    op.execute("UPDATE requirement SET from_day = date(recorded_at)")
    sqlite = op.get_bind().dialect.name == "sqlite"
    same = "IS" if sqlite else "IS NOT DISTINCT FROM"
    newer = " AND ".join(f"newer.{c} {same} requirement.{c}" for c in RANK)
    day_before = "date(min(newer.from_day), '-1 day')" if sqlite else "min(newer.from_day) - 1"
    op.execute(
        "UPDATE requirement SET ended_reason = 'replaced by a newer one', until_day = "
        f"(SELECT {day_before} FROM requirement AS newer "
        f"WHERE newer.id > requirement.id AND {newer}) "
        "WHERE EXISTS (SELECT 1 FROM requirement AS newer "
        f"WHERE newer.id > requirement.id AND {newer})"
    )
    with op.batch_alter_table("requirement") as table:
        table.alter_column("from_day", existing_type=sa.Date(), nullable=False)


def downgrade() -> None:
    with op.batch_alter_table("requirement") as table:
        for column in ("ended_by", "ended_reason", "until_day", "from_day", "species_code"):
            table.drop_column(column)
    op.drop_column("supplement_plan", "until_day")
    op.drop_column("animal", "water")
