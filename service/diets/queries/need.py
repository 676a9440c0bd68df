"""What a day needs: who gets what at which feed."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property

from sqlmodel import Session, col, select

from service.animals.models import Animal, AnimalGroup, GroupMembership
from service.animals.queries import body_masses_g, fasts_on, memberships_between, stages_on
from service.animals.rules import NO_FISH
from service.decisions import Finding
from service.diets.models import DaySubstitution, Diet
from service.diets.queries.energies import energies
from service.diets.queries.kept import Eater, Version, substitutions_on, versions_on
from service.diets.rules import FeedKind
from service.diets.rules.amounts import Eaters, day_grams, shared
from service.diets.rules.season import season_factor
from service.diets.rules.substituting import swapped
from service.site.queries import SiteView, view
from service.site.rules import finding


@dataclass(frozen=True)
class Portion:
    """What one animal, or one group, gets of a species at one feed of a day, whole grams.

    number: which feed of its day, from 1. heads: for how many animals it is.
    """

    animal_id: int | None
    group_id: int | None
    species: str
    grams: int
    number: int
    feed_at: datetime
    kind: FeedKind = FeedKind.MEAL
    heads: int = 1
    size_grade: str | None = None


@dataclass(frozen=True)
class DayNeed:
    """The portions of a day, and for whom nothing could be worked out."""

    portions: Sequence[Portion]
    findings: Sequence[Finding] = ()


@dataclass(frozen=True)
class PlannedFeed:
    """When a diet is fed, with which share of its day, what for."""

    at: datetime
    share: float
    kind: FeedKind


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


def diet_grams(session: Session, animal_id: int, day: date) -> Mapping[str, int]:
    """Grams of each species that an animal is to get on a day; empty without a diet.

    An animal without a diet of its own has its even share of its group's. Substitutions
    that were accepted count. Cost: grows with its group.
    """
    animal = session.get_one(Animal, animal_id)
    of_site = view(session, animal.site_id, at=datetime.combine(day, time(12), UTC))
    found = need_of(session, of_site, day, eaters=_around(session, animal_id, of_site, day))
    own = [p for p in found.portions if p.animal_id == animal_id]
    if own:
        return _by_species((p.species, p.grams) for p in own)
    if _gets_nothing(session, of_site, animal, day):
        return {}
    stays = [s for s in _stays(session, of_site, day) if s.animal_id == animal_id]
    return _by_species(
        (p.species, round(p.grams / p.heads))
        for p in found.portions
        if any(s.group_id == p.group_id and _covers(s, p.feed_at) for s in stays)
    )


def need_of(
    session: Session, view: SiteView, day: date, *, eaters: Iterable[Eater] | None = None
) -> DayNeed:
    """The portions of a day, of some eaters or of all. Cost as `portions`."""
    versions = versions_on(session, view.id, day, eaters=eaters)
    if not versions:
        return DayNeed([])
    day_ = _Day(session, view, day, versions)
    found: list[Portion] = []
    findings: list[Finding] = []
    for eater in versions:
        try:
            found += day_.portions_of(eater)
        except ValueError as error:
            findings.append(_unweighed(session, eater, str(error)))
    return DayNeed(found, findings)


def planned_feeds(view: SiteView, day: date, diet: Diet) -> list[PlannedFeed]:
    """The feeds of a diet on a day: at its times, else evenly over the site's feeding day."""
    start = view.start_of(day)
    if diet.feeds:
        planned = [
            PlannedFeed(
                datetime.combine(day, time.fromisoformat(feed["at"]), view.zone).astimezone(UTC),
                feed["share"],
                FeedKind(feed["kind"]),
            )
            for feed in diet.feeds
        ]
        return sorted(planned, key=lambda feed: feed.at)
    first = start + timedelta(hours=view.policy.feed_day_from)
    length = timedelta(hours=view.policy.feed_day_to - view.policy.feed_day_from)
    number = diet.feeds_per_day
    return [
        PlannedFeed(
            (first + length * n / max(1, number - 1)).astimezone(UTC), 1 / number, FeedKind.MEAL
        )
        for n in range(number)
    ]


class _Day:
    """A day of a site: who is there, what they weigh, what the fish holds. Loaded as needed."""

    def __init__(
        self,
        session: Session,
        view: SiteView,
        day: date,
        versions: Mapping[Eater, Sequence[Version]],
    ) -> None:
        self.session, self.view, self.day, self.versions = session, view, day, versions
        self.not_fed = _not_fed(session, view, day)

    @cached_property
    def _all(self) -> list[Version]:
        return [version for versions in self.versions.values() for version in versions]

    @cached_property
    def _members(self) -> Mapping[int, Sequence[GroupMembership]]:
        """Who was in which group, without those that have a diet of their own."""
        if all(group is None for _, group in self.versions):
            return {}
        found: dict[int, list[GroupMembership]] = {}
        for stay in _stays(self.session, self.view, self.day):
            if (stay.animal_id, None) not in self.versions:
                found.setdefault(stay.group_id, []).append(stay)
        return found

    @cached_property
    def _masses(self) -> Mapping[int, int]:
        if not any(version.prescription.by_body_mass for version in self._all):
            return {}
        animals = {animal for animal, _ in self.versions if animal is not None}
        members = {stay.animal_id for stays in self._members.values() for stay in stays}
        return body_masses_g(self.session, animals | members, at=self.view.end_of(self.day))

    @cached_property
    def _kcal(self) -> Mapping[str, float]:
        species = {
            item.species_code
            for version in self._all
            if version.prescription.by_energy
            for item in version.items
        }
        found = energies(self.session, self.view, self.day, species)
        return {code: energy.kcal_per_kg for code, energy in found.items()}

    @cached_property
    def _swaps(self) -> Mapping[Eater, Sequence[DaySubstitution]]:
        found: dict[Eater, list[DaySubstitution]] = {}
        for swap in substitutions_on(self.session, self.view.id, self.day):
            found.setdefault((swap.animal_id, swap.group_id), []).append(swap)
        return found

    def portions_of(self, eater: Eater) -> Iterator[Portion]:
        """What an eater gets. Raises ValueError where nobody of it was ever weighed."""
        animal_id, group_id = eater
        if animal_id in self.not_fed:
            return
        feeds = [
            (feed, heads, grams)
            for version, begin, end in self._in_force(eater)
            for feed, heads, grams in self._feeds_of(version, eater)
            if begin <= feed.at < end
        ]
        feeds.sort(key=lambda each: each[0].at)
        held = [grams for _, _, grams in feeds]
        for swap in self._swaps.get(eater, ()):
            held = swapped(
                held, swap.species_code, swap.grams, swap.substitute_code, swap.substitute_g
            )
        grades = {
            item.species_code: item.size_grade
            for version in self.versions[eater]
            for item in version.items
        }
        for number, ((feed, heads, _), grams) in enumerate(zip(feeds, held, strict=True), start=1):
            for species, portion in grams.items():
                if portion:
                    yield Portion(
                        animal_id,
                        group_id,
                        species,
                        portion,
                        number,
                        feed.at,
                        feed.kind,
                        heads,
                        grades.get(species),
                    )

    def _in_force(self, eater: Eater) -> Iterator[tuple[Version, datetime, datetime]]:
        """Each version with the part of the day that it holds for."""
        begins = [(self._begin(v), v.diet.id or 0, v) for v in self.versions[eater]]
        begins.sort(key=lambda each: each[:2])
        ends = [begin for begin, _, _ in begins[1:]] + [self.view.end_of(self.day)]
        for (begin, _, version), end in zip(begins, ends, strict=True):
            yield version, begin, end

    def _begin(self, version: Version) -> datetime:
        diet = version.diet
        if diet.from_day < self.day or diet.from_feed == 1:
            return self.view.start_of(self.day)
        return planned_feeds(self.view, self.day, diet)[diet.from_feed - 1].at

    def _feeds_of(
        self, version: Version, eater: Eater
    ) -> Iterator[tuple[PlannedFeed, int, dict[str, int]]]:
        planned = planned_feeds(self.view, self.day, version.diet)
        shares = [feed.share for feed in planned]
        worked_out: dict[Eaters, Mapping[str, Sequence[int]]] = {}
        for number, feed in enumerate(planned):
            eaters = self._eaters(eater, feed.at)
            if eaters not in worked_out:
                grams = self._grams(version, eaters)
                worked_out[eaters] = {s: shared(g, shares) for s, g in grams.items()}
            parts = worked_out[eaters]
            yield feed, eaters.heads, {species: parts[species][number] for species in parts}

    def _grams(self, version: Version, eaters: Eaters) -> dict[str, int]:
        months = version.diet.season
        factor = season_factor(months, self.day) if months else 1.0
        return day_grams(version.prescription, eaters, factor=factor, kcal_per_kg=self._kcal)

    def _eaters(self, eater: Eater, at: datetime) -> Eaters:
        animal_id, group_id = eater
        if animal_id is not None:
            return Eaters(1, tuple(self._masses[i] for i in (animal_id,) if i in self._masses))
        assert group_id is not None
        present = [
            stay.animal_id
            for stay in self._members.get(group_id, ())
            if _covers(stay, at) and stay.animal_id not in self.not_fed
        ]
        masses = tuple(self._masses[i] for i in present if i in self._masses)
        return Eaters(len(present) + self._unnamed[group_id], masses)

    @cached_property
    def _unnamed(self) -> Mapping[int, int]:
        groups = {group for _, group in self.versions if group is not None}
        statement = select(AnimalGroup).where(col(AnimalGroup.id).in_(groups))
        return {group.id or 0: group.unnamed for group in self.session.exec(statement)}


def _not_fed(session: Session, view: SiteView, day: date) -> set[int]:
    """Who fasts or is only nursed on a day. Two queries."""
    nursed = {
        animal_id
        for animal_id, stages in stages_on(session, view.id, day).items()
        if stages & NO_FISH
    }
    return nursed | set(fasts_on(session, view.id, day))


def _gets_nothing(session: Session, view: SiteView, animal: Animal, day: date) -> bool:
    gone = animal.gone_on is not None and animal.gone_on <= day
    return gone or animal.id in _not_fed(session, view, day)


def _stays(session: Session, view: SiteView, day: date) -> Sequence[GroupMembership]:
    return memberships_between(session, view.id, view.start_of(day), view.end_of(day))


def _covers(stay: GroupMembership, at: datetime) -> bool:
    return stay.from_at <= at and (stay.until_at is None or stay.until_at > at)


def _around(session: Session, animal_id: int, view: SiteView, day: date) -> set[Eater]:
    """An animal, its groups, and all that are in them: whoever has a say in its share."""
    stays = _stays(session, view, day)
    groups = {stay.group_id for stay in stays if stay.animal_id == animal_id}
    members: set[Eater] = {(stay.animal_id, None) for stay in stays if stay.group_id in groups}
    return {(animal_id, None)} | {(None, group) for group in groups} | members


def _by_species(parts: Iterable[tuple[str, int]]) -> dict[str, int]:
    total: Counter[str] = Counter()
    for species, grams in parts:
        total[species] += grams
    return dict(sorted(total.items()))


def _unweighed(session: Session, eater: Eater, why: str) -> Finding:
    animal_id, group_id = eater
    named = (
        session.get_one(Animal, animal_id)
        if animal_id is not None
        else session.get_one(AnimalGroup, group_id)
    )
    return finding("body-mass-known", "warn", f"{named.code}: {why}; nothing is planned for it")
