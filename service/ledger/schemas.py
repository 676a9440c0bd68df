"""Stock, moves, counts and reversals as they are sent and shown."""

from datetime import datetime

from pydantic import BaseModel, Field

from service.decisions import Finding
from service.http.bodies import Code, Occurrence, Reason, Refusable
from service.ledger.rules import MovementKind
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
