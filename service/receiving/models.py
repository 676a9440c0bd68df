"""Deliveries, and what was found when a lot arrived."""

from datetime import date
from typing import Any

from sqlalchemy import JSON, Column, false
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
    order_number: str | None = Field(default=None, index=True)
    opening: bool = Field(
        default=False, sa_column_kwargs={"server_default": false()}
    )  # it was here before the books were


class DeliveryDocument(SQLModel, table=True):
    """A paper that came with a delivery: a certificate, a waybill, a laboratory's report."""

    __tablename__ = "delivery_document"

    id: int | None = Field(default=None, primary_key=True)
    delivery_id: int = Field(foreign_key="delivery.id", index=True)
    kind: str
    number: str
    issued_on: date | None = None
    valid_until: date | None = None
    photo: str | None = None


class Receipt(SQLModel, table=True):
    """What was measured and found when a lot arrived, under which policy."""

    lot_id: int = Field(foreign_key="lot.id", primary_key=True)
    cores_c: list[float] = Field(sa_column=Column(JSON, nullable=False))
    findings: list[dict[str, Any]] = Field(sa_column=Column(JSON, nullable=False))
    policy_version: int


class DeliveryDraft(SQLModel, table=True):
    """What was entered of a delivery before it was received, for whoever goes on with it.

    It stays when it has ended: with a delivery it was received, without one given up.
    """

    __tablename__ = "delivery_draft"

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    entered: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    begun_at: Instant
    begun_by: str
    changed_at: Instant
    changed_by: str
    ended_at: Instant | None = None
    delivery_id: int | None = Field(default=None, foreign_key="delivery.id")
