"""What is noticed about animals

Revision: 0022
After: 0021

Told once, kept until it is over. Recipients who take everything take this too.
"""

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None

BEFORE = {"excursion", "assessment", "probe", "backup", "worker", "recipient"}


def upgrade() -> None:
    op.create_table(
        "welfare_concern",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Integer(), nullable=False),
        sa.Column("animal_id", sa.Integer(), nullable=True),
        sa.Column("group_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("because", sa.String(), nullable=False),
        sa.Column("numbers", sa.JSON(), nullable=False),
        sa.Column("told_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "(animal_id IS NULL) <> (group_id IS NULL)",
            name=op.f("ck_welfare_concern_animal_or_group"),
        ),
        sa.ForeignKeyConstraint(["site_id"], ["site.id"], name=op.f("fk_welfare_concern_site_id")),
        sa.ForeignKeyConstraint(
            ["animal_id"], ["animal.id"], name=op.f("fk_welfare_concern_animal_id")
        ),
        sa.ForeignKeyConstraint(
            ["group_id"], ["animal_group.id"], name=op.f("fk_welfare_concern_group_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_welfare_concern")),
    )
    for column in ("site_id", "animal_id", "group_id"):
        op.create_index(
            op.f(f"ix_welfare_concern_{column}"), "welfare_concern", [column], unique=False
        )
    _subscribe("animal")


def downgrade() -> None:
    _subscribe("animal", take=False)
    op.drop_table("welfare_concern")


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
