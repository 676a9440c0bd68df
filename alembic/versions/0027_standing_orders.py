"""Standing orders and what became of them

Revision: 0027
After: 0026

A signature of its own for each signing, of any number of plans. A signed plan is never altered
and no plan is deleted: what ends it, or stops it for some days, is written beside it. What was
given says of which batch, out of which bucket, and what became of it; what is taken back is
written beside it too.
"""

import sqlalchemy as sa
from alembic import op

revision = "0027"
down_revision = "0026"
branch_labels = None
depends_on = None

KEPT = ("id", "site_id", "animal_id", "day", "until_day", "basis", "recorded_at", '"by"')
FACTS = (
    "supplement_signature",
    "supplement_order_end",
    "supplement_given_reversal",
)
PIECE = ("bucket_id", "piece")
UNKNOWN_MEANING = "signed before the meaning was kept with the signature"


def upgrade() -> None:
    op.create_table(
        "supplement_signature",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("meaning", sa.String(), nullable=False),
        sa.Column("signed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("signed_by", sa.String(), nullable=False),
        sa.Column("signed_as", sa.String(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplement_signature")),
    )
    _add("supplement_plan", "signature_id", "supplement_signature")
    op.create_table(
        "supplement_order_end",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("plan_id", sa.Integer(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("from_day", sa.Date(), nullable=False),
        sa.Column("until_day", sa.Date(), nullable=True),
        sa.Column("differences", sa.JSON(), nullable=False),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("next_plan_id", sa.Integer(), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["plan_id"], ["supplement_plan.id"], name=op.f("fk_supplement_order_end_plan_id")
        ),
        sa.ForeignKeyConstraint(
            ["next_plan_id"],
            ["supplement_plan.id"],
            name=op.f("fk_supplement_order_end_next_plan_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplement_order_end")),
    )
    op.create_index(
        op.f("ix_supplement_order_end_plan_id"), "supplement_order_end", ["plan_id"], unique=False
    )
    op.create_index(
        "ix_supplement_plan_site_id_status", "supplement_plan", ["site_id", "status"], unique=False
    )
    _sign_what_was_signed()
    op.add_column(
        "supplement_given",
        sa.Column("outcome", sa.String(), nullable=False, server_default="given"),
    )
    op.add_column("supplement_given", sa.Column("reason", sa.String(), nullable=True))
    op.add_column("supplement_given", sa.Column("batch", sa.String(), nullable=True))
    _add("supplement_given", "batch_id", "supplement_batch")
    for column in PIECE:
        op.add_column("supplement_given", sa.Column(column, sa.Integer(), nullable=True))
    op.create_index("ix_supplement_given_day", "supplement_given", ["day"])
    op.create_table(
        "supplement_given_reversal",
        sa.Column("given_id", sa.Integer(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("occurred_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.ForeignKeyConstraint(
            ["given_id"],
            ["supplement_given.id"],
            name=op.f("fk_supplement_given_reversal_given_id"),
        ),
        sa.PrimaryKeyConstraint("given_id", name=op.f("pk_supplement_given_reversal")),
    )
    for table in FACTS:
        _protect(table, "true")
    _protect("supplement_plan", f"NOT ({_only_signed()})")


def _add(table: str, column: str, of: str) -> None:
    """A column that refers to another table; nothing is rebuilt."""
    key = sa.ForeignKey(f"{of}.id", name=op.f(f"fk_{table}_{column}"))
    op.add_column(
        table, sa.Column(column, sa.Integer(), key, nullable=True), inline_references=True
    )


def _sign_what_was_signed() -> None:
    """A signature for each plan that has one, in the order in which they stood; and the ends of
    those that another took the place of. A plan from feeds is of its own day only: ends none."""
    connection = op.get_bind()
    rows = connection.execute(
        sa.text(
            "SELECT id, animal_id, day, basis, signed_at, signed_by, signed_as FROM supplement_plan "
            "WHERE status = 'signed' ORDER BY day, id"
        )
    ).all()
    last: dict[int, int] = {}
    for plan, animal, day, basis, signed_at, signed_by, signed_as in rows:
        number = connection.execute(
            sa.text(
                "INSERT INTO supplement_signature "
                "(meaning, signed_at, signed_by, signed_as, recorded_at) "
                "VALUES (:meaning, :at, :by, :as, :at) RETURNING id"
            ),
            {"meaning": UNKNOWN_MEANING, "at": signed_at, "by": signed_by, "as": signed_as or ""},
        ).scalar_one()
        connection.execute(
            sa.text("UPDATE supplement_plan SET signature_id = :number WHERE id = :plan"),
            {"number": number, "plan": plan},
        )
        if basis == "feeds":
            continue
        if animal in last:
            connection.execute(
                sa.text(
                    "INSERT INTO supplement_order_end (plan_id, why, from_day, differences, "
                    'next_plan_id, ended_at, recorded_at, "by") '
                    "VALUES (:plan, 'replaced', :day, '[]', :next, :at, :at, :by)"
                ),
                {
                    "plan": last[animal],
                    "day": day,
                    "next": plan,
                    "at": signed_at,
                    "by": signed_by,
                },
            )
        last[animal] = plan


def _only_signed() -> str:
    """That a change of a plan does nothing but sign it."""
    sqlite = op.get_bind().dialect.name == "sqlite"
    same = "IS" if sqlite else "IS NOT DISTINCT FROM"
    kept = " AND ".join(f"NEW.{c} {same} OLD.{c}" for c in KEPT)
    text = "" if sqlite else "::text"
    return (
        f"OLD.status = 'proposed' AND NEW.status = 'signed' AND NEW.signature_id IS NOT NULL "
        f"AND {kept} AND NEW.document{text} {same} OLD.document{text}"
    )


def _protect(table: str, where: str) -> None:
    """What was written stays: not deleted, and not changed where the condition holds."""
    if op.get_bind().dialect.name == "sqlite":
        for event, when in (("UPDATE", where), ("DELETE", "true")):
            op.execute(
                f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} "
                f"WHEN {when} BEGIN SELECT RAISE(ABORT, '{table} is never changed'); END"
            )
        return
    for event, when in (("UPDATE", where), ("DELETE", "true")):
        op.execute(
            f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} "
            f"FOR EACH ROW WHEN ({when}) EXECUTE FUNCTION refuse_change()"
        )
    op.execute(
        f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
    )


def downgrade() -> None:
    sqlite = op.get_bind().dialect.name == "sqlite"
    for event in ("update", "delete") if sqlite else ("update", "delete", "truncate"):
        of_table = "" if sqlite else " ON supplement_plan"
        op.execute(f"DROP TRIGGER supplement_plan_no_{event}{of_table}")
    taken_back = op.get_bind().execute(sa.text("SELECT given_id FROM supplement_given_reversal"))
    not_so = [row[0] for row in taken_back]
    op.drop_table("supplement_given_reversal")
    _forget_what_was_not_given(sqlite, not_so)
    op.drop_index("ix_supplement_given_day", table_name="supplement_given")
    for column in (*PIECE, "batch_id", "batch", "reason", "outcome"):
        op.drop_column("supplement_given", column)
    op.drop_table("supplement_order_end")
    op.drop_index("ix_supplement_plan_site_id_status", table_name="supplement_plan")
    op.drop_column("supplement_plan", "signature_id")
    op.drop_table("supplement_signature")


def _forget_what_was_not_given(sqlite: bool, not_so: list[int]) -> None:
    """An older service would take it for given. not_so: what was taken back."""
    forget = sa.text(
        "DELETE FROM supplement_given WHERE outcome <> 'given' OR id IN "
        f"({', '.join(map(str, [0, *not_so]))})"
    )
    if not sqlite:
        op.execute("ALTER TABLE supplement_given DISABLE TRIGGER supplement_given_no_change")
        op.execute(forget)
        op.execute("ALTER TABLE supplement_given ENABLE TRIGGER supplement_given_no_change")
        return
    op.execute("DROP TRIGGER supplement_given_no_delete")
    op.execute(forget)
    op.execute(
        "CREATE TRIGGER supplement_given_no_delete BEFORE DELETE ON supplement_given BEGIN "
        "SELECT RAISE(ABORT, 'supplement_given is never changed'); END"
    )
