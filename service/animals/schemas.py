"""Animals, groups, weights, stages and fasts as they are sent and shown."""

from datetime import date, datetime
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from service.animals.rules import Group, Sex, Stage, Water
from service.http.bodies import Body, Code, Day, Moment, Name, Note, Occurrence, Reason
from service.quantities import MassIn, MassOut


class AnimalIn(Occurrence):
    """An animal to set up."""

    code: Code
    name: Name
    taxon: Name
    group: Group
    sex: Sex = Sex.UNKNOWN
    born_on: Day | None = None
    water: Water | None = Field(default=None, description="What it is kept in, if known.")
    site: Code | None = Field(default=None, description="Left out: the only site.")


class AnimalOut(BaseModel):
    """An animal."""

    code: str
    name: str
    taxon: str
    group: Group
    sex: Sex
    born_on: date | None
    water: Water | None = None
    site: str
    gone_on: date | None = None
    body_mass: MassOut | None = None


class AnimalNow(AnimalOut):
    """An animal with how things stand with it."""

    fed_in: str | None = Field(default=None, description="The group that it is in.")
    station: str | None = None
    stages: list[Stage] = Field(default_factory=list)
    fast: "FastOut | None" = None


class WaterIn(Occurrence):
    """An animal is kept in other water from now on."""

    water: Water


class DepartureIn(Occurrence):
    """An animal that is not here any more: it died, or went to another house."""

    gone_on: Day | None = Field(
        default=None, description="The first day without it; left out: today."
    )
    reason: Reason


class WeightIn(Occurrence):
    """A weighing."""

    mass: MassIn


class WeightOut(BaseModel):
    """A weighing that was recorded."""

    id: int
    animal: str
    mass: MassOut
    occurred_at: datetime


class GroupIn(Occurrence):
    """Animals that are fed together."""

    code: Code
    name: Name
    unnamed: Annotated[int, Field(ge=0, le=100_000)] = Field(
        default=0, description="How many of them have no record of their own."
    )
    site: Code | None = Field(default=None, description="Left out: the only site.")


class CountIn(Occurrence):
    """How many of a group have no record of their own, as counted."""

    unnamed: Annotated[int, Field(ge=0, le=100_000)]


class GroupOut(BaseModel):
    """Animals that are fed together."""

    code: str
    name: str
    unnamed: int
    site: str


class MembershipIn(Body):
    """An animal joins a group: from an instant on it is not in another any more."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    animal: Code
    station: Name | None = Field(default=None, description="Where it waits for its fish.")
    from_at: Moment | None = Field(default=None, alias="from", description="Left out: now.")
    until: Moment | None = None


class MembershipEndIn(Body):
    """An animal leaves a group."""

    until: Moment | None = Field(default=None, description="Left out: now.")


class MembershipOut(BaseModel):
    """An animal in a group."""

    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)

    id: int
    group: str
    animal: str
    station: str | None
    from_at: datetime = Field(alias="from")
    until: datetime | None


class GroupNow(GroupOut):
    """A group with who is in it."""

    at: datetime
    present: int = Field(description="Members, and those without a record of their own.")
    members: list[MembershipOut]


class StageIn(Occurrence):
    """A stage of life; both days belong to it."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    stage: Stage
    from_day: Day = Field(alias="from")
    until: Day | None = None
    note: Note | None = None


class StageOut(BaseModel):
    """A stage of life; without `until` it goes on."""

    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)

    id: int
    animal: str
    stage: Stage
    from_day: date = Field(alias="from")
    until: date | None
    note: str | None
    withdrawn_at: datetime | None


class FastIn(Occurrence):
    """Days on which an animal is not expected to eat; both belong to it."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    from_day: Day = Field(alias="from")
    until: Day | None = None
    reason: Reason = Field(description="Moult, breeding, medical, …")
    weight_floor: MassIn | None = Field(
        default=None, description="Below this body mass the vet is told."
    )
    ordered_by: Name | None = Field(
        default=None, description="The vet who answers for it; left out only by a vet."
    )


class FastOut(BaseModel):
    """A fast; without `until` it goes on."""

    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)

    id: int
    animal: str
    from_day: date = Field(alias="from")
    until: date | None
    reason: str
    weight_floor: MassOut | None
    ordered_by: str
    recorded_by: str
    withdrawn_at: datetime | None


class OverIn(Occurrence):
    """A stage or a fast is over; one that is over before it began has never been."""

    over_on: Day | None = Field(
        default=None, description="The first day on which it is over; left out: today."
    )


AnimalNow.model_rebuild()
