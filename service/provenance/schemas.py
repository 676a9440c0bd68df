"""Corrections and unlabelled cartons as they are sent and shown."""

from datetime import date, datetime
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from service.decisions import Finding
from service.http.bodies import Code, Day, Occurrence, Reason, Refusable
from service.lots.rules import AgeBasis, LotStatus
from service.provenance.rules import CORRECTABLE
from service.quantities import MassIn, MassOut, TemperatureIn

Evidence = Annotated[str, Field(min_length=3, max_length=1000)]
PhotoHash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class CorrectionIn(Refusable):
    """What was written of a lot and is wrong, what is right, and what proves it."""

    caught_from: Day | None = None
    caught_to: Day | None = None
    frozen_on: Day | None = None
    best_before: Day | None = None
    supplier_lot: Annotated[str, Field(min_length=1, max_length=80)] | None = None
    age_basis: AgeBasis | None = None
    reason: Reason
    evidence: Evidence = Field(description="A paper, a photo, a call: who says so, and when.")
    photo: PhotoHash | None = None

    @model_validator(mode="after")
    def _something(self) -> Self:
        if not self.changes:
            raise ValueError(f"give at least one of {', '.join(CORRECTABLE)}")
        return self

    @property
    def changes(self) -> dict[str, date | str]:
        """What is to be written instead, by field."""
        said = {name: getattr(self, name) for name in CORRECTABLE}
        return {name: value for name, value in said.items() if value is not None}


class CorrectionOut(BaseModel):
    """One corrected field of a lot."""

    model_config = ConfigDict(from_attributes=True)

    field: str
    before: str | None
    after: str | None
    reason: str
    evidence: str
    photo: str | None
    corrected_at: datetime
    by: str


class ProvenanceOut(BaseModel):
    """What is known of where a lot comes from, and how it came to be known."""

    lot: str
    supplier: str
    supplier_lot: str | None
    age_basis: AgeBasis
    age_from: date | None
    caught_from: date | None
    caught_to: date | None
    frozen_on: date | None
    best_before: date | None
    delivery: int
    may_be: list[str]
    corrections: list[CorrectionOut]
    breaches: list[Finding] = []


class UnlabelledIn(Occurrence):
    """A carton, or several alike, whose label nobody can read."""

    product: Code
    place: Code
    may_be: list[Code] = Field(max_length=40, description="Lots it may be of; none plausible: []")
    cartons: Annotated[int, Field(gt=0, le=10_000)] | None = None
    mass: MassIn | None = None
    core_temperatures: list[TemperatureIn] = Field(default_factory=list, max_length=200)
    reason: Reason

    @model_validator(mode="after")
    def _how_much(self) -> Self:
        if self.cartons is None and self.mass is None:
            raise ValueError("give cartons, or a mass")
        return self


class UnlabelledOut(BaseModel):
    """The lot that an unlabelled carton became."""

    code: str
    status: LotStatus
    mass: MassOut
    may_be: list[str]
    age_from: date | None
    findings: list[Finding]
