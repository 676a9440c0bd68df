"""Checks. Facts: triggers refuse to change or delete them; a correction is a new one."""

from sqlmodel import Field, SQLModel

from service.database import Instant


class Check(SQLModel, table=True):
    """Something measured by hand, or a chore with its result.

    value, unit: as it was said. replaces_id: the check that this one corrects.
    """

    __tablename__ = "check_record"  # CHECK is a word of SQL

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
    value: str
    unit: str
    measured_c: float
    note: str | None = None
    photo: str | None = None
    replaces_id: int | None = Field(default=None, foreign_key="check_record.id", unique=True)
    occurred_at: Instant
    recorded_at: Instant
    by: str
