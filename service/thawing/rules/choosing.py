"""Which fish a plan takes: oldest first, whole cartons of blocks."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import chain

from service.ledger.rules import FreezerParcel, Take, take_from
from service.lots.rules import LotFacts
from service.site.rules import Policy


@dataclass(frozen=True)
class Chosen:
    """One parcel that a plan takes from, and how much of it is more than was asked."""

    parcel: FreezerParcel
    take: Take
    surplus_g: int = 0


def choose(
    stock: Iterable[FreezerParcel], wanted_g: int, policy: Policy, on: date
) -> tuple[list[Chosen], int]:
    """Pour a species out of its parcels in the order of use; whole cartons of blocks.

    Reads only as many parcels as it needs. Returns what is taken and what is short.
    """
    chosen: list[Chosen] = []
    missing = wanted_g
    rest = iter(stock)
    while missing > 0 and (parcel := next(rest, None)) is not None:
        if not may_plan(parcel.lot, policy, on):
            continue
        takes, _ = take_from([parcel.holding], missing)
        for take in takes:
            missing -= take.grams
            chosen.append(Chosen(parcel, take, surplus_g=max(0, -missing)))
    return chosen, max(0, missing)


class Stock:
    """The parcels of a species in the order of use; what was taken is not there again."""

    def __init__(self, parcels: Iterable[FreezerParcel]) -> None:
        self._rest = iter(parcels)

    def take(self, wanted_g: int, policy: Policy, on: date) -> tuple[list[Chosen], int]:
        """Go on where the last take ended. Like `choose`."""
        chosen, missing = choose(self._rest, wanted_g, policy, on)
        self._rest = chain(_left_of(chosen), self._rest)
        return chosen, missing


def _left_of(chosen: Sequence[Chosen]) -> Iterator[FreezerParcel]:
    """The parcel that was taken from last, if anything is left of it."""
    if chosen:
        left = without(chosen[-1].parcel, chosen[-1].take)
        if left.holding.available > 0:
            yield left


def without(parcel: FreezerParcel, take: Take) -> FreezerParcel:
    """A parcel after something was taken from it."""
    holding = parcel.holding
    cartons = None if holding.cartons is None else holding.cartons - (take.cartons or 0)
    left = replace(
        holding,
        grams=holding.grams - take.grams,
        available=holding.available - take.grams,
        cartons=cartons,
    )
    return replace(parcel, holding=left)


def may_plan(lot: LotFacts, policy: Policy, on: date) -> bool:
    """Whether a lot may be planned: not held, not rejected, not past its age limit on the day."""
    return unusable(lot, policy, on) is None


def unusable(lot: LotFacts, policy: Policy, on: date) -> str | None:
    """Why a lot may not be planned for a day; None where it may."""
    if lot.rejected:
        return f"lot {lot.code} is rejected"
    if lot.held:
        return f"lot {lot.code} is on hold"
    age = lot.age_days(on)
    if age is not None and age > policy.age_limit_days(lot.fat_group):
        return f"lot {lot.code} is past its age limit"
    return None
