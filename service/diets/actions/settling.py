"""Settling what energy of fish a day goes by."""

from datetime import date, datetime
from typing import Any, cast

from sqlmodel import Session

from service.database import insert_ignoring
from service.diets.models import DayEnergy
from service.diets.queries.energies import energies
from service.diets.queries.kept import versions_on
from service.site.queries import SiteView


def settle(session: Session, view: SiteView, day: date, *, at: datetime) -> None:
    """From now on the rations of a day by energy go by the fish that is next in use now.

    Called when a day is planned: else its need would change between plan and feed, as the
    lots that it was planned from are used up. What is settled stays. One query, and three
    for each species of a diet by energy.
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
