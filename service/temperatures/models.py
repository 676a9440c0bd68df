"""Readings and their hours."""

from sqlalchemy import BigInteger, Column, ForeignKey, Index, LargeBinary, PrimaryKeyConstraint
from sqlmodel import Field, SQLModel

from service.database import Instant


class Reading(SQLModel, table=True):
    """What one probe read at one second, in hundredths of a degree. Sixteen bytes a row.

    On PostgreSQL each UTC month is a partition; see `actions.partitions`.
    """

    __table_args__ = (
        PrimaryKeyConstraint("probe_id", "at_s"),
        {"sqlite_with_rowid": False, "postgresql_partition_by": "RANGE (at_s)"},
    )

    probe_id: int = Field(
        sa_column=Column(ForeignKey("probe.id"), nullable=False, autoincrement=False)
    )
    at_s: int = Field(sa_column=Column(BigInteger, nullable=False, autoincrement=False))
    centi_c: int


class ProbeHour(SQLModel, table=True):
    """One UTC hour of a probe, rolled up so that history is never read again.

    `above_s` and `integrals` are 64-bit floats, little-endian, in the order of
    `science.exposure.THRESHOLDS_C` and of `rules.rate_tables` at `kinetics`.
    """

    __tablename__ = "probe_hour"
    __table_args__ = (
        PrimaryKeyConstraint("probe_id", "hour_s"),
        Index("ix_probe_hour_probe_id_version", "probe_id", "version"),
        {"sqlite_with_rowid": False},
    )

    probe_id: int = Field(
        sa_column=Column(ForeignKey("probe.id"), nullable=False, autoincrement=False)
    )
    hour_s: int = Field(sa_column=Column(BigInteger, nullable=False, autoincrement=False))
    readings: int
    covered_s: float
    mean_c: float
    m2: float
    min_c: float
    max_c: float
    first_at_s: int = Field(sa_type=BigInteger)
    first_c: float
    last_at_s: int = Field(sa_type=BigInteger)
    last_c: float
    above_s: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    integrals: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    kinetics: int
    version: int


class HoursMade(SQLModel, table=True):
    """With what a probe's hours were made. A probe without a row: as when this table came.

    until_s is up to when they were made again since that changed; None: all of them.
    """

    __tablename__ = "hours_made"

    probe_id: int = Field(
        sa_column=Column(ForeignKey("probe.id"), primary_key=True, autoincrement=False)
    )
    gap_s: int
    kinetics: int
    until_s: int | None = Field(default=None, sa_type=BigInteger)


class SenderClock(SQLModel, table=True):
    """What is known of the clock of somebody who sends readings.

    ahead_s to ahead_s + spread_s is how far it was ahead of ours in as many batches in a
    row as agree; measured: by its own word, else by how old its newest reading was.
    wrong_since: from when on people know that it is off.
    """

    __tablename__ = "sender_clock"

    user_id: int = Field(
        sa_column=Column(ForeignKey("app_user.id"), primary_key=True, autoincrement=False)
    )
    seen_at: Instant
    ahead_s: int = Field(default=0, sa_type=BigInteger)
    spread_s: int = Field(default=0, sa_type=BigInteger)
    batches: int = 0
    measured: bool = False
    wrong_since: Instant | None = None
