"""Readings and their hours."""

from sqlalchemy import BigInteger, Column, ForeignKey, LargeBinary, PrimaryKeyConstraint
from sqlmodel import Field, SQLModel


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
    __table_args__ = (PrimaryKeyConstraint("probe_id", "hour_s"), {"sqlite_with_rowid": False})

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
