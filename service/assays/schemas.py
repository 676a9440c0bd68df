"""Assays as they are sent and shown."""

from datetime import date, datetime
from typing import Annotated, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    WithJsonSchema,
    model_validator,
)

from service.assays.rules.due import Due
from service.assays.rules.limits import IN_WORDS, units
from service.assays.rules.readings import Reading, Spread, parse_reading, spread_of
from service.catalogue.rules import Basis
from service.catalogue.schemas import NutrientTag
from service.decisions import Finding
from service.http.bodies import Body, Day, Name, Occurrence, Reason
from service.lots.rules import Portion
from service.quantities import MassOut


def _test_name(said: str) -> str:
    name = "_".join(said.strip().lower().replace("-", " ").split())
    if name not in units():
        raise ValueError(f"no test is called {said!r}; known are {', '.join(sorted(units()))}")
    return name


def _small(reading: Reading) -> Reading:
    if reading.amount > 1e9:
        raise ValueError("must be at most 1 000 000 000")
    if reading.mark == ">" or reading.word is not None:
        raise ValueError("write a number, or less than a detection limit like '<0.1'")
    return reading


def _printed(*, marks: str) -> WithJsonSchema:
    pattern = rf"^[{marks}]?[0-9]{{1,9}}(\.[0-9]{{1,6}})?$"
    number = {"type": "number", "minimum": 0, "maximum": 1e9}
    text = {"type": "string", "pattern": pattern, "examples": ["<0.1"]}
    return WithJsonSchema({"anyOf": [number, text]}, mode="validation")


AmountIn = Annotated[
    Reading, BeforeValidator(parse_reading), AfterValidator(_small), _printed(marks="<")
]
"""A number, or less than a detection limit."""
ReadingIn = Annotated[Reading, BeforeValidator(parse_reading), _printed(marks="<>")]
"""A number, less than a detection limit, more than could be counted; absent or present."""
Plain = Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=200, allow_inf_nan=False)]
Unit = Annotated[str, Field(min_length=1, max_length=20)]
TestName = Annotated[
    str,
    AfterValidator(_test_name),
    WithJsonSchema({"type": "string", "examples": ["histamine", "aerobic_plate_count"]}),
]
MOST_POOLED = 20
SampleId = Annotated[str, Field(min_length=1, max_length=80)]


class AssayValueIn(Body):
    """One nutrient's result."""

    nutrient: NutrientTag
    amount: AmountIn | None = Field(
        default=None, description="A number, or '<0.1': less than that could be seen."
    )
    below: Annotated[float, Field(gt=0, le=1e9, allow_inf_nan=False)] | None = Field(
        default=None, description="A detection limit, instead of an amount."
    )
    unit: Unit
    basis: Basis = Basis.AS_FED
    replicates: (
        Annotated[int, Field(ge=2, le=100)]
        | Annotated[list[Plain], Field(min_length=2, max_length=100)]
        | None
    ) = Field(
        default=None,
        description="Results of the same sample instead of an amount; or how many the amount is "
        "the mean of, with cv_percent.",
    )
    cv_percent: Percent | None = Field(
        default=None, description="Coefficient of variation of the replicates."
    )

    @model_validator(mode="after")
    def _said_once(self) -> Self:
        listed = isinstance(self.replicates, list)
        if (self.amount is not None) + (self.below is not None) + listed != 1:
            raise ValueError("give one of amount, below, or a list of replicates")
        if isinstance(self.replicates, int) != (self.cv_percent is not None):
            raise ValueError("a number of replicates and cv_percent belong together")
        if isinstance(self.replicates, int) and self.reading.below:
            raise ValueError("what could not be seen has no coefficient of variation")
        return self

    @property
    def reading(self) -> Reading:
        """What was found, in the unit of the report."""
        if self.below is not None:
            return Reading(self.below, "<")
        return Reading(self.spread.mean) if self.amount is None and self.spread else self._amount

    @property
    def _amount(self) -> Reading:
        assert self.amount is not None
        return self.amount

    @property
    def spread(self) -> Spread | None:
        """How far replicates differ, where there are any."""
        if isinstance(self.replicates, list):
            return spread_of(self.replicates)
        if self.replicates is None or self.cv_percent is None:
            return None
        return Spread(self._amount.amount, self.replicates, self.cv_percent / 100)


class SafetyTestIn(Body):
    """One test of safety or freshness: a figure for each sample."""

    test: TestName
    values: Annotated[list[ReadingIn], Field(min_length=1, max_length=100)]
    unit: Unit | None = Field(default=None, description="Left out: the unit of the limits.")
    pooled: Annotated[int, Field(ge=1, le=MOST_POOLED)] = Field(
        default=1, description="Samples in each value, in equal parts: histamine only."
    )

    @model_validator(mode="after")
    def _fits_the_test(self) -> Self:
        if self.pooled > 1 and self.test != "histamine":
            raise ValueError("only histamine is judged in composites")
        if self.test not in IN_WORDS and any(reading.word for reading in self.values):
            raise ValueError("write a number, or less than a detection limit like '<10'")
        return self


class AssayIn(Occurrence):
    """A laboratory's results of one sample."""

    sampled_on: Day
    laboratory: Name
    portion: Portion = Portion.WHOLE
    method: Name | None = None
    sample_id: SampleId | None = None
    reported_on: Day | None = None
    values: list[AssayValueIn] = Field(default_factory=list, max_length=100)
    tests: list[SafetyTestIn] = Field(default_factory=list, max_length=40)
    confirm: bool = Field(
        default=False, description="True: the amounts are right, however unusual they are."
    )

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        if not self.values and not self.tests:
            raise ValueError("values: give at least one result, or one of tests")
        tags = [value.nutrient for value in self.values]
        if len(set(tags)) != len(tags):
            raise ValueError("values: each nutrient is named once")
        names = [test.test for test in self.tests]
        if len(set(names)) != len(names):
            raise ValueError("tests: each test is named once")
        return self


class WithdrawalIn(Occurrence):
    """Why an assay does not count."""

    reason: Reason


class AssayValueOut(BaseModel):
    """One result, as reported and as fed in the service's unit."""

    nutrient: str
    amount: float
    unit: str
    reported: float
    reported_unit: str
    basis: Basis
    reported_text: str | None = None
    below: float | None = Field(
        default=None, description="Nothing was seen above this: amount is half of it."
    )
    replicates: int | None = None
    cv_percent: float | None = None


class SafetyTestOut(BaseModel):
    """One test as reported, and what its limits say."""

    test: str
    unit: str
    values: list[str]
    pooled: int
    verdict: str | None = Field(
        description="accept, warn or reject; null where no limit exists for this fish."
    )


class WithdrawalOut(BaseModel):
    """Since when an assay does not count, and why."""

    reason: str
    at: datetime
    by: str


class AssayOut(BaseModel):
    """An assay that was recorded."""

    id: int
    lot: str
    sampled_on: date
    laboratory: str
    portion: Portion
    method: str | None
    sample_id: str | None
    reported_on: date | None
    recorded_at: datetime
    by: str
    values: list[AssayValueOut]
    tests: list[SafetyTestOut]
    findings: list[Finding]
    withdrawn: WithdrawalOut | None


class DueOut(BaseModel):
    """A laboratory is wanted: for a lot on hand, or for a supplier's product."""

    why: Due
    since: date
    lot: str | None
    product: str
    species: str
    on_hand: MassOut
    missing: list[str] = Field(description="Nutrients and tests; empty: the set again.")
    source: str


class ImportedLot(BaseModel):
    """A lot that an import has put on hold."""

    lot: str
    findings: list[Finding]


class ImportOut(BaseModel):
    """What an import stored, or would store."""

    dry_run: bool
    rows: int
    assays: int
    values: int
    tests: int
    held: list[ImportedLot]
