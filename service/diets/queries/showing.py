"""Diets as they are shown: what they come to now, and what is noteworthy of them."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from math import fsum

from sqlmodel import Session, col, select

from service.animals.models import Animal, AnimalGroup
from service.animals.queries import body_masses_g, memberships_between, stages_on
from service.animals.rules import Group, Sex
from service.decisions import Finding
from service.diets.queries.energies import energies
from service.diets.queries.kept import Version
from service.diets.rules import AmountBy, AmountsFor, DietStatus
from service.diets.rules.amounts import Eaters, day_grams
from service.diets.rules.season import season_mean
from service.diets.rules.usual_intake import Ration, intake_findings
from service.diets.schemas import DietItemOut, DietOut, PlannedFeedOut
from service.security.rules import Role
from service.site.queries import SiteView
from service.site.rules import finding

Kept = tuple[Version, Animal | AnimalGroup]


class Shown:
    """Diets of one site, worked out with who is there, what they weigh and the fish next in use.

    Everything is loaded once: five queries, and two for each species.
    """

    def __init__(
        self, session: Session, view: SiteView, kept: Sequence[Kept], *, at: datetime
    ) -> None:
        self.session, self.view, self.at, self.kept = session, view, at, kept
        animals = {eater.id or 0 for _, eater in kept if isinstance(eater, Animal)}
        self._members: dict[int, list[int]] = {}
        if any(isinstance(eater, AnimalGroup) for _, eater in kept):
            for stay in memberships_between(session, view.id, at, at):
                self._members.setdefault(stay.group_id, []).append(stay.animal_id)
        everybody = animals | {one for members in self._members.values() for one in members}
        self._masses = body_masses_g(session, everybody, at=at)
        species = {item.species_code for version, _ in kept for item in version.items}
        found = energies(session, view, view.day_of(at), species)
        self._kcal: Mapping[str, float] = {code: e.kcal_per_kg for code, e in found.items()}

    def diets(self, *, with_findings: bool = False) -> list[DietOut]:
        """All of them, in the order given."""
        return [self._out(*kept, with_findings=with_findings) for kept in self.kept]

    def _out(
        self, version: Version, eater: Animal | AnimalGroup, *, with_findings: bool
    ) -> DietOut:
        diet, units = version.diet, self.view.units
        grams = self.grams(version, eater)
        return DietOut(
            id=diet.id or 0,
            animal=eater.code if isinstance(eater, Animal) else None,
            group=eater.code if isinstance(eater, AnimalGroup) else None,
            from_day=diet.from_day,
            from_feed=diet.from_feed,
            total_by=AmountBy(diet.total_by) if diet.total_by else None,
            items=[
                DietItemOut(
                    species=item.species_code,
                    mass=None if grams is None else units.mass_out(grams[item.species_code]),
                    amount_by=AmountBy(item.amount_by),
                    amount=item.amount,
                    minimum=None if item.minimum_g is None else units.mass_out(item.minimum_g),
                    maximum=None if item.maximum_g is None else units.mass_out(item.maximum_g),
                    size_grade=item.size_grade,
                    substitutes=item.substitutes,
                )
                for item in version.items
            ],
            feeds_per_day=diet.feeds_per_day,
            feeds=[PlannedFeedOut.model_validate(feed) for feed in diet.feeds]
            if diet.feeds
            else None,
            season=diet.season,
            season_mean=season_mean(diet.season) if diet.season else None,
            amounts_for=AmountsFor(diet.amounts_for),
            total=None if grams is None else units.mass_out(sum(grams.values())),
            energy_kcal=None if grams is None else round(self._energy(grams), 1),
            reason=diet.reason,
            status=DietStatus(diet.status),
            recorded_at=diet.recorded_at,
            recorded_by=diet.by,
            decided_at=diet.decided_at,
            decided_by=diet.decided_by,
            decided_as=diet.decided_as,
            decision_reason=diet.decision_reason,
            findings=list(self._findings(version, eater, grams)) if with_findings else [],
        )

    def grams(self, version: Version, eater: Animal | AnimalGroup) -> dict[str, int] | None:
        """What a diet comes to now at the season's factor 1; None where nobody was weighed."""
        try:
            return day_grams(
                version.prescription, self._eaters(eater), factor=1.0, kcal_per_kg=self._kcal
            )
        except ValueError:
            return None

    def _energy(self, grams: Mapping[str, int]) -> float:
        return fsum(g / 1000 * self._kcal[species] for species, g in grams.items())

    def _animals(self, eater: Animal | AnimalGroup) -> Sequence[int]:
        if isinstance(eater, Animal):
            return [eater.id or 0]
        return self._members.get(eater.id or 0, [])

    def _eaters(self, eater: Animal | AnimalGroup) -> Eaters:
        animals = self._animals(eater)
        unnamed = eater.unnamed if isinstance(eater, AnimalGroup) else 0
        masses = tuple(self._masses[one] for one in animals if one in self._masses)
        return Eaters(len(animals) + unnamed, masses)

    def _findings(
        self, version: Version, eater: Animal | AnimalGroup, grams: Mapping[str, int] | None
    ) -> Iterator[Finding]:
        diet, eaters = version.diet, self._eaters(eater)
        if len(version.items) == 1:
            yield finding("one-fish-diet", "warn", f"only {version.items[0].species_code}")
        if diet.status == DietStatus.APPROVED and diet.decided_as == Role.MANAGER:
            yield finding(
                "diet-approval", "warn", "in force; a nutritionist or a vet has not seen it yet"
            )
        if not eaters.masses_g:
            yield finding(
                "body-mass-known",
                "warn",
                f"{eater.code} was never weighed: the diet cannot be held against its body mass",
            )
        if grams is not None and eaters.heads:
            yield from self._usual(version, eater, eaters, grams)

    def _usual(
        self,
        version: Version,
        eater: Animal | AnimalGroup,
        eaters: Eaters,
        grams: Mapping[str, int],
    ) -> Iterator[Finding]:
        """Against what is published for one animal; of a group, its first member stands for all."""
        animals = self._animals(eater)
        if not animals:
            return
        first = self.session.exec(select(Animal).where(col(Animal.id) == animals[0])).one()
        today = self.view.day_of(self.at)
        months = version.diet.season
        per_head = (season_mean(months) if months else 1.0) / eaters.heads
        masses = eaters.masses_g
        yield from intake_findings(
            Ration(
                group=Group(first.group_name),
                taxon=first.taxon,
                sex=Sex(first.sex),
                body_mass_kg=sum(masses) / len(masses) / 1000 if masses else None,
                born_on=first.born_on,
                stages=stages_on(self.session, self.view.id, today).get(first.id or 0, set()),
                kg=per_head * sum(grams.values()) / 1000,
                kcal=per_head * self._energy(grams),
            ),
            today,
        )


def shown(session: Session, view: SiteView, kept: Iterable[Kept], *, at: datetime) -> list[DietOut]:
    """Diets of one site as they are shown. Cost as `Shown`."""
    return Shown(session, view, list(kept), at=at).diets()
