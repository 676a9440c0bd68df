"""Excursions as they are shown."""

from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field

from service.excursions.rules import ExcursionKind, ExcursionState
from service.quantities import MassOut
from service.science.excursion_shape import Cause


class ExcursionOut(BaseModel):
    """A time during which a place was too warm for too long, rising fast, or silent."""

    id: int
    place: str
    probe: str
    kind: ExcursionKind
    state: ExcursionState
    from_at: datetime
    ended_at: datetime | None
    limit_c: float | None
    peak_c: float | None
    cause: Cause = Field(description="What it looks like: a guess from its shape, not a finding.")
    reason: str = Field(description="Why it is in its state.")
    opened_at: datetime
    revision: int
    follows: int | None = Field(description="The decided one that this came to light after.")
    merged_into: int | None = Field(description="The one that stands for this one.")


class RevisionOut(BaseModel):
    """An excursion as it was known from an instant on."""

    number: int
    state: ExcursionState
    from_at: datetime
    ended_at: datetime | None
    peak_c: float | None
    reason: str
    recorded_at: datetime
    by: str


class AffectedOut(BaseModel):
    """Fish that was in the place, or that was taken from fish that was."""

    parcel: int
    lot: str
    place: str = Field(description="Where this fish is, or was last.")
    in_place: bool = Field(description="False: it was taken from fish that had been in the place.")
    from_at: datetime
    until_at: datetime | None
    mass: MassOut = Field(description="In the place at first; of what was taken, what is left.")
    on_hand: MassOut


class ExcursionDetail(ExcursionOut):
    """An excursion with its history, its parts, what it was judged by, and the fish it met."""

    criteria: dict[str, Any]
    revisions: list[RevisionOut]
    merged: list[ExcursionOut] = Field(description="Those that this one stands for.")
    followed_by: list[int]
    affected: list[AffectedOut]
    caution: str
