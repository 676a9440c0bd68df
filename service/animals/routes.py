"""Animals, their groups, weights, stages of life and fasts."""

from datetime import UTC, datetime

from fastapi import APIRouter
from sqlmodel import Session

from service.animals import queries
from service.animals.actions import grouping, setting_up, staging
from service.animals.models import (
    Animal,
    AnimalGroup,
    AnimalWeight,
    Fast,
    GroupMembership,
    LifeStage,
)
from service.animals.rules import Group, Sex, Stage, Water
from service.animals.schemas import (
    AnimalIn,
    AnimalNow,
    AnimalOut,
    CountIn,
    DepartureIn,
    FastIn,
    FastOut,
    GroupIn,
    GroupNow,
    GroupOut,
    MembershipEndIn,
    MembershipIn,
    MembershipOut,
    OverIn,
    StageIn,
    StageOut,
    WaterIn,
    WeightIn,
    WeightOut,
)
from service.errors import Invalid
from service.http.bodies import (
    Cursor,
    Day,
    Limit,
    Moment,
    Number,
    Page,
    decode_cursor,
    encode_cursor,
)
from service.http.sessions import Now, ReadSession, WriteSession
from service.quantities import MassOut, Units
from service.security.guard import MayKeepAnimals, MayLook, guarded_router
from service.site import queries as sites
from service.site.models import Site

animals: APIRouter = guarded_router("/animals", "animals")
groups: APIRouter = guarded_router("/groups", "animals")
memberships: APIRouter = guarded_router("/memberships", "animals")
stages: APIRouter = guarded_router("/life-stages", "animals")
fasts: APIRouter = guarded_router("/fasts", "animals")
routers = (animals, groups, memberships, stages, fasts)


@animals.get("")
def list_animals(session: ReadSession, by: MayLook) -> Page[AnimalOut]:
    """The animals of your sites."""
    codes = {site.id: site.code for site in sites.sites(session, by=by)}
    return Page(items=[_out(a, codes[a.site_id]) for a in queries.animals(session, by=by)])


@animals.post("", status_code=201)
def add_animal(new: AnimalIn, session: WriteSession, at: Now, by: MayKeepAnimals) -> AnimalOut:
    """An animal that is fed by name."""
    animal = setting_up.add_animal(session, new, at=at, by=by)
    return _out(animal, _site_code(session, animal))


@animals.get("/{animal}")
def get_animal(animal: str, session: ReadSession, at: Now, by: MayLook) -> AnimalNow:
    """One animal: its newest body mass, its group, its stages of life, whether it fasts."""
    found = queries.animal_by_code(session, animal, by=by)
    view = sites.view(session, found.site_id, at=at)
    assert found.id is not None
    grams = queries.body_mass_g(session, found.id, at=at)
    today = view.day_of(at)
    fast = queries.fasts_on(session, view.id, today).get(found.id)
    stay = next(
        (
            m
            for m in queries.memberships_of(session, found.id)
            if m.from_at <= at and (m.until_at is None or m.until_at > at)
        ),
        None,
    )
    shown = _out(found, view.code, None if grams is None else view.units.mass_out(grams))
    return AnimalNow(
        **shown.model_dump(),
        fed_in=session.get_one(AnimalGroup, stay.group_id).code if stay else None,
        station=stay.station if stay else None,
        stages=sorted(queries.stages_on(session, view.id, today).get(found.id, ())),
        fast=_fast(fast, found, view.units) if fast else None,
    )


@animals.post("/{animal}/water")
def keep_in(
    animal: str, new: WaterIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> AnimalOut:
    """What water an animal is kept in from now on: in fresh water salt may be wanted."""
    kept = setting_up.keep_in(session, animal, new, at=at, by=by)
    return _out(kept, _site_code(session, kept))


@animals.post("/{animal}/departure")
def depart(
    animal: str, gone: DepartureIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> AnimalOut:
    """An animal died or went to another house: nothing is planned for it any more."""
    left = setting_up.depart(session, animal, gone, at=at, by=by)
    return _out(left, _site_code(session, left))


@animals.get("/{animal}/weights")
def list_weights(
    animal: str,
    session: ReadSession,
    at: Now,
    by: MayLook,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[WeightOut]:
    """What an animal weighed, newest first."""
    found = queries.animal_by_code(session, animal, by=by)
    units = sites.view(session, found.site_id, at=at).units
    rows = queries.weights(session, found.id or 0, limit=limit + 1, before=_key(cursor))
    shown = rows[:limit]
    more = len(rows) > limit
    last = shown[-1] if more else None
    return Page(
        items=[_weight(row, found, units) for row in shown],
        next=encode_cursor(last.occurred_at.isoformat(), last.id or 0) if last else None,
    )


@animals.post("/{animal}/weights", status_code=201)
def weigh(
    animal: str, weighing: WeightIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> WeightOut:
    """What an animal weighed."""
    weight = setting_up.weigh(session, animal, weighing, at=at, by=by)
    found = queries.animal_by_code(session, animal, by=by)
    return _weight(weight, found, sites.view(session, found.site_id, at=at).units)


@animals.get("/{animal}/stages")
def list_stages(animal: str, session: ReadSession, by: MayLook) -> Page[StageOut]:
    """The stages of an animal's life, newest first."""
    found = queries.animal_by_code(session, animal, by=by)
    return Page(items=[_stage(s, found) for s in queries.stages_of(session, found.id or 0)])


@animals.post("/{animal}/stages", status_code=201)
def set_stage(
    animal: str, new: StageIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> StageOut:
    """A stage of life: a nursing pup gets no fish; the others explain an unusual appetite."""
    return _stage(*staging.set_stage(session, animal, new, at=at, by=by))


@stages.post("/{stage}/end")
def end_stage(
    stage: Number, over: OverIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> StageOut:
    """A stage of life is over."""
    return _stage(*staging.end_stage(session, stage, over, at=at, by=by))


@animals.get("/{animal}/fasts")
def list_fasts(animal: str, session: ReadSession, at: Now, by: MayLook) -> Page[FastOut]:
    """The fasts of an animal, newest first."""
    found = queries.animal_by_code(session, animal, by=by)
    units = sites.view(session, found.site_id, at=at).units
    return Page(items=[_fast(f, found, units) for f in queries.fasts_of(session, found.id or 0)])


@animals.post("/{animal}/fasts", status_code=201)
def set_fast(
    animal: str, new: FastIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> FastOut:
    """Days on which an animal is not expected to eat; a vet answers for it."""
    fast, found = staging.set_fast(session, animal, new, at=at, by=by)
    return _fast(fast, found, sites.view(session, found.site_id, at=at).units)


@fasts.post("/{fast}/end")
def end_fast(
    fast: Number, over: OverIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> FastOut:
    """A fast is over: fish is planned for the animal again."""
    ended, found = staging.end_fast(session, fast, over, at=at, by=by)
    return _fast(ended, found, sites.view(session, found.site_id, at=at).units)


@fasts.get("")
def list_who_fasts(
    session: ReadSession, at: Now, by: MayLook, day: Day | None = None
) -> Page[FastOut]:
    """Who fasts on a day, today if none is named."""
    items: list[FastOut] = []
    names = {animal.id: animal for animal in queries.animals(session, by=by)}
    for site in sites.sites(session, by=by):
        view = sites.view_of(session, site, at=at)
        found = queries.fasts_on(session, view.id, day or view.day_of(at))
        items += [_fast(fast, names[id_], view.units) for id_, fast in found.items()]
    return Page(items=sorted(items, key=lambda fast: fast.animal))


@groups.get("")
def list_groups(session: ReadSession, by: MayLook) -> Page[GroupOut]:
    """The groups of your sites."""
    codes = {site.id: site.code for site in sites.sites(session, by=by)}
    return Page(items=[_group(g, codes[g.site_id]) for g in queries.groups(session, by=by)])


@groups.post("", status_code=201)
def add_group(new: GroupIn, session: WriteSession, at: Now, by: MayKeepAnimals) -> GroupOut:
    """Animals that are fed together."""
    group = grouping.add_group(session, new, at=at, by=by)
    return _group(group, session.get_one(Site, group.site_id).code)


@groups.get("/{group}")
def get_group(
    group: str, session: ReadSession, now: Now, by: MayLook, at: Moment | None = None
) -> GroupNow:
    """A group and who is in it, now or at an instant."""
    found = queries.group_by_code(session, group, by=by)
    asked = at or now
    stays = queries.stays_in(session, found.id or 0, at=asked)
    return GroupNow(
        **_group(found, session.get_one(Site, found.site_id).code).model_dump(),
        at=asked,
        present=found.unnamed + len(stays),
        members=[_membership(stay, found, animal) for animal, stay in stays],
    )


@groups.post("/{group}/count")
def count(
    group: str, counted: CountIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> GroupOut:
    """How many of a group have no record of their own: a colony as counted."""
    found = grouping.count(session, group, counted, at=at, by=by)
    return _group(found, session.get_one(Site, found.site_id).code)


@groups.post("/{group}/members", status_code=201)
def join(
    group: str, joined: MembershipIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> MembershipOut:
    """An animal joins a group and leaves the one that it was in."""
    return _membership(*grouping.join(session, group, joined, at=at, by=by))


@memberships.post("/{membership}/end")
def leave(
    membership: Number, left: MembershipEndIn, session: WriteSession, at: Now, by: MayKeepAnimals
) -> MembershipOut:
    """An animal leaves a group."""
    return _membership(*grouping.leave(session, membership, left, at=at, by=by))


def _key(cursor: str | None) -> tuple[datetime, int] | None:
    if cursor is None:
        return None
    said, id_ = decode_cursor(cursor, str, int)
    try:
        return datetime.fromisoformat(str(said)).astimezone(UTC), int(id_)
    except (ValueError, OverflowError) as error:
        raise Invalid.at("cursor", "this is not a cursor that this list has given") from error


def _out(animal: Animal, site: str, body_mass: MassOut | None = None) -> AnimalOut:
    return AnimalOut(
        code=animal.code,
        name=animal.name,
        taxon=animal.taxon,
        group=Group(animal.group_name),
        sex=Sex(animal.sex),
        born_on=animal.born_on,
        water=Water(animal.water) if animal.water else None,
        gone_on=animal.gone_on,
        site=site,
        body_mass=body_mass,
    )


def _weight(weight: AnimalWeight, animal: Animal, units: Units) -> WeightOut:
    return WeightOut(
        id=weight.id or 0,
        animal=animal.code,
        occurred_at=weight.occurred_at,
        mass=units.mass_out(weight.grams),
    )


def _stage(stage: LifeStage, animal: Animal) -> StageOut:
    return StageOut(
        id=stage.id or 0,
        animal=animal.code,
        stage=Stage(stage.stage),
        from_day=stage.from_day,
        until=stage.until_day,
        note=stage.note,
        withdrawn_at=stage.withdrawn_at,
    )


def _fast(fast: Fast, animal: Animal, units: Units) -> FastOut:
    return FastOut(
        id=fast.id or 0,
        animal=animal.code,
        from_day=fast.from_day,
        until=fast.until_day,
        reason=fast.reason,
        weight_floor=None if fast.floor_g is None else units.mass_out(fast.floor_g),
        ordered_by=fast.ordered_by,
        recorded_by=fast.by,
        withdrawn_at=fast.withdrawn_at,
    )


def _group(group: AnimalGroup, site: str) -> GroupOut:
    return GroupOut(code=group.code, name=group.name, unnamed=group.unnamed, site=site)


def _membership(stay: GroupMembership, group: AnimalGroup, animal: Animal) -> MembershipOut:
    return MembershipOut(
        id=stay.id or 0,
        group=group.code,
        animal=animal.code,
        station=stay.station,
        from_at=stay.from_at,
        until=stay.until_at,
    )


def _site_code(session: Session, animal: Animal) -> str:
    return session.get_one(Site, animal.site_id).code
