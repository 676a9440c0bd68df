"""A year at the invented place, through the same actions as everything else.

Each simulated week is one transaction; nothing is written to a table directly.
The year is thin at first (one elephant seal on herring) and grows: later animals,
species and feeds come in as the place did. The thermometers were connected two
weeks ago; what they had in their memory from before was read in then.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random

from sqlmodel import Session, col, select

from service.animals.actions import setting_up as animals
from service.animals.schemas import AnimalIn, WeightIn
from service.assays.actions.recording import record_assay
from service.assays.rules.readings import Reading
from service.assays.schemas import AssayIn, AssayValueIn
from service.assessments.actions.assessing import assess_new
from service.assessments.actions.deciding import sign
from service.assessments.queries.shown import Standing, standing
from service.assessments.rules.judging import STRICTNESS, Choice
from service.assessments.schemas import DecisionIn, LotDecisionIn
from service.catalogue import actions as catalogue
from service.catalogue.rules import Form
from service.catalogue.schemas import ProductIn
from service.database import Database
from service.demo import place
from service.demo.weather import Weather
from service.diets.actions.setting import set_diet
from service.diets.schemas import DietIn, DietItemIn
from service.excursions.actions.watching import watch
from service.excursions.models import Excursion
from service.excursions.rules import ExcursionState
from service.feeding.actions import recording as feeding
from service.feeding.rules import Appetite
from service.feeding.schemas import FeedIn, FeedItemIn
from service.ledger.actions import stock
from service.ledger.schemas import CountIn
from service.probes.actions import setting_up as probes
from service.probes.schemas import ProbeIn
from service.quantities import Mass, Temperature, parse_mass, parse_temperature
from service.receiving.actions import arriving as receiving
from service.receiving.schemas import DeliveryIn, LotIn
from service.security import users
from service.security.actor import Actor
from service.security.transactions import transaction
from service.site import actions as site
from service.site import queries as sites
from service.temperatures.actions import storing
from service.thawing.actions import pulling, tending
from service.thawing.schemas import DiscardIn, PullIn

DAY = timedelta(days=1)
ORDER_BELOW_DAYS, ORDER_DAYS = 14, 45
TWO_FEEDS_SINCE_DAYS = 7
CONNECTED_DAYS = 14
DAYS_AT_ONCE = 7
MONTH_DAYS = 30
LABORATORY = "Quayside laboratory"


@dataclass
class Loaded:
    """How much was loaded, and the tokens of the people."""

    tokens: dict[str, str] = field(default_factory=dict)
    deliveries: int = 0
    lots: int = 0
    readings: int = 0
    pulls: int = 0
    feeds: int = 0
    assays: int = 0
    counts: int = 0
    excursions: int = 0


@dataclass
class _Shelf:
    """What is left of a lot in its freezer, as the house itself keeps track."""

    lot: str
    grams: int


@dataclass
class _Bucket:
    """What is left of a thaw batch today."""

    batch: str
    grams: int


Buckets = dict[str, list[_Bucket]]


class Year:
    """Loads the year before `now`, day by day. Deterministic for one `now`."""

    def __init__(self, database: Database, now: datetime) -> None:
        self._database, self._now = database, now
        self._random = Random(7)
        self.weather = Weather(now)
        self.midnight = self.weather.midnight
        self.loaded = Loaded()
        self._people: dict[str, Actor] = {}
        self._shelves: dict[str, list[_Shelf]] = {species: [] for species in place.PRODUCT_OF}
        self._buckets: Buckets = {}
        self.read_until = self.midnight - place.HISTORY_DAYS * DAY

    def load(self) -> Iterator[int]:
        """Load everything; yields after each day how many days are done."""
        begun = self.read_until
        with transaction(self._database.writer) as session:
            self._set_up(session, begun)
        for first in range(place.HISTORY_DAYS, 0, -DAYS_AT_ONCE):
            with transaction(self._database.writer) as session:
                # A session forgets what nobody holds; the site is asked for all day long.
                kept = sites.sites(session, by=self._by(place.MANAGER))
                for days_ago in range(first, max(0, first - DAYS_AT_ONCE), -1):
                    self._day(session, days_ago)
                    yield place.HISTORY_DAYS - days_ago + 1
                del kept
        with transaction(self._database.writer) as session:
            self._today(session)

    def _by(self, person: place.Person) -> Actor:
        return self._people[person.name]

    def _set_up(self, session: Session, at: datetime) -> None:
        for person in place.PEOPLE:
            user = users.add_user(session, person.name, person.role, at=at)
            self._people[person.name] = Actor(user.id or 0, user.name, person.role)
            self.loaded.tokens[person.name] = users.issue_token(session, user, at=at)
        by = self._by(place.MANAGER)
        code = sites.site_or_only(session, None, by=by).code
        site.change_site(session, code, place.SITE, if_match=None, at=at, by=by)
        for room in place.PLACES:
            site.add_place(session, room, at=at, by=by)
        for supplier in place.SUPPLIERS:
            catalogue.add_supplier(session, supplier, at=at, by=by)
        for product in place.PRODUCTS:
            catalogue.add_product(session, product, at=at, by=by)
        for supplement in place.SUPPLEMENT_PRODUCTS:
            catalogue.add_supplement_product(session, supplement, at=at, by=by)

    def _day(self, session: Session, days_ago: int) -> None:
        """One day from midnight: people and animals come, fish is fed, bought, pulled."""
        begins = self.midnight - days_ago * DAY
        self._newcomers(session, days_ago, begins + timedelta(hours=8))
        self._feed_all(session, days_ago, begins + timedelta(hours=9))
        self._buy(session, days_ago, begins + timedelta(hours=9, minutes=40))
        if days_ago % MONTH_DAYS == 5:
            self._count(session, begins + timedelta(hours=14))
            self._weigh(session, days_ago, begins + timedelta(hours=14))
        self._throw_away(session, begins + timedelta(hours=16))
        if days_ago > 1:  # the last one before now is timed by the clock
            self._pull_all(session, place.need(days_ago - 1), begins + timedelta(hours=16.5))
        if days_ago == CONNECTED_DAYS:
            self._connect(session, begins)
        if days_ago <= CONNECTED_DAYS:
            self._read(session, begins + DAY)

    def _newcomers(self, session: Session, days_ago: int, at: datetime) -> None:
        for animal in place.ANIMALS:
            begins = [diet for diet in animal.diets if diet.days_ago == days_ago]
            if not begins:
                continue
            if begins[0] is animal.diets[0]:
                self._welcome(session, animal, at)
            items = [
                DietItemIn(species=species, mass=_mass(grams))
                for species, grams in begins[0].grams.items()
            ]
            diet = DietIn(from_day=at.date(), items=items, feeds_per_day=2)
            set_diet(session, animal.code, diet, at=at, by=self._by(place.NUTRITIONIST))

    def _welcome(self, session: Session, animal: place.Animal, at: datetime) -> None:
        new = AnimalIn(
            code=animal.code,
            name=animal.code.title(),
            taxon=animal.taxon,
            group=animal.group,
            sex=animal.sex,
            born_on=(at - animal.age_years * 365.25 * DAY).date(),
        )
        animals.add_animal(session, new, at=at, by=self._by(place.KEEPER))
        weight = WeightIn(mass=_mass(animal.body_g))
        animals.weigh(session, animal.code, weight, at=at, by=self._by(place.KEEPER))

    def _weigh(self, session: Session, days_ago: int, at: datetime) -> None:
        for animal in place.ANIMALS:
            if animal.fed(days_ago):
                grams = round(animal.body_g * self._random.uniform(0.97, 1.03), -2)
                weight = WeightIn(mass=_mass(grams))
                animals.weigh(session, animal.code, weight, at=at, by=self._by(place.KEEPER))

    def _buy(self, session: Session, days_ago: int, at: datetime) -> None:
        """A delivery of every species that would run short within a fortnight."""
        soon = place.need(max(1, days_ago - 2))
        for species, grams in soon.items():
            if sum(s.grams for s in self._shelves[species]) < grams * ORDER_BELOW_DAYS:
                self._receive(session, place.PRODUCT_OF[species], grams * ORDER_DAYS, at)

    def _receive(self, session: Session, product: ProductIn, grams: int, at: datetime) -> None:
        caught = (at - self._random.randint(12, 17) * DAY).date()
        line = LotIn(
            product=product.code,
            place=place.FREEZER_OF[product.species],
            supplier_lot=f"{product.supplier[0]}{self._random.randint(1000, 9999)}",
            caught_from=caught,
            caught_to=caught + DAY,
            frozen_on=caught + 2 * DAY,
            cartons=-(-grams // product.carton_mass.grams),
            core_temperatures=[self._core() for _ in range(3)],
        )
        delivery = DeliveryIn(
            supplier=product.supplier, vehicle_temperature=self._core(), lots=[line]
        )
        _, received = receiving.receive(session, delivery, at=at, by=self._by(place.COMMISSARY))
        lot = received[0].lot
        self._shelves[product.species].append(_Shelf(lot.code, lot.grams))
        self.loaded.deliveries += 1
        self.loaded.lots += 1
        if product.species in place.FAT_FOUND:
            self._assay(session, lot.code, product.species, at + timedelta(hours=5))

    def _core(self) -> Temperature:
        return parse_temperature(f"{self._random.uniform(-22.5, -18.6):.1f} °C")

    def _assay(self, session: Session, lot: str, species: str, at: datetime) -> None:
        middle, half = place.FAT_FOUND[species]
        fat = round(self._random.uniform(middle - half, middle + half), 1)
        # Fat takes the place of water in a fish; together about 80 % (common practice).
        found = {"FAT": fat, "WATER": round(80 - fat, 1), "PROCNT": 17.0}
        values = [
            AssayValueIn(nutrient=n, amount=Reading(a), unit="g/100g") for n, a in found.items()
        ]
        new = AssayIn(sampled_on=at.date(), laboratory=LABORATORY, values=values)
        record_assay(session, lot, new, at=at, by=self._by(place.NUTRITIONIST))
        self.loaded.assays += 1

    def _count(self, session: Session, at: datetime) -> None:
        """Loose fish is counted once a month; a few grams are always missing or over."""
        for species, shelves in self._shelves.items():
            if place.PRODUCT_OF[species].form is Form.BLOCK:
                continue
            for shelf in (s for s in shelves if s.grams > 1000):
                counted = shelf.grams + self._random.randint(-240, 60)
                order = CountIn(
                    lot=shelf.lot,
                    place=place.FREEZER_OF[species],
                    mass=_mass(counted),
                    reason="monthly count",
                )
                stock.count(session, order, at=at, by=self._by(place.COMMISSARY))
                shelf.grams = counted
                self.loaded.counts += 1

    def _pull_all(self, session: Session, need: Mapping[str, int], at: datetime) -> None:
        """Tomorrow's fish into the tank, oldest lot first."""
        self._buckets = {
            species: list(self._pull(session, species, grams, at))
            for species, grams in need.items()
        }

    def _pull(
        self, session: Session, species: str, wanted: int, at: datetime, to: str = "TANK"
    ) -> Iterator[_Bucket]:
        shelves = self._shelves[species]
        while wanted > 0:
            shelf = shelves[0]
            order = PullIn(
                lot=shelf.lot,
                from_place=place.FREEZER_OF[species],
                to_place=to,
                mass=_mass(min(wanted, shelf.grams)),
            )
            pulled = pulling.pull(session, order, at=at, by=self._by(place.KEEPER))
            grams = sum(take.grams for take in pulled.takes)
            shelf.grams -= grams
            wanted -= grams
            if shelf.grams == 0:
                shelves.pop(0)
            self.loaded.pulls += 1
            yield _Bucket(pulled.batch.batch.code, grams)

    def _feed_all(self, session: Session, days_ago: int, at: datetime) -> None:
        if not self._buckets:
            return
        shares = [(at, 1)] if days_ago > TWO_FEEDS_SINCE_DAYS else [(at, 2), (at + DAY / 4, 1)]
        given: dict[tuple[str, str], int] = {}
        for when, parts in shares:
            for animal in place.ANIMALS:
                portions = {}
                for species, grams in animal.fed(days_ago).items():
                    portions[species] = (grams - given.get((animal.code, species), 0)) // parts
                    given[animal.code, species] = portions[species]
                if portions:
                    self._feed(session, animal, portions, when)

    def _feed(
        self, session: Session, animal: place.Animal, portions: Mapping[str, int], at: datetime
    ) -> None:
        fussy = self._random.random() < 0.08
        items = []
        for species, grams in portions.items():
            for batch, offered in _pour(self._buckets[species], grams):
                left = round(offered * self._random.uniform(0.05, 0.4)) if fussy else 0
                items.append(
                    FeedItemIn(
                        thaw_batch=batch, offered=_mass(offered), eaten=_mass(offered - left)
                    )
                )
        order = FeedIn(
            animal=animal.code,
            items=items,
            appetite=Appetite.REDUCED if fussy else Appetite.NORMAL,
        )
        feeding.feed(session, order, at=at, by=self._by(place.KEEPER))
        self.loaded.feeds += 1

    def _throw_away(self, session: Session, at: datetime) -> None:
        """What whole cartons left over at the end of the day."""
        for bucket in (b for buckets in self._buckets.values() for b in buckets):
            if bucket.grams:
                order = DiscardIn(mass=_mass(bucket.grams), reason="end of the day")
                tending.discard(session, bucket.batch, order, at=at, by=self._by(place.KEEPER))
        self._buckets = {}

    def _connect(self, session: Session, at: datetime) -> None:
        """Hang the thermometers and read in what they remember, a month at a time."""
        for probe in place.HUNG:
            new = ProbeIn(code=probe.code, place=probe.place, kind=probe.kind)
            probes.add_probe(session, new, at=at, by=self._by(place.MANAGER))
        while self.read_until < at:
            self._read(session, min(at, self.read_until + MONTH_DAYS * DAY))

    def _read(self, session: Session, until: datetime) -> None:
        """Readings since the last ones, then the watch that looks at them."""
        decoded = self.weather.between(self.read_until, until)
        by = self._by(place.THERMOMETERS)
        self.loaded.readings += storing.store(session, decoded, at=until, by=by).stored
        self.loaded.excursions += watch(session, at=until)
        assess_new(session, at=until)
        self._decide(session, until)
        self.read_until = until

    def _decide(self, session: Session, at: datetime) -> None:
        """The vet looks at what an excursion that is over did, and follows the suggestion."""
        over = select(Excursion).where(col(Excursion.state) == ExcursionState.ASSESSED)
        for excursion in session.exec(over).all():
            it = standing(session, excursion, at=at)
            order = DecisionIn(
                lots=[LotDecisionIn(lot=lot, decision=_suggested(it, lot)) for lot in it.undecided],
                reason="three cartons of the outer layer cut open: hard and bright",
                corrective_action="the door closes by itself now",
            )
            sign(session, excursion.id or 0, order, at=at, by=self._by(place.VET))

    def _today(self, session: Session) -> None:
        """Just before now: a bucket that was forgotten, today's fish, the last readings."""
        list(self._pull(session, "CAP", 2400, self._now - timedelta(hours=27), to="KITCHEN"))
        self._pull_all(session, place.need(1), self._now - timedelta(hours=13.5))
        self._read(session, self._now)


def _suggested(it: Standing, lot: str) -> Choice:
    """The strictest that the figures suggest of a lot."""
    found = [fish.suggestion for group, fish in it.fish if group.lot == lot]
    return max(found, key=lambda choice: STRICTNESS[choice])


def _mass(grams: int | float) -> Mass:
    return parse_mass(f"{int(grams)} g")


def _pour(buckets: Sequence[_Bucket], grams: int) -> Iterator[tuple[str, int]]:
    """Portions from the first bucket that holds some, then from the next."""
    for bucket in buckets:
        part = min(bucket.grams, grams)
        if part:
            bucket.grams -= part
            grams -= part
            yield bucket.batch, part
