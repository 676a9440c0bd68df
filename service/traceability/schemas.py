"""Recalls and traces as they are asked for and shown."""

from datetime import date, datetime

from pydantic import BaseModel, Field

from service.http.bodies import Code, Occurrence, Reason
from service.lots.rules import LOOK_ALIKE_RULE, LotStatus
from service.lots.schemas import HoldOut
from service.quantities import MassOut
from service.receiving.schemas import SupplierLot
from service.thawing.rules.clocks import BatchState
from service.traceability.rules import Match


class WhereaboutsOut(BaseModel):
    """Where the grams of a lot are: what was received is the sum of all the rest."""

    received: MassOut
    on_hand: MassOut
    eaten: MassOut
    left: MassOut = Field(description="Offered to animals and not eaten.")
    discarded: MassOut = Field(description="Thrown away, but for what was condemned.")
    condemned: MassOut
    returned: MassOut = Field(description="Back to the supplier.")
    lost: MassOut
    sampled: MassOut
    drip: MassOut
    public: MassOut
    missing: MassOut = Field(description="Not found by counts; below 0: found beyond the books.")
    unaccounted: MassOut = Field(description="Received less all the rest: 0.")


class OnHandOut(BaseModel):
    """Grams of a lot in a place, loose or in a thaw batch."""

    place: str
    thaw_batch: str | None
    mass: MassOut


class MovedOut(BaseModel):
    """Grams that went from one place to another, less what was taken back."""

    kind: str
    from_place: str
    to_place: str
    mass: MassOut


class TracedBatch(BaseModel):
    """A thaw batch of a lot."""

    code: str
    state: BatchState
    left_freezer_at: datetime
    thawed_at: datetime | None
    pulled: MassOut
    remaining: MassOut


class LotTrace(BaseModel):
    """One lot and where all of it is."""

    lot: str
    site: str
    match: Match
    supplier: str
    supplier_lot: str | None
    product: str
    species: str
    status: LotStatus
    received_on: date
    arrived_at: datetime
    caught_from: date | None
    caught_to: date | None
    frozen_on: date | None
    best_before: date | None
    rejected_at: datetime | None
    mass: MassOut = Field(description="As it was received.")
    where: WhereaboutsOut
    on_hand: list[OnHandOut]
    moves: list[MovedOut]
    thaw_batches: list[TracedBatch]
    holds: list[HoldOut]


class EaterOut(BaseModel):
    """What one animal got of one lot, in all."""

    lot: str
    supplier_lot: str | None
    match: Match
    site: str
    animal: str
    name: str
    group: str
    feeds: int
    offered: MassOut
    eaten: MassOut
    left: MassOut
    estimated: MassOut
    first_fed_at: datetime
    last_fed_at: datetime


class LotTraceOut(LotTrace):
    """One lot, where all of it is, and who was fed from it."""

    items: list[EaterOut]


class ElsewhereOut(BaseModel):
    """Sites that somebody has no access to: that they are concerned, and nothing else."""

    exact_sites: int = Field(description="Sites with lots that match exactly, or may be of one.")
    look_alike_sites: int = Field(description="Further sites with look-alikes only.")
    says: str | None


class RecallOut(BaseModel):
    """Every lot that a supplier lot code is about, and who was fed from them."""

    supplier_lot: str
    supplier: str | None
    normalised: str = Field(description="Lots with the same are exact matches.")
    read_as: list[str] = Field(description="Lots that share one of these are look-alikes.")
    rule: str = LOOK_ALIKE_RULE
    exact: list[LotTrace]
    may_be_of: list[LotTrace] = Field(
        description="Without a readable label: each may be of a lot that matches exactly."
    )
    look_alikes: list[LotTrace] = Field(description="To be looked at before they are held.")
    elsewhere: ElsewhereOut
    items: list[EaterOut] = Field(description="Who was fed from any of them; as CSV, these rows.")


class FedOut(BaseModel):
    """Who was fed from a lot in a time."""

    lot: str
    from_day: date | None
    to_day: date | None
    eaten: MassOut
    items: list[EaterOut]


class LotFedOut(BaseModel):
    """What an animal got of one lot, and what its supplier called the lot."""

    lot: str
    supplier_lot: str | None
    supplier: str
    product: str
    species: str
    feeds: int
    offered: MassOut
    eaten: MassOut
    left: MassOut
    estimated: MassOut
    first_fed_at: datetime
    last_fed_at: datetime


class AnimalLotsOut(BaseModel):
    """The lots that an animal was fed from in a time, in order of first use."""

    animal: str
    from_day: date | None
    to_day: date | None
    eaten: MassOut
    items: list[LotFedOut]


class RecallHoldIn(Occurrence):
    """Why the lots of a supplier lot code may not be used."""

    supplier_lot: SupplierLot
    supplier: Code | None = None
    reason: Reason
    lots: list[Code] | None = Field(
        default=None,
        min_length=1,
        max_length=500,
        description="Left out: all that match exactly or may be of one that does.",
    )


class RecallHoldsOut(BaseModel):
    """The holds that were placed, and what was not held."""

    supplier_lot: str
    normalised: str
    holds: list[HoldOut]
    not_held: list[str] = Field(
        description="Lots that match or look alike and were not held now: look at them."
    )
    elsewhere: ElsewhereOut


class HeldOut(HoldOut):
    """A hold, its lot, and how much of the lot lies where."""

    site: str
    species: str
    supplier_lot: str | None
    mass: MassOut = Field(description="On hand of the lot.")
    on_hand: list[OnHandOut]
