"""Stock, moves, counts and reversals as they are sent and shown."""

from datetime import datetime

from pydantic import BaseModel, Field

from service.decisions import Finding
from service.http.bodies import Code, Name, Occurrence, Reason, Refusable
from service.ledger.rules import MovementKind
from service.lots.schemas import HoldOut
from service.quantities import MassIn, MassOrNoneIn, MassOut


class MoveIn(Refusable):
    """Fish of one lot to another place."""

    lot: Code
    from_place: Code
    to_place: Code
    mass: MassIn


class TransferOut(BaseModel):
    """Grams from a parcel or account to a parcel or account."""

    lot: str
    from_parcel: int | None
    to_parcel: int | None
    from_account: str | None
    to_account: str | None
    mass: MassOut
    cartons: int | None


class MovementOut(BaseModel):
    """One event in the ledger."""

    id: int
    kind: MovementKind
    occurred_at: datetime
    recorded_at: datetime
    by: str
    reason: str | None
    reverses: int | None
    mass: MassOut
    transfers: list[TransferOut]


class MoveOut(BaseModel):
    """A move that was recorded."""

    movement: MovementOut
    breaches: list[Finding] = Field(default_factory=list)


class CountIn(Occurrence):
    """What somebody counted of a lot in a place."""

    lot: Code
    place: Code
    mass: MassOrNoneIn
    reason: Reason


class CountOut(BaseModel):
    """A count that was recorded; the difference is counted minus booked."""

    movement: MovementOut
    difference: MassOut


class CondemnationIn(Refusable):
    """Fish of a lot that nobody may eat: thrown away, whatever state it is in."""

    reason: Reason
    mass: MassIn | None = Field(default=None, description="Left out: all that is on hand.")
    place: Code | None = Field(
        default=None, description="Left out: wherever it is; with a mass, the one place it is in."
    )


class SupplierReturnIn(CondemnationIn):
    """Frozen fish of a lot that goes back to its supplier."""

    mass: MassIn | None = Field(
        default=None, description="Left out: all that is in freezers and never left them to thaw."
    )
    papers: Name | None = Field(
        default=None, description="Number of the return note, as somebody will look for it."
    )


class GivenUp(BaseModel):
    """What a thaw request had reserved of fish that is gone: plan it anew."""

    thaw_request: int
    mass: MassOut


class RemovalOut(BaseModel):
    """Fish of a lot that was condemned or returned, and what is left of the lot."""

    lot: str
    movement: MovementOut
    left: MassOut
    hold: HoldOut | None = Field(description="The hold placed on what is left; null: none new.")
    given_up: list[GivenUp]
    breaches: list[Finding] = Field(default_factory=list)


class ReversalIn(Occurrence):
    """Why a movement is taken back."""

    reason: Reason


class ReversalOut(BaseModel):
    """A reversal that was recorded."""

    movement: MovementOut


class StockRow(BaseModel):
    """A parcel on hand: its grams, and what of them is not reserved."""

    lot: str
    species: str
    place: str
    parcel: int
    thaw_batch: str | None
    mass: MassOut
    available: MassOut
    cartons: int | None
    since: datetime
