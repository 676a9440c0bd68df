"""How grams and cartons go together, and which parcels a take comes from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from service.lots.rules import LotFacts


class Account(StrEnum):
    """Where grams come from and go to when they are in no parcel."""

    SUPPLIER = "supplier"
    EATEN = "eaten"
    LEFT = "left"
    LOST = "lost"
    DISCARDED = "discarded"
    SAMPLED = "sampled"
    DRIP = "drip"
    COUNT_DIFFERENCE = "count_difference"
    PUBLIC = "public"


class MovementKind(StrEnum):
    """What happened in one event of the ledger."""

    RECEIVED = "received"
    MOVED = "moved"
    PULLED = "pulled"
    SPLIT = "split"
    PUT_BACK = "put_back"
    FED = "fed"
    DRIPPED = "dripped"
    DISCARDED = "discarded"
    CONDEMNED = "condemned"
    RETURNED_TO_SUPPLIER = "returned_to_supplier"
    COUNTED = "counted"
    REVERSED = "reversed"
    FOUND = "found"


DOOR_OPENING = (
    MovementKind.RECEIVED,
    MovementKind.MOVED,
    MovementKind.PULLED,
    MovementKind.PUT_BACK,
    MovementKind.DISCARDED,
    MovementKind.CONDEMNED,
    MovementKind.RETURNED_TO_SUPPLIER,
)
"""For these somebody goes into the place."""


@dataclass(frozen=True)
class Holding:
    """A parcel as a take sees it: what is there, and what of it may be taken."""

    parcel_id: int
    grams: int
    available: int
    cartons: int | None
    put_back: bool = False


@dataclass(frozen=True)
class Batch:
    """The identity of a thaw batch: pulled fish of one lot under one label.

    split_from_id, split_at: the batch that it was a part of, and until when.
    """

    id: int
    code: str
    site_id: int
    lot_id: int
    left_freezer_at: datetime
    split_from_id: int | None = None
    split_at: datetime | None = None


@dataclass(frozen=True)
class Take:
    """Grams, and whole cartons where the parcel counts them, from one parcel."""

    parcel_id: int
    grams: int
    cartons: int | None = None


@dataclass(frozen=True)
class Pool:
    """Fish of one lot whose balance is judged together.

    What is loose in a place; or a thaw batch, wherever it is; or (`whole`) all
    of the lot in a place that was counted, as a count knows no batches.
    """

    lot_id: int
    place_id: int | None = None
    thaw_batch_id: int | None = None
    whole: bool = False

    def holds(self, lot_id: int, place_id: int, thaw_batch_id: int | None) -> bool:
        """Whether a parcel belongs to it."""
        return (
            lot_id == self.lot_id
            and self.place_id in (None, place_id)
            and (self.whole or thaw_batch_id == self.thaw_batch_id)
        )


@dataclass(frozen=True)
class Flow:
    """What one event gave to a pool or took from it, or what was counted there."""

    occurred_at: datetime
    number: int
    grams: int = 0
    counted_g: int | None = None


@dataclass(frozen=True)
class FreezerParcel:
    """A parcel in a freezer with what the rules need to know of its lot."""

    lot: LotFacts
    lot_id: int
    form: str
    place: str
    holding: Holding


def grams_of_cartons(grams: int, cartons: int, taken: int) -> int:
    """The mass of some of a parcel's cartons, by cumulative rounding.

    The last carton leaves 0 g, whatever the order of takes.

    >>> grams_of_cartons(1000, 3, 1), grams_of_cartons(667, 2, 1), grams_of_cartons(334, 1, 1)
    (333, 333, 334)
    """
    if not 0 <= taken <= cartons:
        raise ValueError(f"taken must lie between 0 and {cartons}")
    return grams - (2 * grams * (cartons - taken) + cartons) // (2 * cartons)


def cartons_for(grams: int, cartons: int, wanted: int) -> int:
    """The fewest whole cartons that hold `wanted` grams, at most all of them.

    >>> cartons_for(640_000, 64, 55_000)
    6
    """
    count = min(cartons, -(-wanted * cartons // grams))
    while count < cartons and grams_of_cartons(grams, cartons, count) < wanted:
        count += 1
    return count


@dataclass(frozen=True)
class OutOfCartons:
    """How loose fish comes out of its cartons: the opened one first, whole ones, a newly opened."""

    opened_g: int = 0
    whole: int = 0
    newly_opened_g: int = 0

    def __add__(self, other: "OutOfCartons") -> "OutOfCartons":
        return OutOfCartons(
            self.opened_g + other.opened_g,
            self.whole + other.whole,
            self.newly_opened_g + other.newly_opened_g,
        )


def out_of_cartons(before_g: int, taken_g: int, carton_g: int) -> OutOfCartons:
    """How a take of loose fish comes out of a parcel of cartons that are alike.

    >>> out_of_cartons(before_g=31_000, taken_g=22_000, carton_g=12_000)
    OutOfCartons(opened_g=7000, whole=1, newly_opened_g=3000)
    """
    opened = min(taken_g, before_g % carton_g)
    whole, newly_opened = divmod(taken_g - opened, carton_g)
    return OutOfCartons(opened, whole, newly_opened)


def take_from(holdings: Sequence[Holding], wanted: int) -> tuple[list[Take], int]:
    """Pour `wanted` grams out of parcels in order; whole cartons where they are counted.

    Returns the takes and the grams that were not to be had. With cartons the
    takes may hold more than was wanted.
    """
    takes: list[Take] = []
    missing = wanted
    for holding in holdings:
        if missing <= 0:
            break
        take = _take_one(holding, missing)
        if take is not None:
            takes.append(take)
            missing -= take.grams
    return takes, max(0, missing)


def _take_one(holding: Holding, wanted: int) -> Take | None:
    if holding.available <= 0:
        return None
    if not holding.cartons:
        return Take(holding.parcel_id, min(wanted, holding.available))
    count = cartons_for(holding.grams, holding.cartons, min(wanted, holding.available))
    while count and grams_of_cartons(holding.grams, holding.cartons, count) > holding.available:
        count -= 1
    if count == 0:
        return None
    return Take(holding.parcel_id, grams_of_cartons(holding.grams, holding.cartons, count), count)


def cartons_left(grams: int, cartons: int, new_grams: int) -> int:
    """How many cartons a parcel still counts after its mass is corrected."""
    if new_grams == 0:
        return 0
    return max(1, (2 * new_grams * cartons + grams) // (2 * grams)) if grams else cartons


def cartons_back(grams: int, cartons: int, taken_g: int, taken_cartons: int, back_g: int) -> int:
    """How many cartons return with some of the grams that differences took from a parcel.

    >>> cartons_back(0, 0, 10_000, 4, 10_000), cartons_back(0, 0, 10_000, 4, 1)
    (4, 1)
    """
    before = cartons + taken_cartons
    counted = cartons_left(grams + taken_g, before, grams + back_g)
    return max(cartons, min(before, counted)) - cartons


def came_of_a_batch(
    parcel_id: int | None, family: Mapping[int, tuple[int | None, int | None]]
) -> bool:
    """Whether fish was ever in a thaw batch, put back since or not.

    family: per parcel of the lot its parent and its thaw batch.

    >>> family = {1: (None, None), 2: (1, 7), 3: (2, None)}
    >>> [came_of_a_batch(parcel, family) for parcel in family]
    [False, True, True]
    """
    while parcel_id is not None:
        parcel_id, batch = family[parcel_id]
        if batch is not None:
            return True
    return False


def balance_of(flows: Sequence[Flow]) -> int:
    """Grams that events leave behind, in the order in which they happened.

    A fact that takes more than the books know leaves nothing, since what it
    took was evidently there; a count holds, whatever the books said.

    >>> noon, one = datetime(2031, 5, 1, 12), datetime(2031, 5, 1, 13)
    >>> balance_of([Flow(one, 2, grams=-30), Flow(noon, 1, grams=20), Flow(one, 3, grams=5)])
    5
    """
    balance = 0
    for flow in sorted(flows, key=lambda f: (f.occurred_at, f.number)):
        counted = flow.counted_g
        balance = max(0, balance + flow.grams) if counted is None else counted
    return balance
