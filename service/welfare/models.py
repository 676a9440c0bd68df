"""What was noticed about animals."""

from typing import Any

from sqlalchemy import JSON, CheckConstraint, Column
from sqlmodel import Field, SQLModel

from service.database import Instant


class WelfareConcern(SQLModel, table=True):
    """Something noticed about an animal or a group, told once, until it is over."""

    __tablename__ = "welfare_concern"
    __table_args__ = (
        CheckConstraint("(animal_id IS NULL) <> (group_id IS NULL)", name="animal_or_group"),
    )

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    animal_id: int | None = Field(default=None, foreign_key="animal.id", index=True)
    group_id: int | None = Field(default=None, foreign_key="animal_group.id", index=True)
    kind: str
    reason: str | None = None
    since: Instant
    because: str
    numbers: dict[str, Any] = Field(sa_column=Column(JSON, nullable=False))
    told_at: Instant
    ended_at: Instant | None = None
