"""Excursions as they are shown."""

from datetime import datetime

from pydantic import BaseModel

from service.excursions.rules import ExcursionKind


class ExcursionOut(BaseModel):
    """A time during which a place was too warm for too long, or silent."""

    id: int
    place: str
    probe: str
    kind: ExcursionKind
    from_at: datetime
    ended_at: datetime | None
    limit_c: float | None
    peak_c: float | None
