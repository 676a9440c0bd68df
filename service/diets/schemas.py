"""Diets as they are sent and shown."""

from datetime import date
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.http.bodies import Body, Code, Day, Occurrence
from service.quantities import MassIn, MassOut


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
