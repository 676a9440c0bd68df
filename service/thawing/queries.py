"""Every select of thaw requests and thaw batches."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy import func, or_
from sqlalchemy import select as columns
from sqlmodel import Session, col, select

from service.catalogue import queries as catalogue
from service.catalogue.models import Product
from service.catalogue.rules import species_facts
from service.database import rows_where_in
from service.decisions import Finding
from service.errors import NotFound
from service.ledger import queries as ledger
from service.ledger.models import Parcel, Reservation, ThawBatch
from service.ledger.queries import Stay
from service.ledger.rules import Batch
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.queries import facts_of
from service.lots.rules import LotFacts, plain_supplier_lot, supplier_lot_key
from service.quality.queries.exposure import chain, measured_mean_c
from service.science.estimate import SiteFactor
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind, Policy
from service.thawing.models import (
    NOT_YET,
    SurplusShare,
    ThawForecast,
    ThawLook,
    ThawPlanChange,
    ThawRequest,
    ThawWarning,
)
from service.thawing.rules import looks as looking
from service.thawing.rules.clocks import (
    BatchState,
    ThawFacts,
    discard_after,
    stayed_refrigerated,
)
from service.thawing.rules.learning import Seen, learn
from service.thawing.rules.looks import Look, Method, Part, Thaw
from service.thawing.rules.placing import Room
from service.thawing.rules.scanning import Carton
from service.thawing.rules.times import EARLY, Medium, Pack, medium_of, pack_of
from service.thawing.rules.windows import minute_before


@dataclass(frozen=True)
class BatchView:
    """A thaw batch with its lot, its parcels' places and its clock's facts.

    lineage: its parcels, and those of the batch that it was split off from which they came.
    """

    batch: Batch
    lot: Lot
    parcels: tuple[Parcel, ...]
    places: dict[int, Place]
    pulled_g: int
    facts: ThawFacts
    forecast: ThawForecast | None = None
    looks: tuple[Look, ...] = ()
    lineage: Mapping[int, Parcel] = field(default_factory=dict)
    split_from: str | None = None

    @property
    def remaining_g(self) -> int:
        """Grams that are left of it."""
        return sum(p.grams for p in self.parcels)

    @property
    def place(self) -> Place | None:
        """Where it is now: the newest place that holds some of it."""
        holding = [p for p in self.parcels if p.grams > 0] or list(self.parcels)
        return self.places[holding[-1].place_id] if holding else None

    @property
    def state(self) -> BatchState:
        """Where it is on its way."""
        if self.remaining_g == 0:
            return BatchState.FINISHED
        return BatchState.THAWED if self.facts.thawed_at else BatchState.THAWING

    def thawed_after(self, hours: float) -> datetime:
        """The minute so many hours after it left the freezer."""
        return minute_before(self.facts.left_freezer_at + timedelta(hours=hours))

    def discard_after(self, policy: Policy) -> datetime:
        """Until when it may be fed."""
        return discard_after(self.facts, policy)

    def stays(self, at: datetime) -> list[list[Stay]]:
        """Where each of its parcels that holds fish has been since the freezer, until `at`."""
        parcels = dict(self.lineage)
        return [
            chain(parcels, parcel, at)
            for parcel in self.parcels
            if parcel.grams > 0 and parcel.opened_at <= at
        ]

    def too_warm(self, policy: Policy) -> list[Finding]:
        """What was measured of it and was too warm."""
        return looking.too_warm(self.looks, policy)


def request_by_id(session: Session, number: int, *, by: Actor, field: str) -> ThawRequest:
    """The thaw request of this number. Raises NotFound, NotAllowed at somebody else's site."""
    found = session.get(ThawRequest, number)
    if found is None:
        raise NotFound.of("thaw request", number, field)
    by.ensure_site(found.site_id)
    return found


def thawed_at(session: Session, batches: Sequence[Batch], *, at: datetime) -> dict[int, datetime]:
    """When these batches were first found thawed, as far as known at an instant. Two queries."""
    known = ledger.with_origins(session, batches)
    seen = _looks(session, list(known), {})
    found = {}
    for batch in batches:
        thawed = looking.thawed_at(_line_of_looks(batch, known, seen, at))
        if thawed is not None:
            found[batch.id] = thawed
    return found


def looks_at(session: Session, batch: Batch, *, at: datetime) -> tuple[Look, ...]:
    """What was seen of a batch until an instant, and of what it was split off. Two queries."""
    known = ledger.with_origins(session, [batch])
    return _line_of_looks(batch, known, _looks(session, list(known), {}), at)


def _looks(
    session: Session, batch_ids: Sequence[int], places: Mapping[int, Place]
) -> Mapping[int, Sequence[Look]]:
    """What was seen of each of these batches. One query."""
    rows = session.execute(
        rows_where_in(ThawLook.thaw_batch_id), {"keys": list(set(batch_ids))}
    ).scalars()
    found: dict[int, list[Look]] = defaultdict(list)
    for row in rows:
        found[row.thaw_batch_id].append(look_of(row, places))
    return found


def look_of(row: ThawLook, places: Mapping[int, Place]) -> Look:
    """A stored look as the rules see it."""
    place = places.get(row.place_id or 0)
    return Look(
        seen_at=row.seen_at,
        found=Thaw(row.found) if row.found else None,
        method=Method(row.method) if row.method else None,
        part=Part(row.part) if row.part else None,
        measured_c=row.measured_c,
        not_yet_at=row.not_yet_at,
        kind=PlaceKind(place.kind) if place else None,
    )


def _line_of_looks(
    batch: Batch, known: Mapping[int, Batch], seen: Mapping[int, Sequence[Look]], at: datetime
) -> tuple[Look, ...]:
    """What was seen of a batch, and before it was split off of the batch that it was a part of."""
    found: list[Look] = []
    part: Batch | None = batch
    until = at
    while part is not None:
        found += [look for look in seen.get(part.id, ()) if look.seen_at <= until]
        until = min(until, part.split_at or until)
        part = known[part.split_from_id] if part.split_from_id else None
    return tuple(found)


def batch_views(
    session: Session, batches: Sequence[Batch], policy: Policy, *, at: datetime
) -> list[BatchView]:
    """Batches with everything that their clocks need.

    Six queries for any number, and one for each generation of batches that were split.
    """
    known = ledger.with_origins(session, batches)
    ids = [batch.id for batch in batches]
    every = {p.id or 0: p for p in ledger.batch_parcels(session, list(known))}
    places = sites.places_by_id(session, [p.place_id for p in every.values()])
    found = lots.lots_by_id(session, [batch.lot_id for batch in batches])
    pulled = ledger.pulled_grams(session, ids)
    seen = _looks(session, list(known), places)
    forecasts = _forecasts(session, ids)
    views = []
    for batch in batches:
        mine = tuple(p for p in every.values() if p.thaw_batch_id == batch.id)
        lineage = _lineage(mine, every)
        lot = found[batch.lot_id]
        forecast = forecasts.get(batch.id)
        earliest_h = (
            policy.thaw_hours(lot.form, PlaceKind.REFRIGERATOR) * EARLY
            if forecast is None
            else forecast.low_h
        )
        looks = _line_of_looks(batch, known, seen, at)
        facts = _facts(batch, lineage.values(), places, looks, earliest_h, at)
        views.append(
            BatchView(
                batch,
                lot,
                mine,
                places,
                pulled.get(batch.id, 0),
                facts,
                forecast,
                looks,
                lineage,
                known[batch.split_from_id].code if batch.split_from_id else None,
            )
        )
    return views


def _lineage(mine: Iterable[Parcel], every: Mapping[int, Parcel]) -> dict[int, Parcel]:
    """These parcels, and those in thaw batches that they came from."""
    found: dict[int, Parcel] = {}
    for parcel in mine:
        each: Parcel | None = parcel
        while each is not None and each.id not in found:
            found[each.id or 0] = each
            each = every.get(each.parent_id or 0)
    return found


def _forecasts(session: Session, batch_ids: Sequence[int]) -> dict[int, ThawForecast]:
    found = session.execute(
        rows_where_in(ThawForecast.thaw_batch_id), {"keys": list(set(batch_ids))}
    ).scalars()
    return {forecast.thaw_batch_id: forecast for forecast in found}


def _facts(
    batch: Batch,
    parcels: Iterable[Parcel],
    places: Mapping[int, Place],
    looks: Sequence[Look],
    earliest_h: float,
    at: datetime,
) -> ThawFacts:
    stays = [
        (PlaceKind(places[p.place_id].kind), p.opened_at) for p in parcels if p.opened_at <= at
    ]
    stays.sort(key=lambda stay: stay[1])
    thawed = looking.thawed_at(looks)
    earliest = minute_before(batch.left_freezer_at + timedelta(hours=earliest_h))
    return ThawFacts(
        left_freezer_at=batch.left_freezer_at,
        thawed_at=thawed,
        # What a thermometer found counts before what was foreseen.
        earliest_thawed_at=max(earliest, looking.frozen_inside_at(looks) or earliest),
        refrigerated=stayed_refrigerated(stays, thawed),
    )


def batch_view(session: Session, batch: Batch, policy: Policy, *, at: datetime) -> BatchView:
    """One batch with everything that its clock needs."""
    return batch_views(session, [batch], policy, at=at)[0]


def packs_of(session: Session, lots_: Iterable[Lot]) -> dict[int, Pack]:
    """What the physics needs of the products of lots, by product. One query."""
    found = catalogue.products_by_id(session, [lot.product_id for lot in lots_])
    return {
        id_: pack_of(
            product.form, product.carton_g, product.shape, species_facts()[product.species_code]
        )
        for id_, product in found.items()
    }


def medium_at(session: Session, place: Place, policy: Policy, at: datetime) -> Medium:
    """A place as it was measured in the last day, else as the policy takes it."""
    measured = measured_mean_c(session, place, policy, at)
    return medium_of(PlaceKind(place.kind), policy, measured)


def lots_on_label(session: Session, carton: Carton, *, site_id: int) -> Sequence[Lot]:
    """A site's lots that a carton's label may be of, by code. One query.

    The supplier's lot code is compared without separators and case; a GTIN only where our
    product has one.
    """
    statement = select(Lot).where(col(Lot.site_id) == site_id).order_by(col(Lot.code))
    if carton.ours is not None:
        return session.exec(statement.where(col(Lot.code) == carton.ours)).all()
    bare = (carton.gtin or "").lstrip("0")
    same = [bare.zfill(length) for length in (8, 12, 13, 14)]
    statement = statement.join(Product, col(Product.id) == col(Lot.product_id)).where(
        col(Lot.supplier_lot_key) == supplier_lot_key(carton.supplier_lot),
        or_(col(Product.gtin).is_(None), col(Product.gtin).in_(same)) if bare else True,
    )
    wanted = plain_supplier_lot(carton.supplier_lot or "")
    found = session.exec(statement)
    return [lot for lot in found if plain_supplier_lot(lot.supplier_lot or "") == wanted]


def warned_of(session: Session, batch_ids: Sequence[int]) -> frozenset[tuple[int, str, datetime]]:
    """What was told of these batches' clocks: batch, kind, the end that was told of. One query."""
    told = session.execute(
        rows_where_in(ThawWarning.thaw_batch_id), {"keys": list(set(batch_ids))}
    ).scalars()
    return frozenset((each.thaw_batch_id, each.kind, each.discard_after) for each in told)


MOST_LOGS = 40  # newest thaws of a product and kind of place that count: older ones have faded


def learned(
    session: Session, site_id: int, product_ids: Iterable[int], kind: PlaceKind
) -> Mapping[int, SiteFactor]:
    """What a site has learned of products in a kind of place, by product.

    From thaws that were looked at before they were done: "found thawed" alone says when
    somebody came, not when it was thawed. Four queries, and at most forty thaws a product.
    """
    forecasts = _watched(session, site_id, list(set(product_ids)), kind)
    ids = [forecast.thaw_batch_id for forecast in forecasts]
    if not ids:
        return {}
    seen = _looks(session, ids, {})
    found = {id_: thawed for id_ in ids if (thawed := looking.thawed_at(seen[id_])) is not None}
    kinds = _kinds_until(session, found)
    thaws = defaultdict(list)
    for forecast in forecasts:
        batch = forecast.thaw_batch_id
        if kinds[batch] == {kind} and forecast.modelled_h is not None:
            thaws[forecast.product_id].append(
                Seen(forecast.modelled_h, forecast.left_freezer_at, tuple(seen[batch]))
            )
    return {product: learn(watched) for product, watched in thaws.items()}


def _watched(
    session: Session, site_id: int, product_ids: Sequence[int], kind: PlaceKind
) -> Sequence[ThawForecast]:
    """The newest modelled thaws of each product that somebody looked at twice, oldest first."""
    not_yet = select(ThawLook.thaw_batch_id).where(NOT_YET)
    thawed = (
        select(ThawLook.id)
        .where(
            col(ThawLook.thaw_batch_id) == col(ThawForecast.thaw_batch_id),
            col(ThawLook.found) == Thaw.THAWED,
        )
        .exists()
    )
    newest = (
        func.row_number()
        .over(
            partition_by=col(ThawForecast.product_id),
            order_by=col(ThawForecast.thaw_batch_id).desc(),
        )
        .label("newest")
    )
    ranked = (
        select(col(ThawForecast.thaw_batch_id).label("id"), newest)
        .where(
            col(ThawForecast.site_id) == site_id,
            col(ThawForecast.product_id).in_(product_ids),
            col(ThawForecast.place_kind) == kind,
            col(ThawForecast.modelled_h).is_not(None),
            col(ThawForecast.thaw_batch_id).in_(not_yet),
            thawed,
        )
        .subquery()
    )
    return session.exec(
        select(ThawForecast)
        .join(ranked, ranked.c.id == col(ThawForecast.thaw_batch_id))
        .where(ranked.c.newest <= MOST_LOGS)
        .order_by(col(ThawForecast.thaw_batch_id))
    ).all()


def _kinds_until(session: Session, thawed: Mapping[int, datetime]) -> Mapping[int, set[PlaceKind]]:
    """The kinds of places that batches were in until they were thawed. Two queries."""
    parcels = ledger.batch_parcels(session, list(thawed))
    places = sites.places_by_id(session, [p.place_id for p in parcels])
    kinds: dict[int, set[PlaceKind]] = defaultdict(set)
    for parcel in parcels:
        batch = parcel.thaw_batch_id or 0
        if parcel.opened_at < thawed[batch]:
            kinds[batch].add(PlaceKind(places[parcel.place_id].kind))
    return kinds


# Plans


def rooms(session: Session, site_id: int) -> list[Room]:
    """The places of a site where fish thaws, by code. One query."""
    found = session.exec(
        select(Place)
        .where(col(Place.site_id) == site_id, col(Place.kind) != PlaceKind.FREEZER)
        .order_by(col(Place.code))
    )
    return [Room(place.code, PlaceKind(place.kind), place.capacity_g) for place in found]


def live_requests(session: Session, site_id: int, *, now: datetime) -> Sequence[ThawRequest]:
    """Requests that were not given up and whose last feed is to come, by number. One query."""
    statement = (
        select(ThawRequest)
        .where(
            col(ThawRequest.site_id) == site_id,
            col(ThawRequest.last_feed_at) > now,
            col(ThawRequest.cancelled_at).is_(None),
        )
        .execution_options(populate_existing=True)
    )
    return _by_number(session.exec(statement).all())


def requests_between(
    session: Session, site_id: int, start: datetime, end: datetime
) -> Sequence[ThawRequest]:
    """Requests with a feed in some time that were not given up, by number. One query.

    Cost: grows with the requests from then on, not with those before.
    """
    statement = select(ThawRequest).where(
        col(ThawRequest.site_id) == site_id,
        col(ThawRequest.last_feed_at) >= start,
        col(ThawRequest.first_feed_at) < end,
        col(ThawRequest.cancelled_at).is_(None),
    )
    return _by_number(session.exec(statement).all())


def _by_number(found: Sequence[ThawRequest]) -> list[ThawRequest]:
    """Sorted here: asked for in this order, SQLite goes through all requests there ever were."""
    return sorted(found, key=lambda request: request.id or 0)


def shares_of(session: Session, request_ids: Sequence[int]) -> Sequence[SurplusShare]:
    """What these requests give to others of their surplus, and get, by number. One query."""
    return session.exec(
        select(SurplusShare)
        .where(
            or_(
                col(SurplusShare.from_request_id).in_(request_ids),
                col(SurplusShare.to_request_id).in_(request_ids),
            ),
            col(SurplusShare.ended_at).is_(None),
        )
        .order_by(col(SurplusShare.id))
    ).all()


@dataclass(frozen=True)
class PulledFor:
    """What was pulled for a request into one thaw batch."""

    batch: Batch
    lot: str
    species: str
    grams: int


def pulled_for(session: Session, request_ids: Sequence[int]) -> dict[int, list[PulledFor]]:
    """What was pulled for these requests and not taken back, by request. Two queries."""
    rows = session.exec(
        select(ThawForecast.thaw_request_id, ThawBatch, Lot.code, Lot.species_code)
        .join(ThawBatch, col(ThawBatch.id) == col(ThawForecast.thaw_batch_id))
        .join(Lot, col(Lot.id) == col(ThawBatch.lot_id))
        .where(col(ThawForecast.thaw_request_id).in_(request_ids))
        .order_by(col(ThawBatch.id))
    ).all()
    grams = ledger.pulled_grams(session, [batch.id or 0 for _, batch, _, _ in rows]) if rows else {}
    found: dict[int, list[PulledFor]] = defaultdict(list)
    for request, batch, lot, species in rows:
        pulled_g = grams.get(batch.id or 0, 0)
        if pulled_g:
            found[request or 0].append(PulledFor(ledger.batch_of(batch), lot, species, pulled_g))
    return found


@dataclass(frozen=True)
class Kept:
    """Grams of a parcel that are kept for a request, and what the rules know of its lot.

    there_g: what is in the parcel.
    """

    request: int
    parcel_id: int
    place: str
    grams: int
    there_g: int
    lot: LotFacts


def kept_for(session: Session, request_ids: Sequence[int]) -> list[Kept]:
    """What is still kept for these requests. One query."""
    rows = session.execute(
        columns(
            Reservation,
            Lot,
            ledger.is_held().label("held"),
            col(Place.code).label("place"),
            col(Parcel.grams).label("there_g"),
        )
        .join(Parcel, col(Parcel.id) == col(Reservation.parcel_id))
        .join(Lot, col(Lot.id) == col(Parcel.lot_id))
        .join(Place, col(Place.id) == col(Parcel.place_id))
        .where(
            col(Reservation.thaw_request_id).in_(request_ids),
            col(Reservation.released_at).is_(None),
            col(Reservation.grams) > 0,
        )
        .order_by(col(Reservation.id))
    )
    return [
        Kept(
            row.Reservation.thaw_request_id,
            row.Reservation.parcel_id,
            row.place,
            row.Reservation.grams,
            row.there_g,
            facts_of(row.Lot, held=bool(row.held)),
        )
        for row in rows
    ]


def lot_facts_of(session: Session, codes: Iterable[str]) -> dict[str, LotFacts]:
    """What the rules know of these lots, by code. Two queries; none for no lots."""
    wanted = set(codes)
    if not wanted:
        return {}
    found = session.exec(select(Lot).where(col(Lot.code).in_(wanted))).all()
    return {facts.code: facts for facts in lots.facts(session, found).values()}


def requests_by_id(session: Session, ids: Iterable[int]) -> Sequence[ThawRequest]:
    """The thaw requests of these numbers, in their order. One query."""
    statement = select(ThawRequest).where(col(ThawRequest.id).in_(set(ids)))
    return session.exec(statement.order_by(col(ThawRequest.id))).all()


def changes_of(session: Session, request_id: int) -> Sequence[ThawPlanChange]:
    """How a plan has changed, oldest first. One query."""
    return session.exec(
        select(ThawPlanChange)
        .where(col(ThawPlanChange.thaw_request_id) == request_id)
        .order_by(col(ThawPlanChange.id))
    ).all()
