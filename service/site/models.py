"""Sites, places, policy versions, and what was done against a rule."""

from typing import Any

from sqlalchemy import JSON, Column, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.database import Instant


class Site(SQLModel, table=True):
    """One collection of animals with its kitchen, zone and units."""

    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True)
    name: str
    timezone: str
    mass_unit: str
    temperature_unit: str
    version: int = 1


class Place(SQLModel, table=True):
    """Somewhere fish can be: a freezer, a tank, the kitchen.

    capacity_g: how much fish it holds at once; None where nobody has said.
    """

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    code: str = Field(unique=True)
    name: str
    kind: str
    parent_id: int | None = Field(default=None, foreign_key="place.id")
    capacity_g: int | None = None


class PolicyVersion(SQLModel, table=True):
    """A site's policy from an instant on."""

    __tablename__ = "policy_version"
    __table_args__ = (UniqueConstraint("site_id", "version"),)

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    version: int
    from_at: Instant
    document: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    reason: str
    by: str


class Deviation(SQLModel, table=True):
    """Something done against a rule: overridden with a reason, or a fact that breaches it."""

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id")
    kind: str
    subject: str = Field(index=True)
    rule: str
    because: str
    numbers: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    reason: str | None = None
    occurred_at: Instant
    recorded_at: Instant
    by: str
    policy_version: int
