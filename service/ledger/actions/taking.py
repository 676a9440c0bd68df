"""Taking fish of a lot out of a place, permitted or as a fact."""

from collections.abc import Callable, Sequence
from datetime import datetime

from sqlmodel import Session

from service.decisions import Finding
from service.ledger import queries
from service.ledger.actions.posting import reopen
from service.ledger.actions.writing import Event, Leg, open_surplus, store
from service.ledger.rules import Account, Holding, MovementKind, Take, take_from
from service.lots.models import Lot
from service.quantities import Units
from service.security.actor import Actor
from service.site.rules import finding


def stock_findings(
    holdings: Sequence[Holding], wanted_g: int, *, what: str, units: Units
) -> list[Finding]:
    """Whether there is enough that nobody else has reserved."""
    _, missing = take_from(holdings, wanted_g)
    available = sum(h.available for h in holdings)
    kept = sum(h.grams for h in holdings) - available
    numbers = {
        "wanted_g": float(wanted_g),
        "available_g": float(available),
        "reserved_g": float(kept),
    }
    if missing:
        shown = units.mass_out(available)
        return [
            finding(
                "not-enough-stock",
                "block",
                f"{what}: {shown.value:g} {shown.unit} are available",
                numbers=numbers,
            )
        ]
    return [finding("not-enough-stock", "pass", f"{what}: enough is there", numbers=numbers)]


def judged_holdings(
    session: Session,
    look: Callable[[], list[Holding]],
    wanted_g: int,
    *,
    lot: Lot,
    occurred_at: datetime,
    at: datetime,
    by: Actor,
    place_id: int | None = None,
    thaw_batch_id: int | None = None,
) -> list[Holding]:
    """What may be taken; a late record finds the fish that was there before later counts."""
    found = look()
    _, missing = take_from(found, wanted_g)
    if not missing or occurred_at >= at:
        return found
    event = Event(MovementKind.COUNTED, lot.site_id, occurred_at, at, by)
    reopen(session, lot.id or 0, event, place_id=place_id, thaw_batch_id=thaw_batch_id)
    return look()


def takes_of(
    session: Session,
    lot: Lot,
    place_id: int,
    holdings: Sequence[Holding],
    wanted_g: int,
    *,
    occurred_at: datetime,
    at: datetime,
    by: Actor,
    already_done: bool,
    thaw_batch_id: int | None = None,
) -> list[Take]:
    """What to take; a fact may use reserved fish, and fish that the books do not know."""
    if not already_done:
        return take_from(holdings, wanted_g)[0]
    whole = [Holding(h.parcel_id, h.grams, h.grams, h.cartons) for h in holdings]
    takes, missing = take_from(whole, wanted_g)
    if missing:
        # The books were wrong, not the person: book in what was evidently there.
        opened = open_surplus(
            session, lot.id or 0, place_id, occurred_at, thaw_batch_id=thaw_batch_id
        )
        event = Event(
            MovementKind.COUNTED,
            lot.site_id,
            occurred_at,
            at,
            by,
            reason="taken, but not in the books",
        )
        store(session, event, [Leg(lot.id or 0, Account.COUNT_DIFFERENCE, opened, missing)])
        takes.append(Take(opened.id or 0, missing))
    return takes


def spending(session: Session, takes: Sequence[tuple[Take, Account]]) -> list[Leg]:
    """Transfers from parcels to accounts: eaten, left, discarded."""
    parcels = queries.parcels_by_id(session, [take.parcel_id for take, _ in takes])
    return [
        Leg(
            parcels[take.parcel_id].lot_id,
            parcels[take.parcel_id],
            account,
            take.grams,
            take.cartons,
        )
        for take, account in takes
    ]
