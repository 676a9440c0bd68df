"""What is to be otherwise, and what that would do."""

from datetime import date
from typing import Annotated, Self

from pydantic import BaseModel, Field, field_validator, model_validator

from service.catalogue.schemas import Contents, Price, SupplementProductIn
from service.decisions import Finding
from service.http.bodies import Body, Code, Day, Number
from service.quality.queries.over_time import COLDEST_C
from service.quantities import Mass, MassIn, MassOrNoneIn, MassOut, Temperature, TemperatureIn
from service.supplements.rules import CAUTIONS, PlanBasis
from service.supplements.schemas import (
    LeftOut,
    PlanLine,
    PlannedSupplement,
    RequirementIn,
    SuggestionOut,
    UnmetNeed,
)

LONGEST_STORAGE_DAYS = 5 * 366
MOST_EATEN_G = 1_000_000  # by one animal in a day: more is a slip of the unit [our default]
CAUTION = "Nothing of this is stored or ordered; models estimate."

Share = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]


class FishIn(Body):
    """One fish of another mix: its mass for an animal and day, or its share of the diet's mass."""

    species: Code
    mass: MassOrNoneIn | None = None
    share: Share | None = Field(
        default=None, description="Any numbers: they are made to add up to the diet's mass."
    )

    @model_validator(mode="after")
    def _one_of_two(self) -> Self:
        if (self.mass is None) == (self.share is None):
            raise ValueError("give exactly one of mass and share")
        return self

    @field_validator("mass")
    @classmethod
    def _an_animal_eats_it(cls, mass: Mass | None) -> Mass | None:
        if mass is not None and mass.grams > MOST_EATEN_G:
            raise ValueError(f"no animal eats more than {MOST_EATEN_G // 1000} kg a day")
        return mass


class SwapIn(Body):
    """A fish given up for another of the same energy."""

    species: Code
    by: Code


class StorageIn(Body):
    """From now on kept at one temperature, for some days."""

    temperature: TemperatureIn
    days: Annotated[int, Field(ge=0, le=LONGEST_STORAGE_DAYS)]

    @field_validator("temperature")
    @classmethod
    def _frozen(cls, said: Temperature) -> Temperature:
        if not COLDEST_C <= said.c < 0:
            raise ValueError(f"frozen fish is stored below 0 and from {COLDEST_C:g} °C on")
        return said


class ChangedProduct(Body):
    """A product of the cupboard with another strength or price."""

    product: Code
    contents: Contents | None = None
    price: Price | None = None


class ProductsIn(Body):
    """Another cupboard."""

    only: list[Code] | None = Field(default=None, max_length=40, description="Nothing but these.")
    changed: list[ChangedProduct] = Field(default_factory=list, max_length=40)
    added: list[SupplementProductIn] = Field(default_factory=list, max_length=20)


class WhatIfIn(Body):
    """Whose day, and what is to be otherwise. Nothing is stored.

    fish and swaps are of the diet, for each animal; lots are used before their turn.
    """

    animal: Code | None = None
    group: Code | None = None
    site: Code | None = Field(default=None, description="All left out: the only site.")
    day: Day | None = Field(default=None, description="Left out: today.")
    basis: PlanBasis = PlanBasis.DIET
    fish: list[FishIn] | None = Field(default=None, min_length=1, max_length=40)
    swaps: list[SwapIn] = Field(default_factory=list, max_length=40)
    lots: list[Code] = Field(default_factory=list, max_length=40)
    storage: StorageIn | None = None
    products: ProductsIn | None = None
    requirements: list[RequirementIn] = Field(default_factory=list, max_length=40)
    without_requirements: list[Number] = Field(default_factory=list, max_length=200)
    credit_thiamine_and_vitamin_e: bool | None = None
    body_mass: MassIn | None = None

    @model_validator(mode="after")
    def _of_one(self) -> Self:
        if sum(x is not None for x in (self.animal, self.group, self.site)) > 1:
            raise ValueError("name one of animal, group, site")
        return self

    @model_validator(mode="after")
    def _something_changes(self) -> Self:
        if not self.model_fields_set - {"animal", "group", "site", "day", "basis"}:
            raise ValueError("say what is to be otherwise")
        return self

    @model_validator(mode="after")
    def _fish_goes_together(self) -> Self:
        fish = self.fish or []
        if fish and self.swaps:
            raise ValueError("fish: a whole mix is given, so there is nothing to swap")
        if len({f.mass is None for f in fish}) > 1:
            raise ValueError("fish: give masses of all, or shares of all")
        if len({f.species for f in fish}) != len(fish):
            raise ValueError("fish: each species is named once")
        if len({s.species for s in self.swaps}) != len(self.swaps):
            raise ValueError("swaps: each species is given up once")
        return self


class FishOut(BaseModel):
    """Fish of a day, and the lot that stands for it; none: what is usual of the species."""

    species: str
    mass: MassOut
    lot: str | None


class DayOut(BaseModel):
    """A day's supplements of one animal, as a plan has them. Cost is in the products' currency."""

    food: list[FishOut]
    body_mass: MassOut | None
    lines: list[PlanLine]
    supplements: list[PlannedSupplement]
    unmet: list[UnmetNeed]
    changes: list[str] = Field(
        description="What would make an unmet need possible; of one animal alone."
    )
    cost_per_day: float
    cost_per_30_days: float
    exact: bool
    findings: list[Finding]
    suggestions: list[SuggestionOut]


class LineChange(BaseModel):
    """What changes of a nutrient, per animal and day; null: it is not asked for there."""

    nutrient: str
    unit: str
    add_now: float | None
    add_then: float | None
    given_now: float | None
    given_then: float | None
    at_most_now: float | None = Field(description="Fish and supplements, high bound.")
    at_most_then: float | None
    limit_now: float | None
    limit_then: float | None


class PiecesChange(BaseModel):
    """How much of a product, per animal and day: pieces, grams or millilitres."""

    product: str
    counted_in: str
    now: float
    then: float


class Difference(BaseModel):
    """What would be otherwise for one animal, in words and in numbers."""

    words: list[str]
    lines: list[LineChange]
    supplements: list[PiecesChange]
    cost_per_day: float
    cost_per_30_days: float


class SeriesLink(BaseModel):
    """Where a nutrient of a lot over time is: points, or a picture (`Accept: image/svg+xml`)."""

    lot: str
    nutrient: str
    path: str


class Comparison(BaseModel):
    """One animal's day as it stands, as it would be, and the difference."""

    animal: str
    now: DayOut
    then: DayOut
    difference: Difference


class WhatIfOut(BaseModel):
    """Days compared, with what they cost together; who could not be worked out, and why."""

    day: date
    basis: PlanBasis
    items: list[Comparison]
    left_out: list[LeftOut]
    cost_per_day_now: float
    cost_per_day_then: float
    cost_per_30_days_now: float
    cost_per_30_days_then: float
    series: list[SeriesLink] = Field(
        description="What falls in storage of the lots that would be used."
    )
    cautions: list[str] = Field(default_factory=lambda: [CAUTION, *CAUTIONS])
    next: None = None
