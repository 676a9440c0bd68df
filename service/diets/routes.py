"""Diets."""

from fastapi import APIRouter

from service.animals import queries as animals
from service.diets.actions import setting
from service.diets.schemas import DietIn, DietItemOut, DietOut
from service.http.sessions import Now, WriteSession
from service.security.guard import MaySetDiet, guarded_router
from service.site import queries as sites

of_animals: APIRouter = guarded_router("/animals", "diets")
routers = (of_animals,)


@of_animals.post("/{animal}/diets", status_code=201)
def set_diet(animal: str, new: DietIn, session: WriteSession, at: Now, by: MaySetDiet) -> DietOut:
    """What an animal gets per day, from a day on."""
    diet = setting.set_diet(session, animal, new, at=at, by=by)
    found = animals.animal_by_code(session, animal, by=by)
    units = sites.view(session, found.site_id, at=at).units
    return DietOut(
        id=diet.id or 0,
        animal=found.code,
        from_day=diet.from_day,
        feeds_per_day=diet.feeds_per_day,
        items=[
            DietItemOut(species=i.species, mass=units.mass_out(i.mass.grams)) for i in new.items
        ],
        total=units.mass_out(sum(i.mass.grams for i in new.items)),
    )
