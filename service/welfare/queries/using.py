"""Fish that diets asked for, against what became of the fish that was pulled."""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import astuple, dataclass
from datetime import date, timedelta
from typing import Any

from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, func, select

from service.diets.queries.need import need_grams
from service.ledger.models import Parcel, ThawBatch, Transfer
from service.ledger.rules import Account
from service.lots.models import Lot
from service.quantities import Units
from service.site.queries import SiteView
from service.welfare.schemas import FishUse, FishUseDay, FishUseOut


@dataclass(frozen=True)
class Used:
    """What became of fish of one species, grams."""

    pulled_g: int = 0
    eaten_g: int = 0
    left_g: int = 0
    lost_g: int = 0
    discarded_g: int = 0
    still_there_g: int = 0

    def __add__(self, other: "Used") -> "Used":
        return Used(
            *(mine + more for mine, more in zip(astuple(self), astuple(other), strict=True))
        )


_USED_AS = {
    Account.EATEN: "eaten_g",
    Account.PUBLIC: "eaten_g",
    Account.LEFT: "left_g",
    Account.LOST: "lost_g",
    Account.COUNT_DIFFERENCE: "lost_g",
    Account.DISCARDED: "discarded_g",
    Account.DRIP: "discarded_g",
    Account.SAMPLED: "discarded_g",
}


def used(
    session: Session, view: SiteView, from_day: date, to_day: date
) -> Mapping[tuple[date, str], Used]:
    """What became of the fish that was pulled on each of these days, by day and species.

    Fish that was put back was not pulled; what was taken back did not happen. Three queries;
    cost: the thaw batches of these days.
    """
    wanted = (
        select(ThawBatch.id)
        .where(
            col(ThawBatch.site_id) == view.id,
            col(ThawBatch.left_freezer_at) >= view.start_of(from_day),
            col(ThawBatch.left_freezer_at) < view.end_of(to_day),
        )
        .scalar_subquery()
    )
    grams = _flows(session, wanted, out=True)
    for key, back in _flows(session, wanted, out=False).items():
        grams[key] -= back
    batches = session.execute(
        columns(col(ThawBatch.id), col(ThawBatch.left_freezer_at), col(Lot.species_code))
        .join(Lot, col(Lot.id) == col(ThawBatch.lot_id))
        .where(col(ThawBatch.id).in_(wanted))
    )
    sums: dict[tuple[date, str], Counter[str]] = {}
    for batch_id, left_at, species in batches:
        mine = sums.setdefault((view.day_of(left_at), species), Counter())
        for name in {_FROM_FREEZER, *_USED_AS.values()}:
            mine[name] += grams[batch_id, name]
    return {key: _summed(mine) for key, mine in sums.items()}


_FROM_FREEZER = "freezer"


def _flows(session: Session, batch_ids: Any, *, out: bool) -> Counter[tuple[int, str]]:
    """Grams that left, or came into, the parcels of these batches, by what they went to."""
    mine, other = aliased(Parcel), aliased(Parcel)
    ends = (col(Transfer.from_parcel_id), col(Transfer.to_parcel_id))
    here, there = ends if out else ends[::-1]
    account = col(Transfer.to_account) if out else col(Transfer.from_account)
    rows = session.execute(
        columns(col(mine.thaw_batch_id), account, func.sum(col(Transfer.grams)))
        .select_from(mine)
        .join(Transfer, here == col(mine.id))
        .outerjoin(other, there == col(other.id))
        .where(col(mine.thaw_batch_id).in_(batch_ids), col(other.thaw_batch_id).is_(None))
        .group_by(col(mine.thaw_batch_id), account)
    )
    found: Counter[tuple[int, str]] = Counter()
    for batch_id, name, grams in rows:
        found[batch_id, _USED_AS[Account(name)] if name else _FROM_FREEZER] += int(grams)
    return found


def _summed(grams: Counter[str]) -> Used:
    pulled = -grams[_FROM_FREEZER]
    went = {name: grams[name] for name in set(_USED_AS.values())}
    return Used(pulled_g=pulled, still_there_g=pulled - sum(went.values()), **went)


def fish_use(session: Session, view: SiteView, first: date, last: date) -> FishUseOut:
    """Fish needed against fish used, in all and day by day. Three queries, a need for each day."""
    used_ = used(session, view, first, last)
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    needs = {day: Counter(need_grams(session, view, day)) for day in days}
    return FishUseOut(
        site=view.code,
        from_day=first,
        to_day=last,
        total=_uses(sum(needs.values(), Counter()), _by_species(used_.items()), view.units),
        days=[
            FishUseDay(
                day=day,
                species=_uses(
                    needs[day], _by_species(u for u in used_.items() if u[0][0] == day), view.units
                ),
            )
            for day in days
        ],
    )


def _by_species(used: Iterable[tuple[tuple[date, str], Used]]) -> Mapping[str, Used]:
    found: dict[str, Used] = {}
    for (_, species), each in used:
        found[species] = found[species] + each if species in found else each
    return found


def _uses(need: Mapping[str, int], used: Mapping[str, Used], units: Units) -> list[FishUse]:
    return [
        _use(species, need.get(species, 0), used.get(species, Used()), units)
        for species in sorted({*need, *used})
    ]


def _use(species: str, need_g: int, used: Used, units: Units) -> FishUse:
    spent_g = used.pulled_g - used.still_there_g
    return FishUse(
        species=species,
        need=units.mass_out(need_g),
        pulled=units.mass_out(used.pulled_g),
        eaten=units.mass_out(used.eaten_g),
        left=units.mass_out(used.left_g),
        lost=units.mass_out(used.lost_g),
        discarded=units.mass_out(used.discarded_g),
        still_there=units.mass_out(used.still_there_g),
        eaten_share=round(used.eaten_g / spent_g, 4) if spent_g > 0 else None,
    )
