"""Setting a diet."""

from datetime import datetime

from sqlmodel import Session

from service.animals import queries as animals
from service.catalogue.queries import species_by_code
from service.diets.models import Diet, DietItem
from service.diets.schemas import DietIn
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites


def set_diet(session: Session, code: str, new: DietIn, *, at: datetime, by: Actor) -> Diet:
    """A diet from a day on; older ones stay as they were. Raises NotFound for a species."""
    animal = animals.animal_by_code(session, code, by=by)
    for number, item in enumerate(new.items):
        species_by_code(session, item.species, field=f"items.{number}.species")
    assert animal.id is not None
    sites.happened_at(session, animal.site_id, new.occurred_at, now=at)
    diet = Diet(
        animal_id=animal.id,
        from_day=new.from_day,
        feeds_per_day=new.feeds_per_day,
        recorded_at=at,
        by=by.name,
    )
    session.add(diet)
    session.flush()
    assert diet.id is not None
    session.add_all(
        DietItem(diet_id=diet.id, species_code=item.species, grams=item.mass.grams)
        for item in new.items
    )
    session.flush()
    audit.note(
        session,
        by,
        "diet set",
        animal.code,
        at=at,
        site_id=animal.site_id,
        after={item.species: item.mass.grams for item in new.items},
        detail={"from": str(new.from_day)},
    )
    return diet
