"""The whole diet of animals as it is shown."""

from datetime import date

from pydantic import BaseModel, Field

from service.decisions import Finding
from service.quantities import MassOut
from service.supplements.rules import CAUTIONS, LimitOn, Mode, PlanBasis
from service.supplements.schemas import AmountOut, LeftOut

CAUTION = (
    "Tables are mostly of muscle, not of whole fish: have the fish assayed. What is missing is "
    "unknown, not zero."
)


class TotalOut(BaseModel):
    """Fish and supplements; high is null where a fish is unknown: then it is at least this."""

    low: float
    value: float
    high: float | None


class FoodOut(BaseModel):
    """A fish of the day; proximates: g/100 g together, near 100 where its table closes."""

    species: str
    name: str
    lot: str | None
    mass: MassOut
    dry_matter: MassOut
    water: float = Field(description="g/100 g as fed.")
    energy_kcal_per_kg: float
    energy_from: str
    proximates: float | None
    closes: bool | None = Field(description="Whether the proximates add up to 100, within 3.")


class SupplementOut(BaseModel):
    """How much of a product, in pieces, grams or millilitres."""

    product: str
    count: float
    counted_in: str


class NutrientRow(BaseModel):
    """A nutrient of an animal's day; null: nobody knows.

    as_fed, dry_matter: of the total, per kg of food with its water and without. Percentages:
    counted, what is credited of fish and the supplements; estimated, the total where the
    requirement counts the fish; of limits the high bound of what is known.
    """

    animal: str
    nutrient: str
    name: str
    unit: str
    fish: AmountOut | None = Field(description="Of the fish that are known, a day.")
    missing_in: list[str] = Field(description="Fish of which nobody knows it.")
    supplements: float | None = Field(description="A day; null: no product states it.")
    total: TotalOut | None
    at_least: bool
    as_fed: TotalOut | None
    dry_matter: TotalOut | None
    per_kg_body_mass: TotalOut | None
    required: float | None
    required_as: Mode | None
    percent_counted: float | None
    percent_estimated: float | None
    requirement_source: str | None
    limit: float | None
    limit_on: LimitOn | None
    percent_of_limit: float | None
    published: float | None = Field(description="The lowest published figure, a day: it warns.")
    published_of: str | None
    published_source: str | None
    percent_of_published: float | None


class RatioOut(BaseModel):
    """A ratio that nutritionists look at; value null: `missing` says why."""

    name: str
    unit: str
    value: float | None
    missing: str | None
    source: str


class NutritionOut(BaseModel):
    """The whole diet of one animal on a day: as CSV its nutrients."""

    animal: str
    day: date
    basis: PlanBasis
    food: list[FoodOut]
    mass: MassOut
    dry_matter: MassOut
    body_mass: MassOut | None
    supplements: list[SupplementOut]
    supplements_from: str
    items: list[NutrientRow]
    ratios: list[RatioOut]
    findings: list[Finding]
    cautions: list[str] = Field(default_factory=lambda: [CAUTION, *CAUTIONS])
    next: None = None


class NutritionsOut(BaseModel):
    """The nutrients of many animals on a day, and who is not among them."""

    day: date
    basis: PlanBasis
    items: list[NutrientRow]
    left_out: list[LeftOut]
    next: None = None
