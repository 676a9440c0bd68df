"""Deliveries, and what was found when a lot arrived."""

from typing import Any

from sqlalchemy import JSON, Column
from sqlmodel import Field, SQLModel

from service.database import Instant


class Delivery(SQLModel, table=True):
    """One arrival from one supplier."""

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    supplier_id: int = Field(foreign_key="supplier.id")
    arrived_at: Instant
    recorded_at: Instant
    by: str
    vehicle_c: float | None = None


class Receipt(SQLModel, table=True):
    """What was measured and found when a lot arrived, under which policy."""

    lot_id: int = Field(foreign_key="lot.id", primary_key=True)
    cores_c: list[float] = Field(sa_column=Column(JSON, nullable=False))
    findings: list[dict[str, Any]] = Field(sa_column=Column(JSON, nullable=False))
    policy_version: int
