"""Holds and rejections as they are sent and shown."""

from datetime import datetime

from pydantic import BaseModel

from service.http.bodies import Occurrence, Reason


class HoldIn(Occurrence):
    """Why a lot may not be used."""

    reason: Reason


class HoldOut(BaseModel):
    """A hold, open or released."""

    id: int
    lot: str
    reason: str
    placed_at: datetime
    placed_by: str
    released_at: datetime | None
    released_by: str | None
    release_reason: str | None


class RejectionIn(Occurrence):
    """Why a lot is not taken in."""

    reason: Reason
