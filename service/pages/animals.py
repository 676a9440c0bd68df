"""Animals: who is here and what each has eaten today."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fastapi import Response

from service.animals import queries as animals
from service.animals.actions import setting_up
from service.animals.models import Animal
from service.animals.rules import Group, Sex, Stage, Water
from service.animals.schemas import AnimalIn
from service.diets.queries.need import shares_of
from service.feeding.queries import intake
from service.http.sessions import Now, WriteSession
from service.pages.board_cards import CONCERNS
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.words import _
from service.security.guard import MayKeepAnimals, MayLook
from service.security.rules import Action
from service.welfare.queries import looking
from service.welfare.rules import ConcernKind

router = page_router("/animals")

AT_ONCE = 48
MOST_CONCERNS = 200
GROUPS = {
    Group.PINNIPED: _("Seals and sea lions"),
    Group.CETACEAN: _("Dolphins and porpoises"),
    Group.PENGUIN: _("Penguins"),
    Group.OTTER: _("Otters"),
    Group.SEABIRD: _("Seabirds"),
    Group.OTHER: _("Others"),
}
SEXES = {Sex.FEMALE: _("female"), Sex.MALE: _("male"), Sex.UNKNOWN: _("not known")}
WATERS = {Water.SEA: _("sea water"), Water.FRESH: _("fresh water")}
STAGES = {
    Stage.NURSING: _("nursing"),
    Stage.WEANING: _("weaning"),
    Stage.PREGNANT: _("pregnant"),
    Stage.BIRTHING: _("giving birth"),
    Stage.LACTATING: _("giving milk"),
    Stage.MOULTING: _("moulting"),
    Stage.RUTTING: _("holding a territory"),
    Stage.NESTING: _("nesting"),
    Stage.CONVALESCENT: _("getting well"),
}


@dataclass(frozen=True)
class AnimalShown:
    """One animal of the list."""

    code: str
    name: str
    taxon: str
    body_mass_g: int | None
    eaten_g: int
    """Today, its shares of its group's feeds too."""
    ration_g: int | None
    """What its diet, or its share of its group's, comes to today; None without a diet."""
    fasts: bool
    stages: Sequence[Stage]
    concerns: Sequence[str]
    """What was noticed about it, each in a word or two: off food, too light."""


@dataclass(frozen=True)
class AnimalsShown:
    """The animals that are here, some at once."""

    animals: Sequence[AnimalShown]
    groups: Sequence[tuple[str, str]]
    """Codes and names of groups that are fed together."""
    here: int
    after: int | None
    """Where the next page begins."""
    may_add: bool
    stages: dict[Stage, str]


@dataclass(frozen=True)
class NewAnimal:
    """What is asked of an animal that comes."""

    groups: Sequence[tuple[str, str]]
    sexes: Sequence[tuple[str, str]]
    waters: Sequence[tuple[str, str]]
    site: str


@router.get("")
def animals_page(screen: OnScreen, by: MayLook, after: int = 0) -> Response:
    """Who is here, what each has eaten today, and who is off food. Some ten queries."""
    here = animals.present(screen.session, screen.view.id, screen.view.day_of(screen.at))
    begin = max(0, after)
    some = here[begin : begin + AT_ONCE]
    page = AnimalsShown(
        animals=_shown(screen, some),
        groups=[
            (g.code, g.name)
            for g in animals.groups(screen.session, by=screen.by)
            if g.site_id == screen.view.id
        ],
        here=len(here),
        after=begin + AT_ONCE if len(here) > begin + AT_ONCE else None,
        may_add=screen.may(Action.KEEP_ANIMALS),
        stages=STAGES,
    )
    return screen.show("animals.html", page)


def _shown(screen: Screen, some: Sequence[Animal]) -> list[AnimalShown]:
    session, view, at = screen.session, screen.view, screen.at
    today = view.day_of(at)
    ids = [animal.id or 0 for animal in some]
    masses = animals.body_masses_g(session, ids, at=at)
    eaten = intake.lots_eaten_on(session, ids, today)
    rations = shares_of(session, view, today, some) if some else {}
    fasts = animals.fasts_on(session, view.id, today)
    stages = animals.stages_on(session, view.id, today)
    concerns = _concerns(screen)
    return [
        AnimalShown(
            code=animal.code,
            name=animal.name,
            taxon=animal.taxon,
            body_mass_g=masses.get(id_),
            eaten_g=sum(lot.eaten_g for lot in eaten.get(id_, ())),
            ration_g=sum(s.grams for s in rations[id_]) if id_ in rations else None,
            fasts=id_ in fasts,
            stages=sorted(stages.get(id_, ())),
            concerns=concerns.get(animal.code, ()),
        )
        for animal, id_ in zip(some, ids, strict=True)
    ]


def _concerns(screen: Screen) -> Mapping[str, Sequence[str]]:
    """What was noticed and is not over, by animal."""
    rows = looking.concerns(
        screen.session,
        [screen.view.id],
        animal_id=None,
        over=False,
        limit=MOST_CONCERNS,
        before_id=None,
    )
    found: dict[str, list[str]] = {}
    for row, code, _group in rows:
        if code is not None:
            found.setdefault(code, []).append(screen.write.say(CONCERNS[ConcernKind(row.kind)]))
    return found


@router.get("/new")
def new_animal(screen: OnScreen, by: MayKeepAnimals) -> Response:
    """Somebody has come."""
    page = NewAnimal(
        groups=list(GROUPS.items()),
        sexes=list(SEXES.items()),
        waters=list(WATERS.items()),
        site=screen.site.code,
    )
    return screen.show("animals_new.html", page)


@router.post("/new")
def add_animal(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayKeepAnimals
) -> Response:
    """An animal that is fed by name."""
    order = form.read(AnimalIn, screen.view.zone)
    animal = setting_up.add_animal(session, order, at=at, by=by)
    said = screen.write.say("%(name)s is known now. Next: body mass and diet.", name=animal.name)
    return go_to(f"/animals/{animal.code}", said=said)
