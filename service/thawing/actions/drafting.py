"""Making a plan: surplus that is there first, then the oldest fish; how and where it thaws."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import tee

from sqlmodel import Session

from service.assessments.queries.taking import held_back
from service.ledger import queries as ledger
from service.ledger.rules import FreezerParcel, Take, grams_of_cartons
from service.lots import queries as lots
from service.lots.models import Lot
from service.science.thaw_table import Until
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind, Policy
from service.thawing import queries
from service.thawing.rules.choosing import Chosen, Stock, without
from service.thawing.rules.placing import Placed, Rooms, Stay
from service.thawing.rules.sharing import Shared, Spare, share
from service.thawing.rules.times import Pack, Stage, Way, thaw_time, ways
from service.thawing.rules.wanting import Part, Wanted
from service.thawing.rules.windows import Route, Window, pull_window, route
from service.thawing.schemas import HowToThaw


@dataclass(frozen=True)
class Job:
    """When and where fish must be thawed, and whether another way may be taken."""

    request: int
    place: Place
    view: SiteView
    first_feed: datetime
    last_feed: datetime
    now: datetime
    way: HowToThaw

    @property
    def kind(self) -> PlaceKind:
        """Of the place that was asked for."""
        return PlaceKind(self.place.kind)

    @property
    def policy(self) -> Policy:
        """The policy in force."""
        return self.view.policy


@dataclass(frozen=True)
class Line:
    """One pull of a plan: what is taken for which feeds, how and where it thaws."""

    number: int
    chosen: Chosen
    part: Part
    way: Way
    window: Window
    places: tuple[str, ...]
    fits: bool

    def pulled_at(self, now: datetime) -> datetime:
        """When it is taken to be pulled: as late as may be."""
        return max(self.window.not_after, now)


@dataclass(frozen=True)
class Product:
    """How a product is packed and thaws as it was asked, and what is planned for it."""

    pack: Pack
    asked: Way
    route: Route


@dataclass
class Draft:
    """A plan before it is written down."""

    lines: list[Line] = field(default_factory=list)
    shared: list[Shared] = field(default_factory=list)
    shortages: dict[str, int] = field(default_factory=dict)
    products: dict[int, Product] = field(default_factory=dict)

    @property
    def takes(self) -> list[Take]:
        """What is to be reserved."""
        return [line.chosen.take for line in self.lines]

    @property
    def kinds(self) -> list[Product]:
        """Its products, of those that are packed and thaw alike only one."""
        return list({(each.pack, each.asked): each for each in self.products.values()}.values())

    @property
    def feasible(self) -> bool:
        """Whether every product is thawed in time and lawful until the end."""
        return all(each.route.meets for each in self.products.values())

    @property
    def too_much_g(self) -> Mapping[str, int]:
        """Grams that no place of their kind has room for, by the place they are put into."""
        over: Counter[str] = Counter()
        for line in self.lines:
            if not line.fits:
                over[line.places[-1]] += line.chosen.take.grams
        return over


def draft(
    session: Session,
    job: Job,
    wanted: Sequence[Wanted],
    spares: Iterable[Spare],
    rooms: Rooms,
    *,
    first_number: int = 1,
) -> Draft:
    """Plan what is wanted. The species are locked; nothing is written.

    spares: what is left over of other requests, of usable lots. first_number: of its first
    pull. Cost: a query for each species, some ten in all beside, whatever the stock.
    """
    waiting = held_back(session, job.view, at=job.now)
    maker = _Maker(session, job, rooms, list(spares), first_number)
    stocks = {each.species: tee(_usable(session, each.species, job, waiting)) for each in wanted}
    ahead = {
        each.species: maker.look_ahead(each, Stock(stocks[each.species][0])) for each in wanted
    }
    maker.know({lot for found in ahead.values() for lot in found})
    for each in wanted:
        maker.plan(each, Stock(stocks[each.species][1]), ahead[each.species])
    return maker.made


def _usable(
    session: Session, species: str, job: Job, waiting: frozenset[int]
) -> Iterator[FreezerParcel]:
    """Fish in freezers that nobody has to decide on first, in the order of use."""
    stock = ledger.freezer_stock(
        session, species, site_id=job.view.id, now=job.now, order=job.policy.use_order
    )
    return (parcel for parcel in stock if parcel.holding.parcel_id not in waiting)


class _Maker:
    """Makes one plan, species by species."""

    def __init__(
        self, session: Session, job: Job, rooms: Rooms, spares: list[Spare], number: int
    ) -> None:
        self._session, self._job, self._rooms, self._spares = session, job, rooms, spares
        self._day = job.view.day_of(job.first_feed)
        self._number = number
        self._lots: dict[int, Lot] = {}
        self.made = Draft()

    def look_ahead(self, wanted: Wanted, stock: Stock) -> set[int]:
        """The lots that a single pull would take."""
        lots_: set[int] = set()
        for part in wanted.parts(1, self._job.first_feed, self._job.last_feed):
            _, missing = share(self._spares_of(wanted.species), part, now=self._job.now)
            chosen, _ = stock.take(missing, self._job.policy, self._day)
            lots_ |= {one.parcel.lot_id for one in chosen}
        return lots_

    def know(self, lot_ids: set[int]) -> None:
        """Find out how these lots thaw. Eight queries for any number; none for known ones."""
        job = self._job
        new = lots.lots_by_id(self._session, [id_ for id_ in lot_ids if id_ not in self._lots])
        self._lots |= new
        if not new:
            return
        packs = queries.packs_of(self._session, new.values())
        medium = queries.medium_at(self._session, job.place, job.policy, job.now)
        factors = queries.learned(self._session, job.view.id, packs, job.kind)
        for product, pack in packs.items():
            time = thaw_time(pack, medium, job.policy, learned=factors.get(product))
            asked = Way((Stage(job.kind, Until.THAWED, time),), time)
            found = route(
                asked,
                self._others(pack, asked),
                job.policy,
                form=pack.form,
                first_feed=job.first_feed,
                last_feed=job.last_feed,
                now=job.now,
            )
            self.made.products[product] = Product(pack, asked, found)

    def _others(self, pack: Pack, asked: Way) -> list[Way]:
        """Ways that may be taken instead: the site must have places for them."""
        if self._job.way is HowToThaw.AS_ASKED:
            return []
        return [
            way
            for way in other_ways(pack, asked, self._job.policy)
            if all(self._rooms.has(stage.kind) for stage in way.stages)
        ]

    def plan(self, wanted: Wanted, stock: Stock, ahead: set[int]) -> None:
        """One species, in as many pulls as its products need."""
        job = self._job
        pulls = max((self._product(lot).route.pulls for lot in ahead), default=1)
        short = 0
        for part in wanted.parts(pulls, job.first_feed, job.last_feed):
            shared, missing = share(self._spares_of(wanted.species), part, now=job.now)
            for each in shared:
                self._use(each)
            chosen, short_g = stock.take(missing, job.policy, self._day)
            short += short_g
            self.know({one.parcel.lot_id for one in chosen})
            for one in chosen:
                self._add(one, part)
        if short:
            self.made.shortages[wanted.species] = short

    def _product(self, lot_id: int) -> Product:
        return self.made.products[self._lots[lot_id].product_id]

    def _spares_of(self, species: str) -> list[Spare]:
        return [spare for spare in self._spares if spare.species == species and spare.grams]

    def _use(self, shared: Shared) -> None:
        """What is shared is left over no more, and its pull has to serve these feeds too."""
        self.made.shared.append(shared)
        spare, rest = shared.spare, shared.rest
        self._spares[self._spares.index(spare)] = rest
        if spare.request == self._job.request and rest.window is not None:
            self.made.lines = [
                replace(
                    line,
                    window=rest.window,
                    part=replace(line.part, first=rest.serves_from, last=rest.serves_until),
                )
                if line.number == spare.number
                else line
                for line in self.made.lines
            ]

    def _add(self, chosen: Chosen, part: Part) -> None:
        """A pull; several where one place has no room for all of it."""
        way = self._product(chosen.parcel.lot_id).route.way
        window = pull_window(
            way.time,
            way.kind,
            self._job.policy,
            first_feed=part.first,
            last_feed=part.last,
        )
        stays = _stays(way, max(window.not_after, self._job.now))
        units = chosen.take.cartons or chosen.take.grams
        unit_g = -(-chosen.take.grams // units)
        for placed, piece in _pieces(chosen, self._rooms.place(stays, units, unit_g)):
            line = Line(self._number, piece, part, way, window, placed.places, placed.fits)
            self.made.lines.append(line)
            self._number += 1
            if piece.surplus_g:
                self._spares.append(_spare(line, self._job.request))


def other_ways(pack: Pack, asked: Way, policy: Policy) -> list[Way]:
    """What was asked, for several pulls, and every other way."""
    others = (way for way in ways(pack, policy) if len(way.stages) > 1 or way.kind != asked.kind)
    return [asked, *others]


def _spare(line: Line, request: int) -> Spare:
    lot = line.chosen.parcel.lot
    return Spare(
        request=request,
        number=line.number,
        lot=lot.code,
        species=lot.species,
        grams=line.chosen.surplus_g,
        serves_from=line.part.first,
        serves_until=line.part.last,
        window=line.window,
    )


def _stays(way: Way, pulled: datetime) -> list[Stay]:
    """Where it is from when until when: as early as it may come, as late as it may leave."""
    stays = []
    early = late = pulled
    for stage in way.stages:
        late += timedelta(hours=stage.hours.high)
        stays.append(Stay(stage.kind, early, late))
        early += timedelta(hours=stage.hours.low)
    return stays


def _pieces(chosen: Chosen, placed: Sequence[Placed]) -> Iterator[tuple[Placed, Chosen]]:
    """A take divided among places, whole cartons where it has any; the surplus is in the last."""
    parcel, left = chosen.parcel, chosen.take
    for each in placed[:-1]:
        holding = parcel.holding
        grams, cartons = each.units, None
        if left.cartons is not None and holding.cartons is not None:
            cartons = each.units
            grams = grams_of_cartons(holding.grams, holding.cartons, cartons)
        taken = Take(left.parcel_id, grams, cartons)
        yield each, Chosen(parcel, taken)
        parcel = without(parcel, taken)
        left = Take(
            left.parcel_id,
            left.grams - grams,
            None if left.cartons is None else left.cartons - each.units,
        )
    yield placed[-1], Chosen(parcel, left, chosen.surplus_g)
