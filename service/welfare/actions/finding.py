"""Looking at all animals of a site: appetite every few minutes, intake when a day is over."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlmodel import Session

from service.animals.models import Animal, AnimalGroup
from service.animals.rules import Group
from service.site.queries import SiteView
from service.welfare.queries import looking
from service.welfare.queries.looking import Asked, Diets, Eaten, Eater, Spans
from service.welfare.rules import (
    CHANGES_MASS,
    EATS_LESS,
    FASTS,
    LONGEST_EXCEPTION,
    LOOKED_BACK,
    Concern,
    ConcernKind,
    DayEaten,
    FedOnce,
    MassChange,
    Meals,
    Reason,
    appetite_limit,
    intake_low,
    last_ate,
    mass_against_intake,
    mass_change,
    off_food,
    unequal,
)

DAY = timedelta(days=1)
SAMPLED_EVERY = timedelta(days=7)  # of the diet between two weighings
_SAYS = {
    Reason.REFUSED: "it was offered fish and refused it",
    Reason.NOT_OFFERED: "it was offered nothing",
    Reason.NOT_RECORDED: "nobody has recorded a feed that was due",
}
_SAYS_LOW = {
    Reason.REFUSED: "it left the rest of what it was offered",
    Reason.NOT_OFFERED: "it was offered less than its diet",
    Reason.NOT_RECORDED: "not every feed that was due is recorded",
}


@dataclass(frozen=True)
class _Site:
    """Who is there to be looked at, and what explains a change."""

    session: Session
    view: SiteView
    at: datetime
    animals: Mapping[int, Animal]
    groups: Mapping[int, AnimalGroup]
    members: Mapping[int, set[int]]
    spans: Spans
    diets: Diets

    @property
    def today(self) -> date:
        """The site's civil day."""
        return self.view.day_of(self.at)

    def name(self, eater: Eater) -> str:
        """The code of an animal or group."""
        animal_id, group_id = eater
        if animal_id is not None:
            return self.animals[animal_id].code
        return self.groups[group_id or 0].code

    def of_group_only(self, group_id: int, diet: Mapping[Eater, Asked]) -> list[int]:
        """Members that have no diet of their own: what they were seen to eat is the group's."""
        return [a for a in self.members.get(group_id, ()) if (a, None) not in diet]


def _site(session: Session, view: SiteView, at: datetime, looked_back: timedelta) -> _Site:
    """Five queries."""
    today = view.day_of(at)
    return _Site(
        session,
        view,
        at,
        looking.present(session, view.id, today),
        looking.groups(session, view.id),
        looking.members(session, view, at),
        looking.spans(session, view.id, today - looked_back, today),
        Diets(session, view),
    )


def appetites(session: Session, view: SiteView, at: datetime) -> list[Concern]:
    """Who is off its food, who of those that fast is below its floor or was not weighed.

    Eight queries, and the need of three days of those who did not eat in the last one.
    """
    site = _site(session, view, at, LOOKED_BACK + LONGEST_EXCEPTION)
    return [*_off_food(site), *_floors(site)]


def _off_food(site: _Site) -> Iterator[Concern]:
    from_at = site.at - LOOKED_BACK
    fed = looking.fed(site.session, site.view.id, from_at, site.at, site.view.day_of(from_at))
    diets = Diets(site.session, site.view, _not_seen_to_eat(site, fed))
    due: dict[Eater, list[datetime]] = {}
    for back in (2, 1, 0):
        for eater, asked in diets.on(site.today - back * DAY).items():
            due.setdefault(eater, []).extend(t for t in asked.feeds if t <= site.at)
    today = diets.on(site.today)
    for eater in sorted({*fed, *due}, key=lambda each: (each[0] or 0, each[1] or 0)):
        animal = site.animals.get(eater[0] or 0)
        if not _expected(site, eater, animal):
            continue
        own = list(fed.get(eater, ()))
        kind = Group(animal.group_name) if animal else None
        if eater[1] is not None:
            alone = site.of_group_only(eater[1], today)
            own += [f for a in alone for f in fed.get((a, None), ()) if f.seen]
            own.sort(key=lambda feed: feed.at)
            kind = _kind_of_group(site, eater[1])
        meals = Meals(own, sorted(due.get(eater, ())), _fast_ended(site, eater, kind))
        limit = appetite_limit(kind, site.view.policy)
        found = off_food(meals, limit, site.view.policy, site.at)
        if found is not None:
            yield _off(site, eater, meals, *found)


def _not_seen_to_eat(site: _Site, fed: Mapping[Eater, Sequence[FedOnce]]) -> list[Eater]:
    """Whose meals must be known: not of those who ate lately, most of them on most days."""
    lately = site.at - timedelta(hours=site.view.policy.inappetence_h)
    in_groups = {animal_id for members in site.members.values() for animal_id in members}
    return [
        *((None, group_id) for group_id in site.groups),
        *(
            (animal_id, None)
            for animal_id in site.animals
            if animal_id in in_groups
            or (last_ate(fed.get((animal_id, None), ())) or lately) <= lately
        ),
    ]


def _expected(site: _Site, eater: Eater, animal: Animal | None) -> bool:
    """Whether it is here and may be expected to eat today."""
    animal_id, group_id = eater
    if animal_id is None:
        return group_id in site.groups
    if animal is None or site.spans.fast_on(animal_id, site.today):
        return False
    penguin = animal.group_name == Group.PENGUIN
    return not (penguin and site.spans.in_stage(animal_id, site.today, FASTS))


def _kind_of_group(site: _Site, group_id: int) -> Group | None:
    """A group is of penguins if all that are known by name are."""
    kinds = {
        site.animals[a].group_name for a in site.members.get(group_id, ()) if a in site.animals
    }
    return Group(kinds.pop()) if len(kinds) == 1 else None


def _fast_ended(site: _Site, eater: Eater, kind: Group | None) -> datetime | None:
    if eater[0] is None:
        return None
    stages = FASTS if kind is Group.PENGUIN else frozenset()
    day = site.spans.last_day(eater[0], site.today, stages)
    return None if day is None else site.view.end_of(day)


def _off(site: _Site, eater: Eater, meals: Meals, since: datetime, reason: Reason) -> Concern:
    hours = (site.at - since) / timedelta(hours=1)
    ate = last_ate(meals.fed)
    local = since.astimezone(site.view.zone)
    begun = "it last ate" if ate == since else "nothing eaten since"
    return Concern(
        ConcernKind.OFF_FOOD,
        since,
        f"{begun} {local:%Y-%m-%d %H:%M}, {hours:.0f} h ago; {_SAYS[reason]}",
        *eater,
        reason=reason,
        numbers={"hours": round(hours, 1)},
    )


def _floors(site: _Site) -> Iterator[Concern]:
    """Fasts that have a floor: what it weighed last, and whether that was lately."""
    fasting = {
        animal_id: fast
        for animal_id in site.animals
        if (fast := site.spans.fast_on(animal_id, site.today)) and fast.floor_g
    }
    weighed = looking.weights(site.session, site.view.id, site.at) if fasting else {}
    within = timedelta(days=site.view.policy.fast_weighing_days)
    for animal_id, fast in fasting.items():
        newest = weighed.get(animal_id, ())[-1:]
        begun = site.view.start_of(fast.from_day)
        if newest and newest[0].grams < (fast.floor_g or 0):
            yield Concern(
                ConcernKind.WEIGHT_FLOOR,
                newest[0].at,
                f"it weighs {_mass(site, newest[0].grams)}, below the floor of "
                f"{_mass(site, fast.floor_g or 0)} of its fast ({fast.reason}, "
                f"ordered by {fast.ordered_by})",
                animal_id,
                numbers={"weight_g": newest[0].grams, "floor_g": fast.floor_g or 0},
            )
        known_at = max([begun, *(w.at for w in newest)])
        if site.at - known_at > within:
            yield Concern(
                ConcernKind.NOT_WEIGHED,
                known_at,
                f"it fasts down to {_mass(site, fast.floor_g or 0)} and was not weighed for "
                f"{(site.at - known_at).days} days",
                animal_id,
            )


def _mass(site: _Site, grams: float) -> str:
    out = site.view.units.mass_out(round(grams))
    return f"{out.value:g} {out.unit}"


def intakes(session: Session, view: SiteView, at: datetime) -> list[Concern]:
    """Who eats too little, whose mass does not go with what it eats, who gets less than others.

    Days that are over; today is not. Twelve queries and the need of some days, of ten more
    where a body mass has changed.
    """
    site = _site(session, view, at, timedelta(days=62) + LONGEST_EXCEPTION)
    days = [site.today - back * DAY for back in range(int(view.policy.intake_low_days), 0, -1)]
    eaten = looking.eaten(session, view.id, site.today - timedelta(days=61), days[-1])
    recent = _recent(site, days, eaten)
    low = list(_low(site, recent))
    told = {concern.animal_id for concern in low}
    return [
        *low,
        *_masses(site, eaten),
        *(c for c in _shares(site, days, eaten) if c.animal_id not in told),
    ]


def _recent(
    site: _Site, days: list[date], eaten: Mapping[tuple[Eater, date], Eaten]
) -> Mapping[Eater, list[DayEaten]]:
    """The last days of everybody who had a diet on all of them."""
    counted = looking.feeds_recorded(site.session, site.view.id, days[0], days[-1])
    asked = [site.diets.on(day) for day in days]
    return {
        eater: [
            _day(site, eater, day, diet, eaten, counted)
            for day, diet in zip(days, asked, strict=True)
        ]
        for eater in asked[-1]
        if all(eater in diet for diet in asked) and (eater[0] is None or eater[0] in site.animals)
    }


def _day(
    site: _Site,
    eater: Eater,
    day: date,
    diet: Mapping[Eater, Asked],
    eaten: Mapping[tuple[Eater, date], Eaten],
    counted: Mapping[tuple[Eater, date], int],
) -> DayEaten:
    animal_id, group_id = eater
    mine = eaten.get((eater, day), Eaten())
    eaten_g, left_g, feeds = mine.eaten_g, mine.left_g, counted.get((eater, day), 0)
    for member in site.of_group_only(group_id, diet) if group_id is not None else ():
        alone = eaten.get(((member, None), day), Eaten())
        eaten_g += alone.seen_g
        feeds += counted.get(((member, None), day), 0)
    return DayEaten(
        day,
        diet[eater].grams,
        eaten_g,
        left_g,
        feeds,
        len(diet[eater].feeds),
        excepted=animal_id is not None
        and (
            site.spans.fast_on(animal_id, day) is not None
            or site.spans.in_stage(animal_id, day, EATS_LESS)
        ),
    )


def _low(site: _Site, recent: Mapping[Eater, list[DayEaten]]) -> Iterator[Concern]:
    percent = site.view.policy.intake_low_percent
    for eater, days in recent.items():
        reason = intake_low(days, percent)
        if reason is None:
            continue
        shares = ", ".join(f"{100 * day.share:.0f}" for day in days)
        yield Concern(
            ConcernKind.INTAKE_LOW,
            site.view.start_of(days[0].day),
            f"it ate {shares} % of its diet on the last {len(days)} days; {_SAYS_LOW[reason]}",
            *eater,
            reason=reason,
            numbers={"least_percent": round(100 * min(day.share for day in days), 1)},
        )


def _masses(site: _Site, eaten: Mapping[tuple[Eater, date], Eaten]) -> Iterator[Concern]:
    policy = site.view.policy
    for animal_id, weighed in looking.weights(site.session, site.view.id, site.at).items():
        change = mass_change(weighed, site.at) if animal_id in site.animals else None
        if change is None or 100 * abs(change.unexpected) <= policy.mass_change_percent:
            continue
        share = _eaten_share(site, animal_id, change, eaten)
        kind = None if share is None else mass_against_intake(change, share, policy)
        if kind is not None and share is not None:
            yield _mass_concern(site, animal_id, kind, change, share)


def _eaten_share(
    site: _Site, animal_id: int, change: MassChange, eaten: Mapping[tuple[Eater, date], Eaten]
) -> float | None:
    """What it ate of its diet between two weighings; None where something explains its mass.

    The diet of each seventh day stands for the week.
    """
    first, last = site.view.day_of(change.first.at), site.view.day_of(change.last.at)
    days = [first + n * DAY for n in range((last - first).days)]
    for day in days:
        fasts = site.spans.fast_on(animal_id, day)
        if fasts or site.spans.in_stage(animal_id, day, CHANGES_MASS):
            return None
    eater = (animal_id, None)
    sampled = [site.diets.on(day).get(eater, Asked()).grams for day in days[:: SAMPLED_EVERY.days]]
    diet = sum(sampled) / len(sampled)
    if not diet:
        return None
    return sum(eaten.get((eater, day), Eaten()).eaten_g for day in days) / len(days) / diet


def _mass_concern(
    site: _Site, animal_id: int, kind: ConcernKind, change: MassChange, share: float
) -> Concern:
    percent, since = 100 * change.change, change.first.at.astimezone(site.view.zone)
    before = ""
    if change.year_before is not None:
        before = f"; a year before it was {100 * change.year_before:+.1f} %"
    return Concern(
        kind,
        change.first.at,
        f"its mass changed by {percent:+.1f} % to {_mass(site, change.last.grams)} since "
        f"{since:%Y-%m-%d}, while it ate {100 * share:.0f} % of its diet{before}",
        animal_id,
        numbers={"change_percent": round(percent, 1), "eaten_percent": round(100 * share, 1)},
    )


def _shares(
    site: _Site, days: list[date], eaten: Mapping[tuple[Eater, date], Eaten]
) -> Iterator[Concern]:
    """Members of a group that were each seen to eat; estimated parts say nothing."""
    asked = [site.diets.on(day) for day in days]
    for group_id, members in site.members.items():
        shares: dict[int, float] = {}
        for animal_id in members & site.animals.keys():
            grams = sum(eaten.get(((animal_id, None), d), Eaten()).seen_g for d in days)
            diet = sum(diet.get((animal_id, None), Asked()).grams for diet in asked)
            excepted = any(
                site.spans.fast_on(animal_id, d) or site.spans.in_stage(animal_id, d, EATS_LESS)
                for d in days
            )
            if grams and not excepted:
                shares[animal_id] = grams / diet if diet else float(grams)
        mixed = {bool(sum(d.get((a, None), Asked()).grams for d in asked)) for a in shares}
        if len(mixed) > 1:  # a share of a diet and grams do not compare
            continue
        for animal_id, part in unequal(shares, site.view.policy.unequal_share_percent):
            yield Concern(
                ConcernKind.UNEQUAL_SHARE,
                site.view.start_of(days[0]),
                f"over {len(days)} days it was seen to get {100 * part:.0f} % of what the others "
                f"of {site.groups[group_id].code} got",
                animal_id,
                numbers={"percent_of_others": round(100 * part, 1)},
            )
