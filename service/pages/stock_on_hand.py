"""All that is on hand of a site, lot by lot, in the order in which it must be used."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from service.assessments.queries import taking
from service.catalogue.rules import species_facts
from service.ledger import queries as ledger
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.rules import LotFacts, age_findings
from service.pages.page import Screen
from service.pages.stock_marks import LifeBar, Mark, life_bar, marks_of
from service.quality.queries.life_left import LifeLeft, life_left, life_row
from service.site.models import Place
from service.site.rules import PlaceKind

AT_ONCE = 10_000  # values in one statement


@dataclass(frozen=True)
class InPlace:
    """Grams of a lot in one place."""

    place: str
    grams: int


@dataclass(frozen=True)
class LotLine:
    """A lot in the order of use. turn: its number among its kind of fish."""

    code: str
    kind: str
    turn: int
    age_days: int | None
    grams: int
    places: Sequence[InPlace]
    life: LifeBar
    marks: Sequence[Mark]
    next: bool


@dataclass(frozen=True)
class OnHand:
    """All lots on hand of a site with their parcels.

    parcels: of each lot where they are in the arrays of `found`, the one with least life left
    first. waiting: parcels that nobody may take before an excursion is decided.
    """

    screen: Screen
    found: LifeLeft
    lots: Mapping[int, Lot]
    facts: Mapping[int, LotFacts]
    parcels: Mapping[int, Sequence[int]]
    reserved: Mapping[int, int]
    waiting: Collection[int]

    @classmethod
    def of(cls, screen: Screen) -> "OnHand":
        """Some twenty queries, whatever the stock; cost grows with what is on hand."""
        session = screen.session
        found = life_left(session, views={screen.view.id: screen.view}, now=screen.at)
        parcels: dict[int, list[int]] = defaultdict(list)
        for i in found.order.tolist():
            parcels[int(found.stock.line.lot_id[found.stock.on_hand[i]])].append(i)
        known = lots.lots_by_id(session, list(parcels))
        return cls(
            screen=screen,
            found=found,
            lots=known,
            facts=lots.facts(session, list(known.values())),
            parcels=parcels,
            reserved=_reserved(screen, found.stock.number.tolist()),
            waiting=taking.held_back(session, screen.view, at=screen.at),
        )

    @cached_property
    def in_order(self) -> Sequence[Lot]:
        """Lots by species, in each in the order of use."""
        return sorted(
            self.lots.values(),
            key=lambda lot: (species_facts()[lot.species_code].name, self._use_key(lot), lot.id),
        )

    @cached_property
    def turns(self) -> Mapping[int, int]:
        """Each lot's number in the order of its species."""
        counted: dict[str, int] = defaultdict(int)
        turns: dict[int, int] = {}
        for lot in self.in_order:
            counted[lot.species_code] += 1
            turns[lot.id or 0] = counted[lot.species_code]
        return turns

    @cached_property
    def next(self) -> Collection[int]:
        """The lots that may be pulled and that no earlier one of the same fish comes before."""
        first: dict[tuple[str, str, str | None], tuple[date, date]] = {}
        found = set()
        for lot in self.in_order:
            kind, key = (lot.species_code, lot.part, lot.size_grade), self._use_key(lot)
            if self._may_be_pulled(lot) and first.setdefault(kind, key) == key:
                found.add(lot.id or 0)
        return found

    def _use_key(self, lot: Lot) -> tuple[date, date]:
        return self.facts[lot.id or 0].use_key(self.screen.view.policy.use_order)

    def _may_be_pulled(self, lot: Lot) -> bool:
        facts = self.facts[lot.id or 0]
        if facts.held or facts.rejected or self._too_old(facts):
            return False
        stock = self.found.stock
        for i in self.parcels[lot.id or 0]:
            here = stock.on_hand[i]
            number, place = int(stock.number[i]), self.found.places[int(stock.line.place_id[here])]
            loose = place.kind == PlaceKind.FREEZER and not int(stock.line.batch_id[here])
            free = int(stock.grams[i]) > self.reserved.get(number, 0)
            if loose and free and number not in self.waiting:
                return True
        return False

    def _too_old(self, facts: LotFacts) -> bool:
        view = self.screen.view
        found = age_findings(facts, view.policy, view.day_of(self.screen.at))
        return any(finding.outcome == "block" for finding in found)

    def places_with_fish(self) -> Iterator[Place]:
        """The places of all that is on hand."""
        ids = self.found.stock.line.place_id[self.found.stock.on_hand]
        return (self.found.places[number] for number in set(ids.tolist()))

    def grams(self, lot: Lot, place: str = "") -> int:
        """On hand of a lot, in one place if it is named."""
        there = self._by_place(lot)
        return there.get(place.upper(), 0) if place else sum(there.values())

    def _by_place(self, lot: Lot) -> dict[str, int]:
        stock = self.found.stock
        there: dict[str, int] = defaultdict(int)
        for i in self.parcels[lot.id or 0]:
            place = self.found.places[int(stock.line.place_id[stock.on_hand[i]])]
            there[place.code] += int(stock.grams[i])
        return dict(there)

    def line(self, lot: Lot) -> LotLine:
        """A lot as it is shown in the list: the headline is its parcel with least life left, of
        those that are still stored: what thaws has a clock of its own."""
        number, view = lot.id or 0, self.screen.view
        worst = life_row(self.found, self._first_to_go(number), {view.id: view}, at=self.screen.at)
        facts, there = self.facts[number], self._by_place(lot)
        return LotLine(
            code=lot.code,
            kind=kind_of(lot),
            turn=self.turns[number],
            age_days=facts.age_days(view.day_of(self.screen.at)),
            grams=sum(there.values()),
            places=[InPlace(place, grams) for place, grams in there.items()],
            life=life_bar(worst.life),
            marks=self._marks(lot, worst.life.used, silent=worst.silent_since is not None),
            next=number in self.next,
        )

    def _first_to_go(self, number: int) -> int:
        stock, of_lot = self.found.stock, self.parcels[number]
        stored = (i for i in of_lot if not int(stock.line.batch_id[stock.on_hand[i]]))
        return next(stored, of_lot[0])

    def _marks(self, lot: Lot, used: float, *, silent: bool) -> Sequence[Mark]:
        facts = self.facts[lot.id or 0]
        parcels = {int(self.found.stock.number[i]) for i in self.parcels[lot.id or 0]}
        return marks_of(
            rejected=facts.rejected,
            held=facts.held,
            too_old=self._too_old(facts),
            waiting=not parcels.isdisjoint(self.waiting),
            used=used,
            next_=lot.id in self.next,
            reserved=not parcels.isdisjoint(self.reserved.keys()),
            silent=silent,
        )


def kind_of(lot: Lot) -> str:
    """What a lot is besides its species: `whole, block, 100-150`."""
    said = (lot.part, lot.form, lot.size_grade)
    return ", ".join(part.replace("_", " ") for part in said if part)


def _reserved(screen: Screen, parcels: Sequence[int]) -> dict[int, int]:
    found: dict[int, int] = {}
    for begin in range(0, len(parcels), AT_ONCE):
        some = parcels[begin : begin + AT_ONCE]
        found |= ledger.reserved_grams(screen.session, some, now=screen.at)
    return found
