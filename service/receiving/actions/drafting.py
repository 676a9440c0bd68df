"""Entering a delivery step by step, so that anybody can go on with it at any tablet.

Each step is checked as far as it can be then; the books and the rules are asked when it is
received. Nothing entered is thrown away: a lot is left out, a draft given up.
"""

from datetime import datetime
from typing import Any

from pydantic import ValidationError
from sqlmodel import Session

from service.catalogue import queries as catalogue
from service.errors import Conflict, FieldError, Invalid, NotFound
from service.http.bodies import refuse_future
from service.lots.rules import wrong_days
from service.quantities import Temperature
from service.receiving import queries
from service.receiving.actions import arriving
from service.receiving.models import Delivery, DeliveryDraft
from service.receiving.schemas import (
    ArrivalEntered,
    DeliveryEntered,
    DeliveryIn,
    FishEntered,
    LotEntered,
)
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites


def begin(
    session: Session, supplier: str, *, site_id: int, at: datetime, by: Actor
) -> DeliveryDraft:
    """A truck is here: a draft with its first lot. Raises NotFound for an unknown supplier."""
    by.ensure_site(site_id)
    known = catalogue.supplier_by_code(session, supplier, field="supplier")
    draft = DeliveryDraft(
        site_id=site_id,
        entered={},
        begun_at=at,
        begun_by=by.name,
        changed_at=at,
        changed_by=by.name,
    )
    first = DeliveryEntered(arrival=ArrivalEntered(supplier=known.code), lots=[LotEntered()])
    _keep(session, draft, first, at=at, by=by)
    return draft


def entered_of(draft: DeliveryDraft) -> DeliveryEntered:
    """What was entered so far."""
    return DeliveryEntered.model_validate(draft.entered)


def enter_arrival(
    session: Session, number: int, arrival: ArrivalEntered, *, at: datetime, by: Actor
) -> DeliveryEntered:
    """Who came when, how cold, with which papers."""
    draft, entered = _opened(session, number, by=by)
    catalogue.supplier_by_code(session, arrival.supplier, field="supplier")
    refuse_future(arrival.arrived_at, now=at, field="arrived_at")
    entered.arrival = arrival
    return _keep(session, draft, entered, at=at, by=by)


def add_lot(session: Session, number: int, *, at: datetime, by: Actor) -> int:
    """Another lot of the same delivery; its number, which nobody else gets."""
    draft, entered = _opened(session, number, by=by)
    if len(entered.lots) >= 200:
        raise Conflict("one delivery has at most 200 lots")
    entered.lots.append(LotEntered())
    _keep(session, draft, entered, at=at, by=by)
    return len(entered.lots) - 1


def enter_lot(
    session: Session, number: int, lot: int, *, at: datetime, by: Actor, **known: Any
) -> LotEntered:
    """What is known of a lot now. Raises Invalid and NotFound naming the field at fault.

    known: fields of LotEntered; the others stay.
    """
    draft, entered = _opened(session, number, by=by)
    changed = lot_of(entered, lot).model_copy(update=known)
    _check(session, draft, entered, changed, known, at=at, by=by)
    entered.lots[lot] = changed
    _keep(session, draft, entered, at=at, by=by)
    return changed


def add_core(
    session: Session, number: int, lot: int, core: Temperature, *, at: datetime, by: Actor
) -> LotEntered:
    """One more core temperature of a lot."""
    draft, entered = _opened(session, number, by=by)
    cores = lot_of(entered, lot).core_temperatures
    if len(cores) >= 200:
        raise Conflict("200 cores of a lot are enough")
    cores.append(core)
    _keep(session, draft, entered, at=at, by=by)
    return entered.lots[lot]


def take_back_core(
    session: Session, number: int, lot: int, *, at: datetime, by: Actor
) -> LotEntered:
    """The last core temperature was mistyped; none is no error."""
    draft, entered = _opened(session, number, by=by)
    del lot_of(entered, lot).core_temperatures[-1:]
    _keep(session, draft, entered, at=at, by=by)
    return entered.lots[lot]


def receive(session: Session, number: int, *, at: datetime, by: Actor) -> Delivery:
    """Record the delivery as it was entered. Raises Conflict for steps that were not taken."""
    draft, entered = _opened(session, number, by=by)
    taken = list(entered.taken.values())
    if not taken or not all(lot.complete for lot in taken):
        raise Conflict(
            "not every lot is complete" if taken else "there is no lot yet",
            advice="Go on with the lots that are not complete, or leave them out.",
        )
    arrival = dict(entered.arrival)
    del arrival["looked_at"]
    arrival["arrived_at"] = arrival["arrived_at"] or draft.begun_at
    delivery, _ = arriving.receive(
        session,
        _checked(arrival | {"lots": [lot.line() for lot in taken]}),
        at=at,
        by=by,
    )
    draft.ended_at, draft.delivery_id = at, delivery.id
    _keep(session, draft, entered, at=at, by=by)
    return delivery


def give_up(session: Session, number: int, *, at: datetime, by: Actor) -> DeliveryDraft:
    """Nothing will be received of this; what was entered stays readable."""
    draft, entered = _opened(session, number, by=by)
    draft.ended_at = at
    _keep(session, draft, entered, at=at, by=by)
    return draft


def lot_of(entered: DeliveryEntered, lot: int) -> LotEntered:
    """One of the lots. Raises NotFound where there is no such one, or it was left out."""
    if lot not in entered.taken:
        raise NotFound.of("lot of this delivery", lot + 1, "lot")
    return entered.lots[lot]


def _opened(session: Session, number: int, *, by: Actor) -> tuple[DeliveryDraft, DeliveryEntered]:
    draft = queries.draft_by_id(session, number, by=by, lock=True)
    refuse_ended(draft)
    return draft, entered_of(draft)


def refuse_ended(draft: DeliveryDraft) -> None:
    """Raise Conflict once a draft was received or given up."""
    if draft.ended_at is not None:
        what = f"received as delivery {draft.delivery_id}" if draft.delivery_id else "given up"
        raise Conflict(f"this delivery was {what} by {draft.changed_by}")


def _check(
    session: Session,
    draft: DeliveryDraft,
    entered: DeliveryEntered,
    lot: LotEntered,
    known: dict[str, Any],
    *,
    at: datetime,
    by: Actor,
) -> None:
    """What would be refused at the end is told at its step."""
    if isinstance(known.get("fish"), FishEntered):
        fish: FishEntered = known["fish"]
        catalogue.product_by_code(session, fish.product, field="product")
        view = sites.view(session, draft.site_id, at=at)
        day = view.day_of(entered.arrival.arrived_at or draft.begun_at)
        for field, why in wrong_days(day, fish.caught_from, fish.caught_to, fish.frozen_on):
            raise Invalid.at(field, why)
    if lot.amount is not None and lot.fish is not None:
        product = catalogue.product_by_code(session, lot.fish.product, field="product")
        arriving.amount_of(product, lot.amount.mass, lot.amount.cartons, "cartons")
    if known.get("place") is not None:
        place = sites.place_by_code(session, known["place"], by=by, field="place")
        if place.site_id != draft.site_id:
            raise Invalid.at("place", f"{place.code} is a place of another site")


def _checked(delivery: dict[str, Any]) -> DeliveryIn:
    try:
        return DeliveryIn.model_validate(delivery)
    except ValidationError as error:
        found = [FieldError(".".join(map(str, e["loc"])), e["msg"]) for e in error.errors()]
        said = "; ".join(f"{each.field}: {each.message}" for each in found[:5])
        raise Invalid(said, errors=found) from error


def _keep(
    session: Session,
    draft: DeliveryDraft,
    entered: DeliveryEntered,
    *,
    at: datetime,
    by: Actor,
) -> DeliveryEntered:
    draft.entered = entered.model_dump(mode="json")
    draft.changed_at, draft.changed_by = at, by.name
    session.add(draft)
    session.flush()
    audit.note(session, by, "delivery entered", draft.id, at=at, site_id=draft.site_id, after=draft)
    return entered
