"""Every figure behind a day's supplements."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from sqlmodel import Session

from service.animals.models import Animal
from service.animals.rules import Group
from service.security.actor import Actor
from service.site.models import Site
from service.site.queries import SiteView
from service.supplement_sheets.queries.kitchen import Order, orders_on
from service.supplement_sheets.schemas import VetAnimalOut, VetSheetOut
from service.supplements.actions.writing import with_changes
from service.supplements.queries import standing
from service.supplements.rules import CAUTIONS
from service.supplements.rules.steps import fish


def vet_sheet(
    session: Session,
    site: Site,
    view: SiteView,
    day: date,
    *,
    animal: Animal | None,
    at: datetime,
    by: Actor,
) -> VetSheetOut:
    """Orders in force and proposals that wait, by animal. Six queries.

    Some ten milliseconds for each unmet need, to find what would make it possible.
    """
    signed, waiting = orders_on(session, view, day, at=at, animal=animal)
    meanings = standing.signatures(session, [order.stored for order in signed])
    found = [_shown(order, True, meanings.get(order.stored.signature_id or 0)) for order in signed]
    found += [_shown(order, False, None) for order in waiting]
    return VetSheetOut(
        site=site.code,
        site_name=site.name,
        day=day,
        printed_at=at,
        printed_by=by.name,
        cautions=list(CAUTIONS),
        items=sorted(found, key=lambda each: (each.name.casefold(), each.animal, each.plan.id)),
    )


def _shown(order: Order, in_force: bool, meaning: str | None) -> VetAnimalOut:
    stored, animal = order.stored, order.animal
    worked: Mapping[str, Any] = stored.document.get("worked_from") or {}
    return VetAnimalOut(
        animal=animal.code,
        name=animal.name,
        taxon=animal.taxon,
        group=Group(animal.group_name),
        in_force=in_force,
        body_mass_g=worked.get("body_mass_g"),
        food=[_food(each) for each in worked.get("food", ())],
        plan=with_changes(order.plan, stored.document),
        proposed_by=stored.by,
        proposed_at=stored.recorded_at,
        signed_as=stored.signed_as,
        meaning=meaning,
    )


def _food(each: Mapping[str, Any]) -> str:
    lot = f"lot {each['lot']}" if each["lot"] else "none in stock"
    return f"{each['grams'] / 1000:g} kg {fish(each['species'])}, {lot}"
