"""Holding every lot of a supplier lot code."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.catalogue import queries as catalogue
from service.errors import Invalid, NotFound
from service.http.bodies import refuse_future
from service.lots import actions as lot_actions
from service.lots.models import Hold
from service.lots.rules import supplier_lot_key
from service.security.actor import Actor
from service.traceability.queries import matching
from service.traceability.queries.matching import Found, Matched
from service.traceability.rules import Match, says_elsewhere
from service.traceability.schemas import RecallHoldIn


@dataclass(frozen=True)
class Held:
    """Holds with their lots, and what else the supplier lot code is about."""

    holds: tuple[tuple[Hold, Matched], ...]
    found: Found

    @property
    def not_held(self) -> list[str]:
        """Lots of the recall that were not held now."""
        held = {each.lot_id for _, each in self.holds}
        return [each.lot.code for each in self.found.lots if each.lot_id not in held]


def find(session: Session, supplier_lot: str, supplier: str | None, *, by: Actor) -> Found:
    """The lots that a supplier lot code is about.

    Raises Invalid for a code without a letter or digit, NotFound for an unknown supplier.
    """
    if supplier_lot_key(supplier_lot) is None:
        raise Invalid.at("supplier_lot", "has no letter or digit to be found by")
    supplier_id = None
    if supplier is not None:
        supplier_id = catalogue.supplier_by_code(session, supplier, field="supplier").id
    return matching.lots_like(session, supplier_lot, supplier_id=supplier_id, by=by)


def hold(session: Session, order: RecallHoldIn, *, at: datetime, by: Actor) -> Held:
    """Hold the lots named, else all that match exactly or may be of one that does.

    All or none. Raises Invalid for a named lot that neither matches nor looks
    alike, NotFound `unknown-supplier-lot` if there is nothing to hold.
    """
    refuse_future(order.occurred_at, now=at)
    found = find(session, order.supplier_lot, order.supplier, by=by)
    chosen = found.of(Match.EXACT, Match.MAY_BE_OF)
    if order.lots is not None:
        chosen = [_named(found, code, f"lots.{i}") for i, code in enumerate(order.lots)]
    if not chosen:
        raise _nothing(order.supplier_lot, found)
    catalogue.lock_species(session, {each.lot.species_code for each in chosen})
    said = order.occurred_at
    placed = [
        (
            lot_actions.place_hold(
                session,
                each.lot,
                order.reason,
                at=at,
                by=by,
                said=said,
                with_doubtful=order.lots is not None,  # else they are among the chosen
            ),
            each,
        )
        for each in {each.lot_id: each for each in chosen}.values()
    ]
    return Held(tuple(placed), found)


def _named(found: Found, code: str, field: str) -> Matched:
    for each in found.lots:
        if each.lot.code == code:
            return each
    raise Invalid.at(field, f"{code} is no lot of this supplier lot code, nor looks like one")


def _nothing(supplier_lot: str, found: Found) -> NotFound:
    missing = NotFound.of("supplier lot", supplier_lot, "supplier_lot")
    alike = [each.lot.code for each in found.lots]
    elsewhere = says_elsewhere(found.exact_sites_elsewhere)
    return NotFound(
        f"{missing.detail}; {elsewhere}" if elsewhere else missing.detail,
        kind=missing.kind,
        advice=f"Look at what looks alike and name it in lots: {', '.join(alike)}."
        if alike
        else "Read the code again, from the carton and from the papers.",
        errors=missing.errors,
        extra={"look_alikes": alike},
    )
