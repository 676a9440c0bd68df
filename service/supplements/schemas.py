"""Requirements and supplement plans as they are sent and shown."""

from datetime import date, datetime
from typing import Annotated, Self

from pydantic import BaseModel, Field, model_validator

from service.animals.rules import Group
from service.catalogue.rules import Basis
from service.catalogue.schemas import NutrientTag
from service.decisions import Finding
from service.http.bodies import Body, Code, Day, Name, Occurrence, Refusable
from service.supplements.rules import LimitOn, Mode, Per, PlanBasis, PlanStatus, Scope

Amount = Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
Unit = Annotated[str, Field(min_length=1, max_length=20)]
Count = Annotated[float, Field(gt=0, le=1000, multiple_of=0.5, allow_inf_nan=False)]


class AppliesTo(Body):
    """Whom a requirement is for: exactly one of these."""

    site: Code | None = None
    group: Group | None = None
    animal: Code | None = None

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        if sum(x is not None for x in (self.site, self.group, self.animal)) != 1:
            raise ValueError("name exactly one of site, group, animal")
        return self


class RequirementIn(Occurrence):
    """How much of a nutrient should be had or added."""

    nutrient: NutrientTag
    amount: Amount
    unit: Unit
    basis: Basis = Basis.AS_FED
    mode: Mode = Mode.ADDED
    per: Per = Per.KG_FOOD
    applies_to: AppliesTo
    cap_per_day: Amount | None = None
    limit: Amount | None = None
    limit_on: LimitOn = LimitOn.TOTAL
    source: Name = "set by the site"
    site: Code | None = Field(default=None, description="Of a group; left out: the only site.")

    @model_validator(mode="after")
    def _dry_matter_is_of_food(self) -> Self:
        if self.basis is Basis.DRY_MATTER and self.per is not Per.KG_FOOD:
            raise ValueError("basis: dry matter is of food, so per must be kg_food")
        return self


class RequirementOut(BaseModel):
    """A requirement in the service's unit."""

    id: int
    nutrient: str
    amount: float
    unit: str
    basis: Basis
    mode: Mode
    per: Per
    scope: Scope
    applies_to: str
    cap_per_day: float | None
    limit: float | None
    limit_on: LimitOn
    source: str


class PlanIn(Occurrence):
    """Which animal and day to plan for."""

    animal: Code
    day: Day
    basis: PlanBasis = PlanBasis.DIET


class PlanLine(BaseModel):
    """What is required of a nutrient, credited and added, per animal and day."""

    nutrient: str
    required: float
    credit: float
    add: float
    unit: str
    range: tuple[float, float]
    limit: float | None
    room: float | None = Field(description="What may be added: the limit less the fish's own.")
    given: float
    source: str


class Gives(BaseModel):
    """What the pieces of one product give."""

    nutrient: str
    amount: float
    unit: str


class PlannedSupplement(BaseModel):
    """Pieces of one product, and where to put them."""

    product: str
    name: str
    count: float
    gives: list[Gives]
    placement: str


class UnmetNeed(BaseModel):
    """A need that stays short, and why."""

    nutrient: str
    short_by: float
    unit: str
    why: str


class PlanOut(BaseModel):
    """A supplement plan: proposed until somebody entitled signs it."""

    id: int
    animal: str
    day: date
    basis: PlanBasis
    status: PlanStatus
    food_g: int
    lines: list[PlanLine]
    supplements: list[PlannedSupplement]
    unmet: list[UnmetNeed]
    cautions: list[str]
    signed_by: str | None = None
    signed_at: datetime | None = None


class SignIn(Occurrence):
    """What the signature means."""

    meaning: Name = "I have checked this plan and order it to be given"


class GivenItem(Body):
    """Pieces of one product."""

    product: Code
    count: Count


class GivenIn(Refusable):
    """What an animal was given under a plan."""

    supplements: list[GivenItem] = Field(min_length=1, max_length=40)
    day: Day | None = Field(default=None, description="Left out: the day it happens.")

    @model_validator(mode="after")
    def _each_product_once(self) -> Self:
        products = [item.product for item in self.supplements]
        if len(set(products)) != len(products):
            raise ValueError("supplements: each product is named once")
        return self


class GivenOut(BaseModel):
    """What was recorded as given."""

    id: int
    plan: int
    animal: str
    day: date
    supplements: list[GivenItem]
    breaches: list[Finding]
