"""Readings for many years

Revision: 0008
After: 0007

On PostgreSQL each UTC month of readings is a partition; what belongs to no month that was
made lies in reading_rest. On both databases: from when on a probe's raw readings are kept.
"""

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

COLUMNS = "probe_id INTEGER NOT NULL, at_s BIGINT NOT NULL, centi_c INTEGER NOT NULL"
KEYS = (
    "CONSTRAINT pk_reading PRIMARY KEY (probe_id, at_s), "
    "CONSTRAINT fk_reading_probe_id FOREIGN KEY (probe_id) REFERENCES probe (id)"
)


def upgrade() -> None:
    op.add_column(
        "probe", sa.Column("raw_kept_from_s", sa.BigInteger(), nullable=False, server_default="0")
    )
    if op.get_bind().dialect.name == "sqlite":
        return
    set_aside()
    op.execute(f"CREATE TABLE reading ({COLUMNS}, {KEYS}) PARTITION BY RANGE (at_s)")
    op.execute("CREATE TABLE reading_rest PARTITION OF reading DEFAULT")
    months = op.get_bind().execute(
        sa.text(
            "SELECT DISTINCT date_trunc('month', to_timestamp(at_s) AT TIME ZONE 'UTC') AS month "
            "FROM reading_before ORDER BY month"
        )
    )
    for (month,) in months.all():
        begin, end = seconds(month), seconds(month, later=1)
        op.execute(
            f"CREATE TABLE reading_{month:%Y_%m} PARTITION OF reading "
            f"FOR VALUES FROM ({begin}) TO ({end})"
        )
    take_back()


def downgrade() -> None:
    op.drop_column("probe", "raw_kept_from_s")
    if op.get_bind().dialect.name == "sqlite":
        return
    set_aside()
    op.execute(f"CREATE TABLE reading ({COLUMNS}, {KEYS})")
    take_back()


def set_aside() -> None:
    op.execute("ALTER TABLE reading RENAME TO reading_before")
    op.execute("ALTER TABLE reading_before RENAME CONSTRAINT pk_reading TO pk_reading_before")
    op.execute(
        "ALTER TABLE reading_before RENAME CONSTRAINT fk_reading_probe_id TO fk_reading_before"
    )


def take_back() -> None:
    op.execute("INSERT INTO reading SELECT probe_id, at_s, centi_c FROM reading_before")
    op.execute("DROP TABLE reading_before")


def seconds(month: datetime, later: int = 0) -> int:
    year, number = divmod(month.year * 12 + month.month - 1 + later, 12)
    return int(datetime(year, number + 1, 1, tzinfo=UTC).timestamp())
