"""Plans in stages, shared over a day

Revision: 0017
After: 0016

What a request wants is kept beside its plan, so that it can be planned again; what of one
request's surplus serves another; what changed in a plan (never changed itself: triggers, as
in 0001); which request a thaw batch was pulled for; how much fish a place holds. An index
finds the fish that is in the freezers now, however much there has been.
"""

import json
from collections import Counter
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

LIVE = "ix_thaw_request_site_id_last_feed_at"
LOOSE = sa.text("grams > 0 AND thaw_batch_id IS NULL")


def upgrade() -> None:
    op.add_column("place", sa.Column("capacity_g", sa.Integer(), nullable=True))
    op.add_column(
        "thaw_request", sa.Column("wanted", sa.JSON(), nullable=False, server_default="[]")
    )
    _keep_what_was_wanted()
    op.create_index(LIVE, "thaw_request", ["site_id", "last_feed_at"])
    of = sa.ForeignKey("thaw_request.id", name=op.f("fk_thaw_forecast_thaw_request_id"))
    op.add_column(
        "thaw_forecast",
        sa.Column("thaw_request_id", sa.Integer(), of, nullable=True),
        inline_references=True,
    )
    op.create_index(op.f("ix_thaw_forecast_thaw_request_id"), "thaw_forecast", ["thaw_request_id"])
    op.create_index(
        "ix_parcel_loose",
        "parcel",
        ["thaw_batch_id", "lot_id"],
        sqlite_where=LOOSE,
        postgresql_where=LOOSE,
    )
    _surplus_share()
    _thaw_plan_change()


def _keep_what_was_wanted() -> None:
    """Of plans made before: what they take without its surplus, and what was short."""
    connection = op.get_bind()
    table = sa.table(
        "thaw_request", sa.column("id"), sa.column("plan", sa.JSON), sa.column("wanted", sa.JSON)
    )
    for number, plan in connection.execute(sa.select(table.c.id, table.c.plan)).all():
        read = json.loads(plan) if isinstance(plan, str) else plan
        connection.execute(
            sa.update(table).where(table.c.id == number).values(wanted=_wanted(read))
        )


def _wanted(plan: dict[str, Any]) -> list[dict[str, Any]]:
    grams: Counter[str] = Counter()
    for pull in plan.get("pulls", []):
        grams[pull["species"]] += pull["mass"]["g"] - pull["surplus"]["g"]
    for short in plan.get("shortages", []):
        grams[short["species"]] += short["mass"]["g"]
    return [{"species": name, "anytime_g": g, "feeds": []} for name, g in sorted(grams.items())]


def _surplus_share() -> None:
    table = "surplus_share"
    op.create_table(
        table,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("from_request_id", sa.Integer(), nullable=False),
        sa.Column("pull_number", sa.Integer(), nullable=False),
        sa.Column("to_request_id", sa.Integer(), nullable=False),
        sa.Column("grams", sa.Integer(), nullable=False),
        sa.Column("shared_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("grams > 0", name=op.f("ck_surplus_share_more_than_nothing")),
        *(
            sa.ForeignKeyConstraint(
                [column], ["thaw_request.id"], name=op.f(f"fk_{table}_{column}")
            )
            for column in ("from_request_id", "to_request_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
    )
    for column in ("from_request_id", "to_request_id"):
        op.create_index(op.f(f"ix_{table}_{column}"), table, [column])


def _thaw_plan_change() -> None:
    table = "thaw_plan_change"
    op.create_table(
        table,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("thaw_request_id", sa.Integer(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.String(), nullable=False),
        sa.Column("why", sa.String(), nullable=False),
        sa.Column("changes", sa.JSON(), nullable=False),
        sa.Column("before", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["thaw_request_id"], ["thaw_request.id"], name=op.f(f"fk_{table}_thaw_request_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
    )
    op.create_index(op.f(f"ix_{table}_thaw_request_id"), table, ["thaw_request_id"])
    for statement in _triggers(table):
        op.execute(statement)


def _triggers(table: str) -> Iterator[str]:
    if op.get_bind().dialect.name == "sqlite":
        for event in ("UPDATE", "DELETE"):
            yield (
                f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} BEGIN "
                f"SELECT RAISE(ABORT, '{table} is never changed'); END"
            )
        return
    yield (
        f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
    )
    yield (
        f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
    )


def downgrade() -> None:
    op.drop_table("thaw_plan_change")
    op.drop_table("surplus_share")
    op.drop_index("ix_parcel_loose", table_name="parcel")
    op.drop_index(op.f("ix_thaw_forecast_thaw_request_id"), table_name="thaw_forecast")
    if op.get_bind().dialect.name == "postgresql":
        op.drop_column("thaw_forecast", "thaw_request_id")
    else:  # SQLite drops no column with a reference: the table is made anew.
        with op.batch_alter_table("thaw_forecast") as table:
            table.drop_column("thaw_request_id")
    op.drop_index(LIVE, table_name="thaw_request")
    op.drop_column("thaw_request", "wanted")
    op.drop_column("place", "capacity_g")
