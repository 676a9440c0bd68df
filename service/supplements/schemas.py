"""Requirements and supplement plans as they are sent and shown."""

from datetime import date, datetime
from typing import Annotated, Self

from pydantic import BaseModel, Field, model_validator

from service.animals.rules import Group
from service.catalogue.rules import Basis, DoseForm
from service.catalogue.schemas import NutrientTag
from service.decisions import Finding
from service.http.bodies import Body, Code, Day, Name, Number, Occurrence, Reason, Refusable
from service.supplements.rules import LimitOn, Mode, Per, PlanBasis, PlanStatus, Scope
from service.supplements.rules.standing import EndedWhy, GivenOutcome, OrderState
from service.supplements.rules.steps import How

Amount = Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
Unit = Annotated[str, Field(min_length=1, max_length=20)]
Count = Annotated[float, Field(gt=0, le=1000, allow_inf_nan=False)]


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
    amount: Amount = Field(
        description="0 with a limit: it only limits, and replaces nothing; 0 without one: nothing "
        "is required."
    )
    unit: Unit
    basis: Basis = Basis.AS_FED
    mode: Mode = Mode.ADDED
    per: Per = Per.KG_FOOD
    applies_to: AppliesTo
    species: Code | None = Field(default=None, description="Of this fish only.")
    cap_per_day: Amount | None = None
    limit: Amount | None = None
    limit_on: LimitOn = LimitOn.TOTAL
    from_: Day | None = Field(default=None, alias="from", description="Left out: today.")
    until: Day | None = Field(default=None, description="The last day; left out: until ended.")
    replaces: Number | None = Field(
        default=None, description="The requirement that ends on the day before."
    )
    source: Name = "set by the site"
    site: Code | None = Field(default=None, description="Of a group; left out: the only site.")

    @model_validator(mode="after")
    def _dry_matter_is_of_food(self) -> Self:
        if self.basis is Basis.DRY_MATTER and self.per is not Per.KG_FOOD:
            raise ValueError("basis: dry matter is of food, so per must be kg_food")
        if self.species is not None and self.per is not Per.KG_FOOD:
            raise ValueError("species: of one fish only what is per kg_food can be required")
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
    species: str | None = None
    cap_per_day: float | None
    limit: float | None
    limit_on: LimitOn
    from_: date = Field(serialization_alias="from")
    until: date | None
    ended_reason: str | None = None
    source: str


class RequirementEndIn(Occurrence):
    """A requirement does not hold any more."""

    until: Day | None = Field(default=None, description="The last day; left out: yesterday.")
    reason: Reason


class RequirementInForce(BaseModel):
    """A requirement that applies to an animal on a day, of the site's or the catalogue's."""

    requirement: int | None = Field(description="None: the catalogue's.")
    nutrient: str
    amount: float
    unit: str
    basis: Basis
    mode: Mode
    per: Per
    scope: Scope
    species: str | None
    but_for: list[str] = Field(description="Fish that another requirement speaks of.")
    cap_per_day: float | None
    limit: float | None
    limit_on: LimitOn
    source: str


class PlanIn(Occurrence):
    """Which animal and day to plan for."""

    animal: Code
    day: Day
    basis: PlanBasis = PlanBasis.DIET


class ManyPlansIn(Occurrence):
    """Which animals and days to plan for: of a site, of a group that is fed together, or named."""

    site: Code | None = Field(default=None, description="All left out: the only site.")
    group: Code | None = None
    animals: list[Code] | None = Field(default=None, min_length=1, max_length=500)
    day: Day
    until: Day | None = Field(default=None, description="The last day of a range.")
    basis: PlanBasis = PlanBasis.DIET

    @model_validator(mode="after")
    def _one_of_them(self) -> Self:
        if sum(x is not None for x in (self.site, self.group, self.animals)) > 1:
            raise ValueError("name one of site, group, animals")
        return self


class AmountOut(BaseModel):
    """An estimate with its 10-90 % range."""

    low: float
    value: float
    high: float


class TotalOut(BaseModel):
    """Fish and supplements together, with its 10-90 % range."""

    low: float
    high: float | None = Field(description="Null: of some fish nobody knows, it may be more.")


class PlanLine(BaseModel):
    """What is required of a nutrient, credited and added, per animal and day."""

    nutrient: str
    required: float
    credit: float
    add: float
    unit: str
    range: tuple[float, float]
    limit: float | None
    limit_on: LimitOn = LimitOn.TOTAL
    room: float | None = Field(description="What may be added: the limit less the fish's own.")
    given: float
    in_fish: AmountOut | None = Field(
        default=None, description="The estimate, credited or not; null: nobody knows of any."
    )
    unknown_in: list[str] = Field(
        default_factory=list, description="Fish of which nobody knows; counted as nothing."
    )
    why_no_credit: str | None = None
    total: TotalOut | None = None
    source: str


class Gives(BaseModel):
    """What the pieces of one product give."""

    nutrient: str
    amount: float
    unit: str


class GivingOut(BaseModel):
    """Pieces at one time of a day: with which feed, in which fish."""

    count: float
    how: str
    feed: int | None = None
    at: datetime | None = None
    fish: str | None = None


class PlannedSupplement(BaseModel):
    """Pieces (or grams, or millilitres) of one product, and where to put them."""

    product: str
    name: str
    count: float
    counted_in: str = "piece"
    batch: str | None = Field(default=None, description="Whose strength was reckoned with.")
    gives: list[Gives]
    placement: str
    givings: list[GivingOut] = Field(default_factory=list)


class UnmetNeed(BaseModel):
    """A need that stays short, and why."""

    nutrient: str
    short_by: float
    unit: str
    why: str


class SuggestionOut(BaseModel):
    """What is often added to such an animal's diet and is not required here."""

    nutrient: str
    words: str
    source: str


class PlanOut(BaseModel):
    """A supplement plan: proposed until somebody entitled signs it."""

    id: int
    animal: str
    day: date
    until: date | None = None
    basis: PlanBasis
    status: PlanStatus
    food_g: int
    lines: list[PlanLine]
    supplements: list[PlannedSupplement]
    unmet: list[UnmetNeed]
    changes: list[str] = Field(
        default_factory=list,
        description="What would make an unmet need possible, the smallest change first; "
        "worked out for one plan at a time.",
    )
    cost: float = 0.0
    exact: bool = Field(default=True, description="False: better pieces may exist.")
    findings: list[Finding] = Field(default_factory=list)
    suggestions: list[SuggestionOut] = Field(default_factory=list)
    cautions: list[str]
    signed_by: str | None = None
    signed_at: datetime | None = None


class PlanShort(BaseModel):
    """A plan in a list, its pieces and what stays short in words."""

    id: int
    site: str
    animal: str
    day: date
    until: date | None
    basis: PlanBasis
    status: PlanStatus
    food_g: int
    pieces: str
    unmet: str
    cost: float
    recorded_at: datetime
    by: str
    signed_by: str | None
    signed_at: datetime | None


class LeftOut(BaseModel):
    """An animal that could not be planned for on a day, and why."""

    animal: str
    day: date
    kind: str
    why: str


class ManyPlansOut(BaseModel):
    """Plans of many animals, and who is not among them."""

    items: list[PlanOut]
    left_out: list[LeftOut]


class HeldUsed(BaseModel):
    """What a fish holds of a nutrient, as a plan took it, in the service's unit."""

    low: float
    value: float
    high: float
    credited: tuple[float, float]
    source: str
    start: float | None = Field(default=None, description="What there was of it at the start.")
    share_left: float | None = Field(default=None, description="Of the start, to come to value.")
    steps: list[str]


class FoodUsed(BaseModel):
    """Fish that a plan was worked out from."""

    species: str
    grams: int
    lot: str | None
    water_share: float
    destroys_thiamine: bool
    content: dict[str, HeldUsed]


class RequirementUsed(BaseModel):
    """A requirement that a plan was worked out from, and what it came to."""

    requirement: int | None
    nutrient: str
    amount: float
    unit: str
    basis: Basis
    mode: Mode
    per: Per
    scope: Scope
    species: str | None
    but_for: list[str] = Field(default_factory=list)
    cap_per_day: float | None
    limit: float | None
    limit_on: LimitOn
    source: str
    food_g: float | None
    before_cap: float
    required: float
    credit: float
    decides: bool


class RequirementSetAside(BaseModel):
    """A requirement that reaches an animal and gave way to a narrower one."""

    requirement: int | None
    nutrient: str
    amount: float
    unit: str
    basis: Basis
    mode: Mode
    per: Per
    scope: Scope
    source: str


class ProductUsed(BaseModel):
    """A product that a plan could choose, with the strength that it reckoned with."""

    product: str
    name: str
    form: DoseForm
    smallest: float
    contents: dict[str, float]
    price: float
    batch: str | None


class WorkedFrom(BaseModel):
    """Everything that a plan was worked out from: kept with it, so that it can explain itself."""

    food: list[FoodUsed]
    requirements: list[RequirementUsed]
    set_aside: list[RequirementSetAside] = Field(default_factory=list)
    products: list[ProductUsed]
    body_mass_g: int | None
    policy_version: int
    credits_thiamine_and_vitamin_e: bool


class StepOut(BaseModel):
    """A number in plain words, and the steps that it follows from."""

    words: str
    value: float
    unit: str
    how: How
    figure: str | None = Field(description="The figure of the same nutrient that it is.")
    source: str | None
    flag: str | None = Field(description="How sure the source is.")
    notes: list[str]
    of: list["StepOut"]


class ExplainedOut(BaseModel):
    """A nutrient's figures by name, and what had no part in them."""

    nutrient: str
    name: str
    unit: str
    figures: dict[str, StepOut]
    asks_for_less: list[StepOut]
    does_not_count: list[str]
    not_known: list[str]


class PlacedOut(BaseModel):
    """Why pieces of a product go where they go."""

    product: str
    words: list[str]


class ExplanationOut(BaseModel):
    """A plan in steps, by what it was worked out from when it was made."""

    plan: int
    animal: str
    day: date
    status: PlanStatus
    signed_by: str | None
    signed_at: datetime | None
    lines: list[ExplainedOut]
    placed: list[PlacedOut]
    remarks: list[str]
    cautions: list[str]


class SignIn(Occurrence):
    """What the signature means."""

    meaning: Name = "I have checked this plan and order it to be given"


class SignManyIn(SignIn):
    """One signature under many plans: all of them or none."""

    plans: list[Number] = Field(min_length=1, max_length=500)

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        if len(set(self.plans)) != len(self.plans):
            raise ValueError("plans: each plan is named once")
        return self


class SignedOut(BaseModel):
    """A signature, and what was signed with it."""

    meaning: str
    signed_by: str
    signed_as: str
    signed_at: datetime
    items: list[PlanOut]


class OrderWithdrawalIn(Occurrence):
    """An order is not to be given any more, and why."""

    reason: Reason


class OrderEndOut(BaseModel):
    """From which day an order does not hold, and why."""

    why: EndedWhy
    from_: date = Field(serialization_alias="from")
    until: date | None = Field(description="The last day without it; null: it has ended.")
    differences: list[str]
    reason: str | None
    next_plan: int | None
    ended_at: datetime
    by: str


class PlanStandingOut(PlanOut):
    """A plan, and what ended it or stopped it for some days, if it was signed."""

    meaning: str | None = None
    ends: list[OrderEndOut] = Field(default_factory=list)


class OrderedSupplement(BaseModel):
    """Pieces of one product, as ordered."""

    product: str
    name: str
    count: float
    counted_in: str


class OrderOut(BaseModel):
    """Where the supplements of an animal stand."""

    site: str
    animal: str
    state: OrderState
    plan: int
    day: date
    until: date | None
    supplements: list[OrderedSupplement]
    signed_by: str | None
    signed_as: str | None
    signed_at: datetime | None
    meaning: str | None
    changed: bool | None = Field(
        description="Of an order in force: other pieces are called for today. Null: not known."
    )
    differences: list[str] = Field(description="What has changed since it was made, in words.")
    end: OrderEndOut | None = None


class DifferencesOut(BaseModel):
    """What is different between two plans of an animal, in words."""

    plan: int
    against: int | None = Field(description="Null: today's figures, which nobody has planned.")
    changed: bool = Field(description="Whether the pieces differ.")
    differences: list[str]


class ReviewIn(Occurrence):
    """Which site's orders to hold against today's figures."""

    site: Code | None = Field(default=None, description="Left out: the only site.")


class ReviewOut(BaseModel):
    """Orders that do not hold any more; for each of them another plan is proposed."""

    reviewed: int
    items: list[OrderOut]
    left_out: list[LeftOut] = Field(description="Who could not be worked out; their orders stand.")


class GivenItem(Body):
    """Pieces of one product, and what became of them."""

    product: Code
    count: Count | None = Field(default=None, description="Left out: as ordered.")
    batch: Name | None = Field(default=None, description="Left out: the one in use, if kept.")
    outcome: GivenOutcome = GivenOutcome.GIVEN
    reason: Reason | None = Field(default=None, description="Why it was not given.")

    @model_validator(mode="after")
    def _reason_unless_given(self) -> Self:
        if self.outcome is not GivenOutcome.GIVEN and self.reason is None:
            raise ValueError(f"reason: say why it was {self.outcome.replace('_', ' ')}")
        return self


class GivenIn(Refusable):
    """What an animal was given under a plan, and what it was not."""

    supplements: list[GivenItem] = Field(min_length=1, max_length=40)
    day: Day | None = Field(default=None, description="Left out: the day it happens.")

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        named = [(item.product, item.batch, item.outcome) for item in self.supplements]
        if len(set(named)) != len(named):
            raise ValueError("supplements: each product, batch and outcome is named once")
        return self


class GivenItemOut(BaseModel):
    """Pieces of one product from one batch, as recorded."""

    id: int
    product: str
    count: float
    batch: str | None
    outcome: GivenOutcome
    reason: str | None


class GivenReversalIn(Occurrence):
    """That something recorded was not so, and why."""

    reason: Reason


class GivenRow(GivenItemOut):
    """Something recorded of an animal's supplements."""

    plan: int
    animal: str
    day: date
    occurred_at: datetime
    by: str
    taken_back: str | None = Field(description="Why it was taken back; null: it stands.")


class RoundLine(BaseModel):
    """What an animal is to get of one product on a day, and how far that is."""

    animal: str
    plan: int
    product: str
    name: str
    counted_in: str
    due: float
    given: float
    omitted: float
    refused: float
    spat_out: float
    unknown: float
    waiting: float = Field(description="Neither given nor recorded as not given.")
    givings: list[GivingOut]


class GivenOut(BaseModel):
    """What was recorded as given."""

    id: int
    plan: int
    animal: str
    day: date
    supplements: list[GivenItemOut]
    breaches: list[Finding]
