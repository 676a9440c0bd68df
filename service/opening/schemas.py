"""An opening balance as it is answered."""

from pydantic import BaseModel, Field

from service.decisions import Finding
from service.lots.rules import LotStatus
from service.quantities import MassOut


class OpeningLot(BaseModel):
    """What a row became, or would become."""

    row: int
    lot: str | None = Field(description="Its code; null in a dry run.")
    place: str
    species: str
    mass: MassOut
    cartons: int | None
    status: LotStatus
    findings: list[Finding] = Field(description="Warnings and what holds it.")


class OpeningTotal(BaseModel):
    """How much of a species lies in a place, by the table."""

    place: str
    species: str
    lots: int
    held: int
    mass: MassOut


class OpeningOut(BaseModel):
    """What an opening balance stored, or would store."""

    dry_run: bool
    rows: int
    deliveries: int
    totals: list[OpeningTotal]
    lots: list[OpeningLot]
