"""Booking movements, so that a late record leaves the books as if it had come in time."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlmodel import Session

from service.database import insert_rows, next_ids
from service.supplement_stock import queries
from service.supplement_stock.models import SupplementBatch
from service.supplement_stock.rules import Balance, Entry, Kind, balance

SETTLED = "settled with a record that came late, or took more than the books knew"


@dataclass(frozen=True)
class Movement:
    """What is to be booked; `milli` is the change. Of a count it is worked out."""

    batch_id: int
    kind: Kind
    occurred_at: datetime
    day: date
    milli: int = 0
    counted_milli: int | None = None
    reason: str | None = None
    reference: str | None = None
    reverses_id: int | None = None


def balances_with(
    session: Session, held: Iterable[SupplementBatch], new: Sequence[Movement]
) -> dict[int, Balance]:
    """What batches would have left with these movements, each where it belongs in time.

    Nothing is asked where all of it comes after what is known: the books of now are enough.
    Otherwise one query, which grows with the movements of those batches.
    """
    rows = {row.id or 0: row for row in held}
    undone = {m.reverses_id for m in new if m.reverses_id is not None}
    late = {
        m.batch_id
        for m in new
        if m.reverses_id is not None or m.occurred_at < rows[m.batch_id].last_at
    }
    known = queries.entries(session, late) if late else {}
    found = {}
    for batch_id, row in rows.items():
        before = known.get(batch_id, [])
        if batch_id not in late:
            before = [Entry(row.last_at, 0, milli=row.left_milli)]
        mine = _as_entries([m for m in new if m.batch_id == batch_id])
        found[batch_id] = balance([e for e in before if e.number not in undone] + mine)
    return found


def _as_entries(new: Sequence[Movement]) -> list[Entry]:
    """After all that is known of the same instant, in their order."""
    return [
        Entry(m.occurred_at, 2**62 + place, m.milli, m.counted_milli)
        for place, m in enumerate(new)
        if m.reverses_id is None
    ]


def post(
    session: Session,
    held: Collection[SupplementBatch],
    new: Sequence[Movement],
    *,
    at: datetime,
    by: str,
) -> list[int]:
    """Book movements of locked batches; returns their numbers in the same order.

    Whatever a record in time would have left is what is left: a difference is booked where
    the sum of movements says otherwise, so that movements always add up to what is left.
    Cost: one insert for all of them, one update a batch, and as `balances_with`.
    """
    after = balances_with(session, held, new)
    rows = {row.id or 0: row for row in held}
    sums = {batch_id: row.left_milli for batch_id, row in rows.items()}
    booked: list[Movement] = []
    for movement in new:
        milli = movement.milli
        if movement.counted_milli is not None:
            milli = movement.counted_milli - sums[movement.batch_id]
        sums[movement.batch_id] += milli
        booked.append(_with(movement, milli))
    for batch_id, row in rows.items():
        difference = after[batch_id].milli - sums[batch_id]
        if difference:
            last = max(m.occurred_at for m in new if m.batch_id == batch_id)
            days = [m.day for m in new if m.batch_id == batch_id]
            settled = Movement(batch_id, Kind.COUNTED, last, days[-1], difference, reason=SETTLED)
            booked.append(settled)
        row.left_milli = after[batch_id].milli
        row.last_at = max([row.last_at, *(m.occurred_at for m in new if m.batch_id == batch_id)])
        session.add(row)
    session.flush()
    connection = session.connection()
    numbers = next_ids(connection, "supplement_movement", len(booked))
    insert_rows(
        connection,
        "supplement_movement",
        [_row(m, number, at, by) for m, number in zip(booked, numbers, strict=True)],
    )
    return numbers[: len(new)]


def _with(movement: Movement, milli: int) -> Movement:
    return Movement(**(vars(movement) | {"milli": milli}))


def _row(movement: Movement, number: int, at: datetime, by: str) -> dict[str, Any]:
    return vars(movement) | {"id": number, "kind": str(movement.kind), "recorded_at": at, "by": by}
