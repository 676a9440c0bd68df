"""Posting what happened, so that a late record leaves the books as if it had come in time."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from sqlmodel import Session

from service.ledger import queries
from service.ledger.actions.writing import (
    Event,
    Leg,
    open_batch,
    open_children,
    open_surplus,
    store,
    store_all,
)
from service.ledger.models import Movement, Parcel
from service.ledger.rules import (
    Account,
    Flow,
    Holding,
    MovementKind,
    Pool,
    balance_of,
    cartons_back,
    cartons_left,
    take_from,
)

__all__ = [
    "Event",
    "Leg",
    "open_batch",
    "open_children",
    "open_surplus",
    "post",
    "post_all",
    "store",
]

SETTLED = "settled with a record that came late"
_REOPENED = "pools that were reopened and must be settled"


def post(
    session: Session, event: Event, legs: Sequence[Leg], *, pools: Sequence[Pool] = ()
) -> Movement:
    """Store a movement and adjust the parcels' balances; settle what a late record changes.

    pools: further fish whose books it touches without moving any. Cost: a few
    statements; for a late record also one reading of the lot's transfers there.
    """
    movement = store(session, event, legs)
    if event.is_late:
        reopened: list[Pool] = session.info.pop(_REOPENED, [])
        for pool in dict.fromkeys([*pools, *reopened, *_pools_of(session, legs)]):
            _settle(session, event, pool)
    return movement


def post_all(session: Session, entries: Sequence[tuple[Event, Sequence[Leg]]]) -> list[int]:
    """Store many movements; settle once what the late ones among them change.

    Returns their numbers in the same order. A thaw batch that was never counted, and that the
    books were never wrong about, has nothing to settle: all that was ever taken was there.
    Cost: a few statements for any number of them; where there is something to settle, also
    one reading of the lot's transfers.
    """
    numbers = store_all(session, entries)
    late = [(event, legs) for event, legs in entries if event.is_late]
    if late:
        earliest = min((event for event, _ in late), key=lambda event: event.occurred_at)
        reopened: list[Pool] = session.info.pop(_REOPENED, [])
        touched = _pools_of(session, [leg for _, legs in late for leg in legs])
        batches = [p.thaw_batch_id for p in touched if p.thaw_batch_id is not None]
        wrong = queries.batches_with_differences(session, batches)
        unsure = [p for p in touched if p.whole or p.thaw_batch_id in {*wrong, None}]
        for pool in dict.fromkeys([*reopened, *unsure]):
            _settle(session, earliest, pool)
    return numbers


def _pools_of(session: Session, legs: Iterable[Leg]) -> list[Pool]:
    """The fish that these legs give to or take from, as it is judged together."""
    pools: list[Pool] = []
    for lot_id in dict.fromkeys(leg.lot_id for leg in legs):
        counted = queries.counted_places(session, lot_id)
        ends = [p for leg in legs if leg.lot_id == lot_id for p in leg.parcels]
        batches = {p.thaw_batch_id for p in ends if p.thaw_batch_id is not None}
        moved = queries.batch_parcels(session, list(batches)) if counted and batches else []
        split = {p.thaw_batch_id for p in moved if p.place_id in counted}
        pools += [_pool(p, counted, split) for p in ends]
    return pools


def _pool(parcel: Parcel, counted: frozenset[int], split: set[int | None]) -> Pool:
    if parcel.place_id in counted:
        return Pool(parcel.lot_id, place_id=parcel.place_id, whole=True)
    if parcel.thaw_batch_id is None or parcel.thaw_batch_id in split:
        return Pool(parcel.lot_id, parcel.place_id, parcel.thaw_batch_id)
    return Pool(parcel.lot_id, thaw_batch_id=parcel.thaw_batch_id)


def _settle(session: Session, event: Event, pool: Pool) -> None:
    """Bring a pool to what its events give in the order in which they happened."""
    flows = queries.flows(session, pool)
    every = queries.lot_parcels(session, pool.lot_id)
    fish = [p for p in every if pool.holds(p.lot_id, p.place_id, p.thaw_batch_id)]
    change = balance_of(flows) - sum(p.grams for p in fish)
    if change > 0:
        legs = _give(session, event, pool, fish, flows, change)
    else:
        legs = _take(session, event, queries.most_exposed_first(every, fish), -change)
    if legs:
        opened = [p.opened_at for leg in legs for p in leg.parcels]
        _store_settled(session, event, max(event.occurred_at, *opened), legs)


def _store_settled(session: Session, event: Event, at: datetime, legs: Sequence[Leg]) -> None:
    settled = Event(MovementKind.COUNTED, event.site_id, at, event.at, event.by, reason=SETTLED)
    store(session, settled, legs)


def _give(
    session: Session,
    event: Event,
    pool: Pool,
    fish: Sequence[Parcel],
    flows: Sequence[Flow],
    grams: int,
) -> list[Leg]:
    """First what differences have taken since; then fish that the books did not know."""
    legs = _give_back(session, fish, event.occurred_at, grams)
    grams -= sum(leg.grams for leg in legs)
    if grams > 0:
        later = [f.occurred_at for f in flows if f.counted_g is not None]
        at = min((t for t in later if t > event.occurred_at), default=event.occurred_at)
        place_id = pool.place_id or _newest(fish, at).place_id
        batch = pool.thaw_batch_id
        opened = open_surplus(session, pool.lot_id, place_id, at, thaw_batch_id=batch)
        legs.append(Leg(pool.lot_id, Account.COUNT_DIFFERENCE, opened, grams))
    return legs


def _newest(fish: Sequence[Parcel], at: datetime) -> Parcel:
    return max([p for p in fish if p.opened_at <= at] or fish, key=lambda p: (p.opened_at, p.id))


def _give_back(
    session: Session,
    fish: Sequence[Parcel],
    since: datetime,
    most: int | None = None,
    *,
    but: int | None = None,
) -> list[Leg]:
    taken = queries.differences(session, [p.id or 0 for p in fish], since=since, but=but)
    legs: list[Leg] = []
    for parcel in fish:
        grams, cartons = taken.get(parcel.id or 0, (0, 0))
        back = grams if most is None else min(grams, most)
        if back <= 0:
            continue
        most = None if most is None else most - back
        whole = (
            None
            if parcel.cartons is None
            else cartons_back(parcel.grams, parcel.cartons, grams, cartons, back)
        )
        legs.append(Leg(parcel.lot_id, Account.COUNT_DIFFERENCE, parcel, back, whole))
    return legs


def release(session: Session, event: Event, fish: Sequence[Parcel]) -> list[Leg]:
    """Give back to parcels what differences have taken from them, before they are emptied.

    Settling afterwards takes it again from wherever it is right then.
    """
    legs = _give_back(session, fish, event.occurred_at, but=event.reverses_id)
    if legs:
        opened = [p.opened_at for leg in legs for p in leg.parcels]
        _store_settled(session, event, max(event.occurred_at, *opened), legs)
    return legs


def reopen(
    session: Session,
    lot_id: int,
    event: Event,
    *,
    place_id: int | None = None,
    thaw_batch_id: int | None = None,
) -> None:
    """Give back to a place or a thaw batch what counts after a late record took from it.

    So the record is judged by the fish that was there; posting it settles the
    counts again, of what was reopened and not used too.
    """
    fish = [
        p
        for p in queries.lot_parcels(session, lot_id)
        if p.opened_at <= event.occurred_at
        and (p.place_id == place_id or p.thaw_batch_id == thaw_batch_id is not None)
    ]
    legs = release(session, event, fish)
    session.info.setdefault(_REOPENED, []).extend(_pools_of(session, legs))


def _take(session: Session, event: Event, fish: Sequence[Parcel], grams: int) -> list[Leg]:
    """First fish that differences have added since; then the least exposed."""
    since = event.occurred_at
    taken = queries.differences(session, [p.id or 0 for p in fish], since=since) if grams else {}
    added = {parcel_id for parcel_id, (net, _) in taken.items() if net < 0}
    least_exposed_first = fish[::-1]
    return shortage(sorted(least_exposed_first, key=lambda p: p.id not in added), grams)


def shortage(fish: Sequence[Parcel], grams: int) -> list[Leg]:
    """Grams that are not there, out of parcels in order, as far as they have them."""
    loose = [Holding(p.id or 0, p.grams, p.grams, None) for p in fish]
    takes, _ = take_from(loose, grams)
    by_id = {p.id: p for p in fish}
    return [
        Leg(
            by_id[t.parcel_id].lot_id,
            by_id[t.parcel_id],
            Account.COUNT_DIFFERENCE,
            t.grams,
            _cartons_gone(by_id[t.parcel_id], t.grams),
        )
        for t in takes
    ]


def _cartons_gone(parcel: Parcel, grams: int) -> int | None:
    if parcel.cartons is None:
        return None
    return parcel.cartons - cartons_left(parcel.grams, parcel.cartons, parcel.grams - grams)


def difference_legs(
    session: Session, lot_id: int, place_id: int, difference_g: int, *, at: datetime
) -> list[Leg]:
    """Transfers that bring the books to what was counted at an instant.

    A shortage leaves the least exposed parcels (the fish that is gone is taken
    to be the best); a surplus opens a parcel with the worst history of that lot
    in that place.
    """
    if difference_g > 0:
        opened = open_surplus(session, lot_id, place_id, at)
        return [Leg(lot_id, Account.COUNT_DIFFERENCE, opened, difference_g)]
    every = queries.lot_parcels(session, lot_id)
    fish = [p for p in every if p.place_id == place_id and p.opened_at <= at]
    return shortage(queries.most_exposed_first(every, fish)[::-1], -difference_g)
