"""Holds, rejections and assays as they are sent and shown."""

from datetime import date, datetime
from typing import Annotated, Self

from pydantic import BaseModel, Field, model_validator

from service.catalogue.rules import Basis
from service.catalogue.schemas import NutrientTag
from service.http.bodies import Body, Day, Name, Occurrence, Reason
from service.lots.rules import Portion


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


class AssayValueIn(Body):
    """One result of a laboratory."""

    nutrient: NutrientTag
    amount: Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
    unit: Annotated[str, Field(min_length=1, max_length=20)]
    basis: Basis = Basis.AS_FED


class AssayIn(Occurrence):
    """A laboratory's results of one sample."""

    sampled_on: Day
    laboratory: Name
    portion: Portion = Portion.WHOLE
    values: list[AssayValueIn] = Field(min_length=1, max_length=100)

    @model_validator(mode="after")
    def _each_nutrient_once(self) -> Self:
        tags = [value.nutrient for value in self.values]
        if len(set(tags)) != len(tags):
            raise ValueError("values: each nutrient is named once")
        return self


class AssayValueOut(BaseModel):
    """One result, as reported and as fed in the service's unit."""

    nutrient: str
    amount: float
    unit: str
    reported: float
    reported_unit: str
    basis: Basis


class AssayOut(BaseModel):
    """An assay that was recorded."""

    id: int
    lot: str
    sampled_on: date
    laboratory: str
    portion: Portion
    values: list[AssayValueOut]
