"""Concerns and fish used, as they are shown."""

from datetime import date, datetime

from pydantic import BaseModel, ConfigDict, Field

from service.quantities import MassOut
from service.welfare.rules import ConcernKind, Reason


class WelfareConcernOut(BaseModel):
    """Something noticed about an animal or a group. Ended: it is over.

    The attending veterinarian decides what it means.
    """

    id: int
    animal: str | None
    group: str | None
    kind: ConcernKind
    reason: Reason | None
    since: datetime
    because: str
    numbers: dict[str, float]
    to_do: str
    rule: str
    source: str
    told_at: datetime
    ended_at: datetime | None


class FishUse(BaseModel):
    """What diets asked for, and what became of the fish that was pulled.

    Public feeding counts as eaten; drip and samples as discarded; a missing count as lost.
    """

    species: str
    need: MassOut
    pulled: MassOut
    eaten: MassOut
    left: MassOut
    lost: MassOut
    discarded: MassOut
    still_there: MassOut
    eaten_share: float | None = Field(description="Of what was pulled and is used up, 0 to 1.")


class FishUseDay(BaseModel):
    """One day: what its diets asked for, and what became of the fish that was pulled on it."""

    day: date
    species: list[FishUse]


class FishUseOut(BaseModel):
    """Fish needed against fish pulled and eaten, by species, in all and day by day."""

    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)

    site: str
    from_day: date = Field(alias="from")
    to_day: date = Field(alias="to")
    total: list[FishUse]
    days: list[FishUseDay]
