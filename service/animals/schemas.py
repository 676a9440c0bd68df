"""Animals, weights and diets as they are sent and shown."""

from datetime import date, datetime
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.animals.rules import Group, Sex
from service.http.bodies import Body, Code, Day, Name, Occurrence
from service.quantities import MassIn, MassOut


class AnimalIn(Occurrence):
    """An animal to set up."""

    code: Code
    name: Name
    taxon: Name
    group: Group
    sex: Sex = Sex.UNKNOWN
    born_on: Day | None = None
    site: Code | None = Field(default=None, description="Left out: the only site.")


class AnimalOut(BaseModel):
    """An animal."""

    code: str
    name: str
    taxon: str
    group: Group
    sex: Sex
    born_on: date | None
    site: str
    body_mass: MassOut | None = None


class WeightIn(Occurrence):
    """A weighing."""

    mass: MassIn


class WeightOut(BaseModel):
    """A weighing that was recorded."""

    id: int
    animal: str
    mass: MassOut
    occurred_at: datetime


class DietItemIn(Body):
    """How much of one species per day."""

    species: Code
    mass: MassIn


class DietIn(Occurrence):
    """A diet from a day on."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    from_day: Day = Field(alias="from")
    items: list[DietItemIn] = Field(min_length=1, max_length=30)
    feeds_per_day: Annotated[int, Field(ge=1, le=24)] = 1

    @model_validator(mode="after")
    def _each_species_once(self) -> Self:
        species = [item.species for item in self.items]
        if len(set(species)) != len(species):
            raise ValueError("items: each species is named once")
        return self


class DietItemOut(BaseModel):
    """How much of one species per day."""

    species: str
    mass: MassOut


class DietOut(BaseModel):
    """A diet that was recorded."""

    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)

    id: int
    animal: str
    from_day: date = Field(alias="from")
    items: list[DietItemOut]
    feeds_per_day: int
    total: MassOut
