"""The whole diet of animals, against what is required and published."""

from typing import Annotated

from fastapi import APIRouter, Query

from service.http.bodies import Code, Day
from service.http.sessions import Now, ReadSession
from service.nutrition.actions import of_animal, of_many
from service.nutrition.schemas import NutritionOut, NutritionsOut
from service.security.guard import MayLook, guarded_router
from service.supplements.rules import PlanBasis

of_animals: APIRouter = guarded_router("/animals", "supplements")
nutrition: APIRouter = guarded_router("/nutrition", "supplements")
routers = (of_animals, nutrition)

OnDay = Annotated[Day | None, Query(description="Left out: today.")]


@of_animals.get("/{animal}/nutrition")
def get_nutrition(
    animal: str,
    session: ReadSession,
    at: Now,
    by: MayLook,
    day: OnDay = None,
    basis: PlanBasis = PlanBasis.DIET,
) -> NutritionOut:
    """All nutrients of an animal's day, as fed and dry matter, from fish and from supplements,
    against requirements and limits. What nobody knows is null, never zero."""
    return of_animal(session, animal, day, basis, at=at, by=by)


@nutrition.get("")
def list_nutrition(
    session: ReadSession,
    at: Now,
    by: MayLook,
    site: Annotated[Code | None, Query(description="Left out: the only one.")] = None,
    group: Annotated[Code | None, Query(description="Its members only.")] = None,
    day: OnDay = None,
    basis: PlanBasis = PlanBasis.DIET,
) -> NutritionsOut:
    """All nutrients of the day of each animal of a site or group, one row each."""
    return of_many(session, site, group, day, basis, at=at, by=by)
