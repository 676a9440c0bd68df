"""Chores as they are shown."""

from datetime import datetime

from pydantic import BaseModel, Field

from service.checks.rules import CheckKind, Equipment
from service.chores.rules import ChoreKind, ChoreState


class ChoreOut(BaseModel):
    """One chore of a place, or of equipment, and how things stand with it.

    Done by `POST /v1/checks` of one of the kinds in `done_by`.
    """

    chore: ChoreKind
    says: str
    site: str
    place: str | None
    equipment: Equipment | None
    state: ChoreState
    last_done_at: datetime | None
    last_done_by: str | None
    due_at: datetime | None = Field(description="From when on it is to be done.")
    overdue_at: datetime | None
    every_days: float | None = Field(description="Null: after each use, or while fish is there.")
    done_by: list[CheckKind]
    source: str
