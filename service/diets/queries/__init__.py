"""Every select of diets."""

from collections.abc import Mapping
from datetime import date

from sqlmodel import Session, col, select

from service.diets.models import Diet, DietItem


def diet_on(session: Session, animal_id: int, day: date) -> Diet | None:
    """The diet in force on a day: the latest `from`, then the latest recorded."""
    return session.exec(
        select(Diet)
        .where(col(Diet.animal_id) == animal_id, col(Diet.from_day) <= day)
        .order_by(col(Diet.from_day).desc(), col(Diet.id).desc())
        .limit(1)
    ).first()


def diet_grams(session: Session, animal_id: int, day: date) -> Mapping[str, int]:
    """Grams of each species that an animal's diet holds on a day; empty without one."""
    diet = diet_on(session, animal_id, day)
    if diet is None:
        return {}
    items = session.exec(select(DietItem).where(col(DietItem.diet_id) == diet.id)).all()
    return {item.species_code: item.grams for item in items}
