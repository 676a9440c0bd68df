"""A day of a site: its feeds, who is there, what they weigh, what the fish next in use holds."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from typing import Any

from sqlmodel import Session, col, select

from service.animals.models import AnimalGroup, GroupMembership
from service.animals.queries import body_masses_g, fasts_on, memberships_between, stages_on
from service.animals.rules import NO_FISH
from service.diets.models import DaySubstitution
from service.diets.queries.energies import energies
from service.diets.queries.kept import Eater, InForce, substitutions_on
from service.diets.rules import FeedKind
from service.diets.rules.amounts import Eaters, day_grams, shared
from service.diets.rules.season import season_factor
from service.diets.rules.substituting import swapped
from service.site.queries import SiteView


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
class PlannedFeed:
    """When a diet is fed, with which share of its day, what for."""

    at: datetime
    share: float
    kind: FeedKind


class DayOfSite:
    """The portions of a day, eater by eater. What several of them need is loaded once."""

    def __init__(
        self,
        session: Session,
        view: SiteView,
        day: date,
        diets: Mapping[Eater, Sequence[InForce]],
    ) -> None:
        self.session, self.view, self.day, self.diets = session, view, day, diets
        self.begin, self.end = view.start_of(day), view.end_of(day)
        self.not_fed = not_fed(session, view, day)
        self._planned: dict[object, Sequence[PlannedFeed]] = {}

    @cached_property
    def _all(self) -> list[InForce]:
        return [diet for diets in self.diets.values() for diet in diets]

    @cached_property
    def _members(self) -> Mapping[int, Sequence[GroupMembership]]:
        """Who was in which group, without those that have a diet of their own."""
        if all(group is None for _, group in self.diets):
            return {}
        found: dict[int, list[GroupMembership]] = {}
        for stay in stays_of(self.session, self.view, self.day):
            if (stay.animal_id, None) not in self.diets:
                found.setdefault(stay.group_id, []).append(stay)
        return found

    @cached_property
    def _unnamed(self) -> Mapping[int, int]:
        groups = {group for _, group in self.diets if group is not None}
        statement = select(AnimalGroup).where(col(AnimalGroup.id).in_(groups))
        return {group.id or 0: group.unnamed for group in self.session.exec(statement)}

    @cached_property
    def _masses(self) -> Mapping[int, int]:
        if not any(diet.prescription.by_body_mass for diet in self._all):
            return {}
        animals = {animal for animal, _ in self.diets if animal is not None}
        members = {stay.animal_id for stays in self._members.values() for stay in stays}
        return body_masses_g(self.session, animals | members, at=self.end)

    @cached_property
    def _kcal(self) -> Mapping[str, float]:
        species = {
            line.species
            for diet in self._all
            if diet.prescription.by_energy
            for line in diet.prescription.lines
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
            each
            for diet, begin, end in self._in_force(eater)
            for each in self._feeds_of(diet, eater)
            if begin <= each[0].at < end
        ]
        feeds.sort(key=lambda each: each[0].at)
        held = [grams for _, _, grams in feeds]
        for swap in self._swaps.get(eater, ()):
            held = swapped(
                held, swap.species_code, swap.grams, swap.substitute_code, swap.substitute_g
            )
        grades = {s: grade for diet in self.diets[eater] for s, grade in diet.grades.items()}
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

    def _in_force(self, eater: Eater) -> Iterator[tuple[InForce, datetime, datetime]]:
        """Each diet with the part of the day that it holds for."""
        begins = [(self._begin_of(diet), diet.id, diet) for diet in self.diets[eater]]
        begins.sort(key=lambda each: each[:2])
        ends = [begin for begin, _, _ in begins[1:]] + [self.end]
        for (begin, _, diet), end in zip(begins, ends, strict=True):
            yield diet, begin, end

    def _begin_of(self, diet: InForce) -> datetime:
        if diet.from_day < self.day or diet.from_feed == 1:
            return self.begin
        return self._feeds(diet)[diet.from_feed - 1].at

    def _feeds_of(
        self, diet: InForce, eater: Eater
    ) -> Iterator[tuple[PlannedFeed, int, dict[str, int]]]:
        """Each feed of a diet with how many eat and the grams of each species."""
        planned = self._feeds(diet)
        shares = [feed.share for feed in planned]
        worked_out: dict[Eaters, Mapping[str, Sequence[int]]] = {}
        for number, feed in enumerate(planned):
            eaters = self._eaters(eater, feed.at)
            if eaters not in worked_out:
                grams = self._grams(diet, eaters)
                worked_out[eaters] = {s: shared(g, shares) for s, g in grams.items()}
            parts = worked_out[eaters]
            yield feed, eaters.heads, {species: parts[species][number] for species in parts}

    def _feeds(self, diet: InForce) -> Sequence[PlannedFeed]:
        """At its times, else evenly over the site's feeding day. Many diets are fed alike."""
        key = (diet.feeds_per_day, str(diet.feeds))
        if key not in self._planned:
            self._planned[key] = self._timed(diet.feeds) if diet.feeds else self._even(diet)
        return self._planned[key]

    def _timed(self, feeds: Sequence[Mapping[str, Any]]) -> Sequence[PlannedFeed]:
        planned = [
            PlannedFeed(self._local(feed["at"]), feed["share"], FeedKind(feed["kind"]))
            for feed in feeds
        ]
        return sorted(planned, key=lambda feed: feed.at)

    def _local(self, clock: str) -> datetime:
        local = datetime.combine(self.day, time.fromisoformat(clock), self.view.zone)
        return local.astimezone(UTC)

    def _even(self, diet: InForce) -> Sequence[PlannedFeed]:
        policy, number = self.view.policy, diet.feeds_per_day
        first = self.begin + timedelta(hours=policy.feed_day_from)
        length = timedelta(hours=policy.feed_day_to - policy.feed_day_from)
        return [
            PlannedFeed(
                (first + length * n / max(1, number - 1)).astimezone(UTC),
                1 / number,
                FeedKind.MEAL,
            )
            for n in range(number)
        ]

    def _grams(self, diet: InForce, eaters: Eaters) -> dict[str, int]:
        factor = season_factor(diet.season, self.day) if diet.season else 1.0
        return day_grams(diet.prescription, eaters, factor=factor, kcal_per_kg=self._kcal)

    def _eaters(self, eater: Eater, at: datetime) -> Eaters:
        animal_id, group_id = eater
        if group_id is None:
            mass = self._masses.get(animal_id or 0)
            return Eaters(1, () if mass is None else (mass,))
        present = [
            stay.animal_id
            for stay in self._members.get(group_id, ())
            if covers(stay, at) and stay.animal_id not in self.not_fed
        ]
        masses = tuple(self._masses[i] for i in present if i in self._masses)
        return Eaters(len(present) + self._unnamed[group_id], masses)


def not_fed(session: Session, view: SiteView, day: date) -> set[int]:
    """Who fasts or is only nursed on a day. Two queries."""
    nursed = {
        animal_id
        for animal_id, stages in stages_on(session, view.id, day).items()
        if stages & NO_FISH
    }
    return nursed | set(fasts_on(session, view.id, day))


def stays_of(session: Session, view: SiteView, day: date) -> Sequence[GroupMembership]:
    """Who is in which group of a site at any time of a day. One query."""
    return memberships_between(session, view.id, view.start_of(day), view.end_of(day))


def covers(stay: GroupMembership, at: datetime) -> bool:
    """Whether a stay in a group holds at an instant."""
    return stay.from_at <= at and (stay.until_at is None or stay.until_at > at)
