"""Settling what energy of fish a day goes by."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any, cast

from sqlmodel import Session

from service.database import insert_ignoring
from service.diets.models import DayEnergy
from service.diets.queries.energies import energies
from service.diets.queries.kept import versions_on
from service.diets.queries.need import need_grams
from service.site.queries import SiteView


def settled_need(session: Session, view: SiteView, day: date, *, at: datetime) -> Mapping[str, int]:
    """Grams of each species that a day needs; what its rations go by is settled with it.

    Rations by energy depend on the lot that is next in use. Planned once, they no longer
    change when that lot is used up before the fish is fed. Cost as `need_grams`.
    """
    species = {
        item.species_code
        for versions in versions_on(session, view.id, day).values()
        for version in versions
        if version.prescription.by_energy
        for item in version.items
    }
    rows = [
        {
            "site_id": view.id,
            "day": day,
            "species_code": code,
            "kcal_per_kg": energy.kcal_per_kg,
            "lot_id": energy.lot_id,
            "source": energy.source,
            "recorded_at": at,
        }
        for code, energy in energies(session, view, day, species).items()
    ]
    if rows:
        table = cast(Any, DayEnergy).__table__
        session.execute(insert_ignoring(session.get_bind().dialect.name, table), rows)
    return need_grams(session, view, day)
