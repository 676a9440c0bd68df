"""Diets, the need of a day, substitutions."""

from fastapi import APIRouter
from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal, AnimalGroup
from service.diets.actions import setting, substituting
from service.diets.models import DaySubstitution
from service.diets.queries import kept
from service.diets.queries.need import need_of
from service.diets.queries.showing import Kept, Shown, shown
from service.diets.rules import DietStatus
from service.diets.rules.substituting import cautions
from service.diets.schemas import (
    ApprovalIn,
    DietIn,
    DietOut,
    NeedOut,
    PortionOut,
    RefusalIn,
    SpeciesMass,
    SubstitutionIn,
    SubstitutionOut,
    WithdrawalIn,
)
from service.http.bodies import (
    LARGEST_NUMBER,
    Code,
    Cursor,
    Day,
    Limit,
    Number,
    Page,
    decode_cursor,
    encode_cursor,
)
from service.http.sessions import Now, ReadSession, WriteSession
from service.quantities import Units
from service.security.guard import (
    MayLook,
    MayProposeDiet,
    MaySetDiet,
    MaySubstitute,
    guarded_router,
)
from service.site import queries as sites

of_animals: APIRouter = guarded_router("/animals", "diets")
of_groups: APIRouter = guarded_router("/groups", "diets")
diets: APIRouter = guarded_router("/diets", "diets")
proposals: APIRouter = guarded_router("/diet-proposals", "diets")
need: APIRouter = guarded_router("/need", "diets")
substitutions: APIRouter = guarded_router("/substitutions", "diets")
routers = (of_animals, of_groups, diets, proposals, need, substitutions)


@of_animals.post("/{animal}/diets", status_code=201)
def set_diet(animal: str, new: DietIn, session: WriteSession, at: Now, by: MaySetDiet) -> DietOut:
    """What an animal gets per day, from a day on."""
    found = animals.animal_by_code(session, animal, by=by)
    version = setting.record(session, found, new, DietStatus.APPROVED, at=at, by=by)
    return _diet(session, (version, found), at=at)


@of_groups.post("/{group}/diets", status_code=201)
def set_group_diet(
    group: str, new: DietIn, session: WriteSession, at: Now, by: MaySetDiet
) -> DietOut:
    """What a group gets per day, for each animal present or for all together.

    An animal with a diet of its own does not count among those present.
    """
    found = animals.group_by_code(session, group, by=by)
    version = setting.record(session, found, new, DietStatus.APPROVED, at=at, by=by)
    return _diet(session, (version, found), at=at)


@of_animals.post("/{animal}/diet-proposals", status_code=201)
def propose_diet(
    animal: str, new: DietIn, session: WriteSession, at: Now, by: MayProposeDiet
) -> DietOut:
    """A diet that waits for a nutritionist, vet or manager."""
    found = animals.animal_by_code(session, animal, by=by)
    version = setting.record(session, found, new, DietStatus.PROPOSED, at=at, by=by)
    return _diet(session, (version, found), at=at)


@of_groups.post("/{group}/diet-proposals", status_code=201)
def propose_group_diet(
    group: str, new: DietIn, session: WriteSession, at: Now, by: MayProposeDiet
) -> DietOut:
    """A diet of a group that waits for a nutritionist, vet or manager."""
    found = animals.group_by_code(session, group, by=by)
    version = setting.record(session, found, new, DietStatus.PROPOSED, at=at, by=by)
    return _diet(session, (version, found), at=at)


@of_animals.get("/{animal}/diets")
def list_diets(
    animal: str,
    session: ReadSession,
    at: Now,
    by: MayLook,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[DietOut]:
    """The diets of an animal with their reasons, the latest recorded first."""
    return _history(session, animals.animal_by_code(session, animal, by=by), at, limit, cursor)


@of_groups.get("/{group}/diets")
def list_group_diets(
    group: str,
    session: ReadSession,
    at: Now,
    by: MayLook,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[DietOut]:
    """The diets of a group with their reasons, the latest recorded first."""
    return _history(session, animals.group_by_code(session, group, by=by), at, limit, cursor)


@proposals.get("")
def list_proposals(session: ReadSession, at: Now, by: MayLook) -> Page[DietOut]:
    """The diets that wait for somebody to decide, oldest first."""
    items: list[DietOut] = []
    for site in sites.sites(session, by=by):
        view = sites.view_of(session, site, at=at)
        items += shown(session, view, kept.proposals(session, [view.id]), at=at)
    return Page(items=sorted(items, key=lambda diet: diet.id))


@diets.get("/{diet}")
def get_diet(diet: Number, session: ReadSession, at: Now, by: MayLook) -> DietOut:
    """One diet, with what is noteworthy of it now."""
    return _diet(session, kept.version_by_id(session, diet, by=by), at=at)


@diets.post("/{diet}/approval")
def approve(
    diet: Number, approval: ApprovalIn, session: WriteSession, at: Now, by: MaySetDiet
) -> DietOut:
    """A proposed diet counts from its day on, or from today if that has passed."""
    return _diet(session, setting.approve(session, diet, approval, at=at, by=by), at=at)


@diets.post("/{diet}/refusal")
def refuse(
    diet: Number, refusal: RefusalIn, session: WriteSession, at: Now, by: MaySetDiet
) -> DietOut:
    """A proposed diet is not to count."""
    return _diet(session, setting.refuse(session, diet, refusal, at=at, by=by), at=at)


@need.get("")
def get_need(
    session: ReadSession, at: Now, by: MayLook, day: Day | None = None, site: Code | None = None
) -> NeedOut:
    """What a day needs, feed by feed, by the diets in force; today if no day is named."""
    view = sites.view_of(session, sites.site_or_only(session, site, by=by), at=at)
    asked = day or view.day_of(at)
    found = need_of(session, view, asked)
    names = animals.codes_of(session, {(p.animal_id, p.group_id) for p in found.portions})
    total: dict[str, int] = {}
    for portion in found.portions:
        total[portion.species] = total.get(portion.species, 0) + portion.grams
    return NeedOut(
        day=asked,
        total=[
            SpeciesMass(species=s, mass=view.units.mass_out(g)) for s, g in sorted(total.items())
        ],
        items=[
            PortionOut(
                animal=names[p.animal_id, p.group_id][0],
                group=names[p.animal_id, p.group_id][1],
                present=p.heads,
                feed=p.number,
                feed_at=p.feed_at,
                kind=p.kind,
                species=p.species,
                size_grade=p.size_grade,
                mass=view.units.mass_out(p.grams),
            )
            for p in found.portions
        ],
        findings=list(found.findings),
    )


@substitutions.get("")
def list_substitutions(
    session: ReadSession, at: Now, by: MayLook, day: Day | None = None
) -> Page[SubstitutionOut]:
    """What stands in for what on a day, today if none is named; withdrawn ones too."""
    items: list[SubstitutionOut] = []
    for site in sites.sites(session, by=by):
        view = sites.view_of(session, site, at=at)
        found = kept.substitutions(session, [view.id], day or view.day_of(at))
        items += [_substitution(s, animal or group, view.units) for s, animal, group in found]
    return Page(items=items)


@substitutions.post("", status_code=201)
def substitute(
    new: SubstitutionIn, session: WriteSession, at: Now, by: MaySubstitute
) -> SubstitutionOut:
    """One fish stands in for another of the same energy, if the diet approves of it.

    The day's need, portions and supplement plans by diet hold the other fish from now on.
    """
    return _made(session, substituting.substitute(session, new, at=at, by=by), at=at)


@substitutions.post("/{substitution}/withdrawal")
def withdraw(
    substitution: Number,
    withdrawal: WithdrawalIn,
    session: WriteSession,
    at: Now,
    by: MaySubstitute,
) -> SubstitutionOut:
    """A substitution is not made after all."""
    made = substituting.withdraw(session, substitution, withdrawal, at=at, by=by)
    return _made(session, made, at=at)


def _diet(session: Session, one: Kept, *, at: Now) -> DietOut:
    view = sites.view(session, one[1].site_id, at=at)
    return Shown(session, view, [one], at=at).diets(with_findings=True)[0]


def _history(
    session: Session, eater: Animal | AnimalGroup, at: Now, limit: int, cursor: str | None
) -> Page[DietOut]:
    before = int(decode_cursor(cursor, int)[0]) if cursor else LARGEST_NUMBER
    rows = kept.history(session, eater, limit=limit + 1, before_id=before)
    view = sites.view(session, eater.site_id, at=at)
    items = shown(session, view, [(version, eater) for version in rows[:limit]], at=at)
    more = len(rows) > limit
    return Page(items=items, next=encode_cursor(items[-1].id) if more else None)


def _made(session: Session, made: DaySubstitution, *, at: Now) -> SubstitutionOut:
    units = sites.view(session, made.site_id, at=at).units
    return _substitution(made, kept.eater_of(session, made), units)


def _substitution(
    made: DaySubstitution, eater: Animal | AnimalGroup | None, units: Units
) -> SubstitutionOut:
    return SubstitutionOut(
        id=made.id or 0,
        day=made.day,
        animal=eater.code if isinstance(eater, Animal) else None,
        group=eater.code if isinstance(eater, AnimalGroup) else None,
        species=made.species_code,
        mass=units.mass_out(made.grams),
        substitute=made.substitute_code,
        substitute_mass=units.mass_out(made.substitute_g),
        energy_kcal=made.kcal,
        reason=made.reason,
        recorded_at=made.recorded_at,
        recorded_by=made.by,
        withdrawn_at=made.withdrawn_at,
        withdrawn_by=made.withdrawn_by,
        cautions=cautions(made.species_code, made.substitute_code),
    )
