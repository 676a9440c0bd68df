"""What a day needs: who gets what at which feed."""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session

from service.animals.models import Animal, AnimalGroup, GroupMembership
from service.decisions import Finding
from service.diets.queries.day_of_site import DayOfSite, Portion, covers, not_fed, stays_of
from service.diets.queries.kept import Eater, InForce, in_force_on
from service.site.queries import SiteView
from service.site.rules import finding

__all__ = [
    "DayNeed",
    "Portion",
    "Share",
    "need_by",
    "need_grams",
    "need_of",
    "portions",
    "shares_of",
]


@dataclass(frozen=True)
class DayNeed:
    """The portions of a day, for whom nothing could be worked out, and who has a diet at all."""

    portions: Sequence[Portion]
    findings: Sequence[Finding] = ()
    eaters: Collection[Eater] = ()


def portions(session: Session, view: SiteView, day: date) -> Sequence[Portion]:
    """What every animal and group of a site gets on a day, feed by feed.

    Who fasts, is only nursed or is gone gets nothing. The feeds of a day add up to the diet
    to the gram. At most seven queries, and two for each species of a diet by energy.
    """
    return need_of(session, view, day).portions


def need_grams(session: Session, view: SiteView, day: date) -> Mapping[str, int]:
    """Grams of each species that a site needs on a day, by species. Cost as `portions`."""
    need: Counter[str] = Counter()
    for portion in portions(session, view, day):
        need[portion.species] += portion.grams
    return dict(sorted(need.items()))


@dataclass(frozen=True)
class Share:
    """What one animal is to get of a species at one feed of a day, alone or from its group."""

    species: str
    grams: int
    number: int
    feed_at: datetime


def shares_of(
    session: Session, view: SiteView, day: date, animals: Sequence[Animal]
) -> dict[int, list[Share]]:
    """What each of these animals of a site is to get on a day, by animal, in order of feeds.

    An animal without a diet of its own has its even share of its group's. Who gets nothing is
    not there. Queries as `portions`; of one animal the work grows with its group only.
    """
    stays = stays_of(session, view, day)
    around = _around(animals[0].id or 0, stays) if len(animals) == 1 else None
    need = need_of(session, view, day, eaters=around)
    fasting = not_fed(session, view, day)
    by_eater: dict[Eater, list[Portion]] = {}
    for portion in need.portions:
        by_eater.setdefault((portion.animal_id, portion.group_id), []).append(portion)
    found = {}
    for animal in animals:
        if animal.id in fasting or (animal.gone_on is not None and animal.gone_on <= day):
            continue
        own = (animal.id, None)
        parts = (
            by_eater.get(own, []) if own in need.eaters else _from_groups(animal, stays, by_eater)
        )
        shares = [
            Share(p.species, round(p.grams / p.heads), p.number, p.feed_at)
            for p in sorted(parts, key=lambda p: (p.feed_at, p.number))
        ]
        if shares:
            found[animal.id or 0] = shares
    return found


def _from_groups(
    animal: Animal, stays: Sequence[GroupMembership], by_eater: Mapping[Eater, Sequence[Portion]]
) -> list[Portion]:
    """The portions of the groups that an animal is in when they are fed."""
    return [
        portion
        for stay in stays
        if stay.animal_id == animal.id
        for portion in by_eater.get((None, stay.group_id), [])
        if covers(stay, portion.feed_at)
    ]


def need_of(
    session: Session, view: SiteView, day: date, *, eaters: Iterable[Eater] | None = None
) -> DayNeed:
    """The portions of a day, of some eaters or of all. Cost as `portions`."""
    return need_by(session, view, day, in_force_on(session, view.id, day, eaters=eaters))


def need_by(
    session: Session, view: SiteView, day: date, versions: Mapping[Eater, Sequence[InForce]]
) -> DayNeed:
    """The portions of a day by diets that are known."""
    if not versions:
        return DayNeed([])
    day_ = DayOfSite(session, view, day, versions)
    found: list[Portion] = []
    findings: list[Finding] = []
    for eater in versions:
        try:
            found += day_.portions_of(eater)
        except ValueError as error:
            findings.append(_unweighed(session, eater, str(error)))
    return DayNeed(found, findings, frozenset(versions))


def _around(animal_id: int, stays: Sequence[GroupMembership]) -> set[Eater]:
    """An animal, its groups, and all that are in them: whoever has a say in its share."""
    groups = {stay.group_id for stay in stays if stay.animal_id == animal_id}
    members: set[Eater] = {(stay.animal_id, None) for stay in stays if stay.group_id in groups}
    return {(animal_id, None)} | {(None, group) for group in groups} | members


def _unweighed(session: Session, eater: Eater, why: str) -> Finding:
    animal_id, group_id = eater
    named = (
        session.get_one(Animal, animal_id)
        if animal_id is not None
        else session.get_one(AnimalGroup, group_id)
    )
    return finding("body-mass-known", "warn", f"{named.code}: {why}; nothing is planned for it")
