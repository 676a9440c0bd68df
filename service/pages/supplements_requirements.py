"""What an animal should get of each nutrient: what is in force, set one, end one."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import quote

from fastapi import Response

from service.animals import queries as animals
from service.animals.models import Animal
from service.catalogue.rules import Basis, nutrients
from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.page import OnScreen, go_to, page_router
from service.pages.supplements_shown import fish_name, nutrient_name, unit
from service.pages.words import _
from service.security.guard import MayLook, MaySetRequirements
from service.security.rules import Action
from service.supplements.actions import requiring, showing
from service.supplements.rules import CAUTIONS, LimitOn, Mode, Per, Scope
from service.supplements.rules.steps import in_words, said
from service.supplements.schemas import RequirementEndIn, RequirementIn, RequirementInForce

router = page_router("/supplements")

PER = {
    Per.KG_FOOD: _("for each kilogram of food"),
    Per.ANIMAL_DAY: _("for the animal and day"),
    Per.KG_BODY_MASS: _("for each kilogram of body mass"),
}
MODES = {
    Mode.ADDED: _("added to the fish"),
    Mode.TOTAL: _("in fish and supplements together"),
}
LIMITS = {
    LimitOn.TOTAL: _("on fish and supplements"),
    LimitOn.ADDED: _("on what is added"),
}
BASES = {Basis.AS_FED: _("as fed"), Basis.DRY_MATTER: _("dry matter")}
WHOM = {
    Scope.ANIMAL: _("this animal"),
    Scope.GROUP: _("all animals of its kind"),
    Scope.SITE: _("all animals of the site"),
    Scope.CATALOGUE: _("what is usual, by the catalogue"),
}
UNITS = ("mg", "IU", "ug", "g")


@dataclass(frozen=True)
class RequirementShown:
    """A requirement in words."""

    number: int | None
    """None: the catalogue's, which nobody ends."""
    nutrient: str
    amount: str
    per: str
    basis: str | None
    mode: str
    whom: str
    fish: str | None
    cap: str | None
    limit: str | None
    limit_on: str
    source: str
    flag: str | None


@dataclass(frozen=True)
class RequirementsPage:
    """What the page of an animal's requirements shows."""

    code: str
    name: str
    day: date
    items: Sequence[RequirementShown]
    nutrients: Sequence[tuple[str, str]]
    units: Sequence[tuple[str, str]]
    per: Sequence[tuple[str, str]]
    modes: Sequence[tuple[str, str]]
    bases: Sequence[tuple[str, str]]
    limits: Sequence[tuple[str, str]]
    whom: Sequence[tuple[str, str]]
    replaceable: Sequence[tuple[str, str]]
    may_set: bool
    cautions: Sequence[str]


@router.get("/{animal}/requirements")
def requirements_page(animal: str, screen: OnScreen, by: MayLook) -> Response:
    """What applies to an animal today: of its own, its kind, its site, the catalogue."""
    found = animals.animal_by_code(screen.session, animal, by=by)
    screen = screen.at_site(found.site_id)
    day = screen.view.day_of(screen.at)
    items = [_shown(each) for each in showing.in_force_of(screen.session, found, day)]
    return screen.show(
        "supplements_requirements.html",
        RequirementsPage(
            code=found.code,
            name=found.name,
            day=day,
            items=items,
            nutrients=[(tag, each.name) for tag, each in nutrients().items()],
            units=[(each, unit(each)) for each in UNITS],
            per=_options(PER),
            modes=_options(MODES),
            bases=_options(BASES),
            limits=_options(LIMITS),
            whom=_options(WHOM)[:3],
            replaceable=[
                (str(each.number), f"{each.nutrient} {each.amount}")
                for each in items
                if each.number is not None
            ],
            may_set=screen.may(Action.SET_REQUIREMENTS),
            cautions=CAUTIONS[:1],
        ),
    )


@router.post("/{animal}/requirements")
def set_requirement(
    animal: str,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MaySetRequirements,
) -> Response:
    """How much of a nutrient this animal, its kind or its site should get."""
    found = animals.animal_by_code(session, animal, by=by)
    screen = screen.at_site(found.site_id)
    site = screen.view.code
    applies = _applies_to(form.text("_whom"), found, site)
    new = form.read(RequirementIn, screen.view.zone, applies_to=applies, site=site)
    requiring.set_requirement(session, new, at=at, by=by)
    said_so = screen.write.say("Set. Orders that do not fit it lapse within minutes.")
    return go_to(_address(found.code), said=said_so)


@router.post("/{animal}/requirements/{requirement}/end")
def end_requirement(
    animal: str,
    requirement: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MaySetRequirements,
) -> Response:
    """A requirement holds until a day and not longer."""
    found = animals.animal_by_code(session, animal, by=by)
    end = form.read(RequirementEndIn, screen.view.zone)
    requiring.end_requirement(session, requirement, end, at=at, by=by)
    return go_to(_address(found.code), said=screen.write.say("Ended."))


def _address(code: str) -> str:
    return f"/supplements/{quote(code, safe='')}/requirements"


def _applies_to(whom: str, animal: Animal, site: str) -> dict[str, str]:
    """Whom a requirement is for; this animal unless the form says more."""
    if whom == Scope.GROUP:
        return {"group": animal.group_name}
    return {"site": site} if whom == Scope.SITE else {"animal": animal.code}


def _options(words: Mapping[Any, str]) -> list[tuple[str, str]]:
    return [(str(key), word) for key, word in words.items()]


def _shown(each: RequirementInForce) -> RequirementShown:
    source, flag = in_words(each.source)
    counted = unit(each.unit)
    return RequirementShown(
        number=each.requirement,
        nutrient=nutrient_name(each.nutrient),
        amount=f"{said(each.amount)} {counted}",
        per=PER[each.per],
        basis=BASES[each.basis] if each.per is Per.KG_FOOD else None,
        mode=MODES[each.mode],
        whom=WHOM[each.scope],
        fish=None if each.species is None else fish_name(each.species),
        cap=None if each.cap_per_day is None else f"{said(each.cap_per_day)} {counted}",
        limit=None if each.limit is None else f"{said(each.limit)} {counted}",
        limit_on=LIMITS[each.limit_on],
        source=source,
        flag=flag,
    )
