"""Which fish a plan takes: oldest first, whole cartons of blocks."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

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
    for parcel in stock:
        if missing <= 0:
            break
        if not may_plan(parcel.lot, policy, on):
            continue
        takes, _ = take_from([parcel.holding], missing)
        for take in takes:
            missing -= take.grams
            chosen.append(Chosen(parcel, take, surplus_g=max(0, -missing)))
    return chosen, max(0, missing)


def may_plan(lot: LotFacts, policy: Policy, on: date) -> bool:
    """Whether a lot may be planned: not held, not rejected, not past its age limit on the day."""
    age = lot.age_days(on)
    past = age is not None and age > policy.age_limit_days(lot.fat_group)
    return not lot.held and not lot.rejected and not past
