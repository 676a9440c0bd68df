"""Animals and their weights."""

from fastapi import APIRouter
from sqlmodel import Session

from service.animals import actions, queries
from service.animals.models import Animal
from service.animals.rules import Group, Sex
from service.animals.schemas import AnimalIn, AnimalOut, WeightIn, WeightOut
from service.http.bodies import Page
from service.http.sessions import Now, ReadSession, WriteSession
from service.quantities import MassOut
from service.security.guard import MayKeepAnimals, MayLook, guarded_router
from service.site import queries as sites
from service.site.models import Site

router: APIRouter = guarded_router("/animals", "animals")


@router.get("")
def list_animals(session: ReadSession, by: MayLook) -> Page[AnimalOut]:
    """The animals of your sites."""
    codes = {site.id: site.code for site in sites.sites(session, by=by)}
    return Page(items=[_out(a, codes[a.site_id]) for a in queries.animals(session, by=by)])


@router.post("", status_code=201)
def add_animal(new: AnimalIn, session: WriteSession, at: Now, by: MayKeepAnimals) -> AnimalOut:
    """An animal that is fed by name."""
    animal = actions.add_animal(session, new, at=at, by=by)
    return _out(animal, _site_code(session, animal))


@router.get("/{animal}")
def get_animal(animal: str, session: ReadSession, at: Now, by: MayLook) -> AnimalOut:
    """One animal, with its newest body mass."""
    found = queries.animal_by_code(session, animal, by=by)
    view = sites.view(session, found.site_id, at=at)
    assert found.id is not None
    grams = queries.body_mass_g(session, found.id, at=at)
    return _out(found, view.code, None if grams is None else view.units.mass_out(grams))


@router.post("/{animal}/weights", status_code=201)
def weigh(
    animal: str, weighing: WeightIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> WeightOut:
    """What an animal weighed."""
    weight = actions.weigh(session, animal, weighing, at=at, by=by)
    found = queries.animal_by_code(session, animal, by=by)
    view = sites.view(session, found.site_id, at=at)
    return WeightOut(
        id=weight.id or 0,
        animal=found.code,
        occurred_at=weight.occurred_at,
        mass=view.units.mass_out(weight.grams),
    )


def _out(animal: Animal, site: str, body_mass: MassOut | None = None) -> AnimalOut:
    return AnimalOut(
        code=animal.code,
        name=animal.name,
        taxon=animal.taxon,
        group=Group(animal.group_name),
        sex=Sex(animal.sex),
        born_on=animal.born_on,
        site=site,
        body_mass=body_mass,
    )


def _site_code(session: Session, animal: Animal) -> str:
    return session.get_one(Site, animal.site_id).code
