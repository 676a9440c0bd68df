"""What feeds name: who was fed, at which site, from which thaw batches, when."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal, AnimalGroup
from service.catalogue.queries import lock_species
from service.errors import Conflict, Invalid, NotFound
from service.feeding import queries
from service.feeding.rules import Portion
from service.feeding.schemas import FeedIn, FeedItemIn
from service.http.bodies import WIDEST_SKEW, instant_of, refuse_future
from service.ledger.rules import Batch
from service.lots import queries as lots
from service.lots.models import Lot
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView

ELSEWHERE = "who was fed and the fish belong to different sites"


@dataclass(frozen=True)
class Said:
    """A feed as it was sent, and where it stands in what was sent."""

    feed: FeedIn
    field: str = ""


@dataclass(frozen=True)
class Eater:
    """Who was fed: an animal; or a group, so many of it, and who may have been among them."""

    animal: Animal | None = None
    group: AnimalGroup | None = None
    present: int | None = None
    shared_by: tuple[int, ...] = ()

    @property
    def parts(self) -> int:
        """Into how many even parts a group's feed is shared."""
        return max(self.present or 1, len(self.shared_by))

    def __str__(self) -> str:
        if self.animal is not None:
            return f"animal {self.animal.code}"
        return f"group {self.group.code}" if self.group is not None else "the public"


@dataclass(frozen=True)
class Order:
    """A feed that was sent, with all that it names."""

    said: FeedIn
    field: str
    eater: Eater
    items: tuple[tuple[str, Portion], ...]
    occurred_at: datetime
    view: SiteView
    corrected: timedelta


@dataclass(frozen=True)
class Named:
    """Feeds of one site with all that they name; their species are locked."""

    view: SiteView
    orders: tuple[Order, ...]
    batches: Mapping[str, Batch]
    lots: Mapping[int, Lot]


def name(
    session: Session, feeds: Sequence[Said], *, clock: timedelta, at: datetime, by: Actor
) -> Named:
    """Look up what feeds name, and lock the species of their fish.

    clock : what has to be added to instants that the sender said, by its own clock. Raises
    NotFound naming the field, Invalid for the future, and Conflict `another-site`.
    Cost: some ten queries for any number of feeds, and two for each group and instant.
    """
    for said in feeds:
        _refuse_future(said, clock, at)
    found = _Found(session, feeds, by)
    site_id = found.site_id()
    lot_of = lots.lots_by_id(session, [batch.lot_id for batch in found.batches.values()])
    lock_species(session, {lot.species_code for lot in lot_of.values()})
    now = sites.view(session, site_id, at=at)
    if abs(clock) <= now.policy.skew:
        clock = timedelta()
    instants = [_instant(said, clock, now, at) for said in feeds]
    views = _views(session, now, instants, at)
    per_kg = _per_kg(session, feeds, lot_of.values())
    orders = tuple(
        Order(
            said=said.feed,
            field=said.field,
            eater=found.eater(said, instant),
            items=tuple(
                (item.thaw_batch, _portion(said, number, item, found.batches, lot_of, per_kg))
                for number, item in enumerate(said.feed.items)
            ),
            occurred_at=instant,
            view=views[instant],
            corrected=clock if said.feed.occurred_at is not None else timedelta(),
        )
        for said, instant in zip(feeds, instants, strict=True)
    )
    return Named(now, orders, found.batches, lot_of)


def _refuse_future(said: Said, clock: timedelta, at: datetime) -> None:
    instant = said.feed.occurred_at
    if instant is not None:
        # By which clock it is judged is known later: it may be right by either.
        earliest = min(instant, instant + clock)
        refuse_future(earliest, now=at, skew=WIDEST_SKEW, field=f"{said.field}occurred_at")


def _instant(said: Said, clock: timedelta, now: SiteView, at: datetime) -> datetime:
    instant = said.feed.occurred_at
    if instant is None:
        return at
    refuse_future(instant + clock, now=at, skew=now.policy.skew, field=f"{said.field}occurred_at")
    return instant_of(instant + clock, now=at, skew=now.policy.skew)


def _views(
    session: Session, now: SiteView, instants: Sequence[datetime], at: datetime
) -> dict[datetime, SiteView]:
    """The site by the policy in force at each instant. Versions follow one another, so where
    the first instant has the present one, all have."""
    different = {instant for instant in instants if instant != at}
    if not different:
        return {at: now}
    first = sites.view(session, now.id, at=min(different))
    if first.policy_version == now.policy_version:
        return dict.fromkeys([at, *different], now)
    return {at: now} | {each: sites.view(session, now.id, at=each) for each in different}


class _Found:
    """What feeds name, by code. Four queries, and two for each group and instant."""

    def __init__(self, session: Session, feeds: Sequence[Said], by: Actor) -> None:
        self._session = session
        named = {code for said in feeds for code in (said.feed.animal, *(said.feed.animals or ()))}
        self._animals = queries.animals_by_code(session, [code for code in named if code])
        self._groups: dict[str, AnimalGroup] = {}
        self._members: dict[tuple[str, datetime], tuple[int, ...]] = {}
        codes = {item.thaw_batch for said in feeds for item in said.feed.items}
        self.batches = queries.batches_by_code(session, codes) if codes else {}
        for said in feeds:
            self._check(said, by)
        for animal in self._animals.values():
            by.ensure_site(animal.site_id)
        for batch in self.batches.values():
            by.ensure_site(batch.site_id)

    def _check(self, said: Said, by: Actor) -> None:
        """Raise NotFound naming the first field that nothing is called by."""
        feed, field = said.feed, said.field
        if feed.animal is not None and feed.animal not in self._animals:
            raise NotFound.of("animal", feed.animal, f"{field}animal")
        if feed.group is not None and feed.group not in self._groups:
            self._groups[feed.group] = animals.group_by_code(
                self._session, feed.group, by=by, field=f"{field}group"
            )
        for number, code in enumerate(feed.animals or ()):
            if code not in self._animals:
                raise NotFound.of("animal", code, f"{field}animals.{number}")
        for number, item in enumerate(feed.items):
            if item.thaw_batch not in self.batches:
                where = f"{field}items.{number}.thaw_batch"
                raise NotFound.of("thaw batch", item.thaw_batch, where)

    def site_id(self) -> int:
        """The one site of all of it."""
        site_ids = {animal.site_id for animal in self._animals.values()}
        site_ids |= {group.site_id for group in self._groups.values()}
        site_ids |= {batch.site_id for batch in self.batches.values()}
        if len(site_ids) != 1:
            raise Conflict(ELSEWHERE, kind="another-site")
        return site_ids.pop()

    def eater(self, said: Said, at: datetime) -> Eater:
        """Who was fed; of a group those who were named, else all that were in it then."""
        feed = said.feed
        if feed.animal is not None:
            return Eater(animal=self._animals[feed.animal])
        if feed.group is None:
            return Eater()
        group = self._groups[feed.group]
        if feed.animals is not None:
            ids = {self._animals[code].id or 0 for code in feed.animals}
            present = len(ids)
        else:
            ids = set(self._members_of(group, at))
            present = feed.present or len(ids) + group.unnamed
        if not present:
            message = f"group {group.code} had nobody in it then: say how many were there"
            raise Invalid.at(f"{said.field}present", message)
        return Eater(group=group, present=present, shared_by=tuple(sorted(ids)))

    def _members_of(self, group: AnimalGroup, at: datetime) -> tuple[int, ...]:
        key = (group.code, at)
        if key not in self._members:
            found = animals.members(self._session, group.id or 0, at=at)
            self._members[key] = tuple(animal.id or 0 for animal in found)
        return self._members[key]


def _per_kg(session: Session, feeds: Sequence[Said], lots_: Iterable[Lot]) -> Mapping[int, float]:
    if not any(item.counted for said in feeds for item in said.feed.items):
        return {}
    return queries.fish_per_kg(session, [lot.product_id for lot in lots_])


def _portion(
    said: Said,
    number: int,
    item: FeedItemIn,
    batches: Mapping[str, Batch],
    lot_of: Mapping[int, Lot],
    per_kg: Mapping[int, float],
) -> Portion:
    if not item.counted:
        return item.portion()
    lot = lot_of[batches[item.thaw_batch].lot_id]
    fish = per_kg.get(lot.product_id)
    where = f"{said.field}items.{number}.offered_count"
    if fish is None:
        raise Invalid.at(where, f"nobody knows what a fish of lot {lot.code} weighs: give masses")
    portion = item.portion(Decimal(1000) / Decimal(str(fish)))
    if portion.offered_g == 0:
        raise Invalid.at(where, "is less than half a gram")
    return portion
