"""Settling what energy of fish a day goes by."""

from datetime import date, datetime
from typing import Any, cast

from sqlmodel import Session

from service.database import insert_ignoring
from service.diets.models import DayEnergy
from service.diets.queries.energies import energies
from service.diets.queries.kept import in_force_on
from service.site.queries import SiteView


def settle(session: Session, view: SiteView, day: date, *, at: datetime) -> None:
    """From now on the rations of a day by energy go by the fish that is next in use now.

    Called when a day is planned: else its need would change between plan and feed, as the
    lots that it was planned from are used up. What is settled stays. One query, and three
    for each species of a diet by energy.
    """
    species = {
        line.species
        for diets in in_force_on(session, view.id, day).values()
        for diet in diets
        if diet.prescription.by_energy
        for line in diet.prescription.lines
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
