"""Checks. Facts: triggers refuse to change or delete them; a correction is a new one."""

from sqlalchemy import Index
from sqlmodel import Field, SQLModel

from service.database import Instant


class Check(SQLModel, table=True):
    """Something measured by hand, or a chore with its result.

    value, unit: as it was said. passed: whether it was as the policy of its time asks.
    replaces_id: the check that this one corrects.
    """

    __tablename__ = "check_record"  # CHECK is a word of SQL
    __table_args__ = (
        Index("ix_check_record_site_id_kind_occurred_at", "site_id", "kind", "occurred_at"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    kind: str
    place_id: int | None = Field(default=None, foreign_key="place.id", index=True)
    lot_id: int | None = Field(default=None, foreign_key="lot.id", index=True)
    parcel_id: int | None = Field(default=None, foreign_key="parcel.id")
    excursion_id: int | None = Field(default=None, foreign_key="excursion.id", index=True)
    probe_id: int | None = Field(default=None, foreign_key="probe.id")
    calibration_id: int | None = Field(default=None, foreign_key="calibration.id")
    position: str | None = None
    carton: str | None = None
    value: str | None = None
    unit: str | None = None
    measured_c: float | None = None
    equipment: str | None = None
    method: str | None = None
    contact_minutes: float | None = None
    passed: bool | None = None
    note: str | None = None
    photo: str | None = None
    replaces_id: int | None = Field(default=None, foreign_key="check_record.id", unique=True)
    occurred_at: Instant
    recorded_at: Instant
    by: str
