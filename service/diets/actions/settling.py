"""Settling what energy of fish a day goes by."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any, cast

from sqlmodel import Session

from service.database import insert_ignoring
from service.diets.models import DayEnergy
from service.diets.queries.energies import energies
from service.diets.queries.kept import Eater, InForce
from service.site.queries import SiteView


def settle(
    session: Session,
    view: SiteView,
    day: date,
    in_force: Mapping[Eater, Sequence[InForce]],
    *,
    at: datetime,
) -> None:
    """From now on the rations of a day by energy go by the fish that is next in use now.

    Called when a day is planned: else its need would change between plan and feed, as the
    lots that it was planned from are used up. What is settled stays. in_force: the day's
    diets. Three queries for each species of a diet by energy.
    """
    species = {
        line.species
        for diets in in_force.values()
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
