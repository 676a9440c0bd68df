"""Every select of thaw requests and thaw batches."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func
from sqlmodel import Session, col, select

from service.catalogue import queries as catalogue
from service.catalogue.rules import species_facts
from service.database import rows_where_in
from service.errors import NotFound
from service.ledger import queries as ledger
from service.ledger.models import Parcel
from service.ledger.rules import Batch
from service.lots import queries as lots
from service.lots.models import Lot
from service.quality.queries.exposure import measured_mean_c
from service.science.estimate import SiteFactor
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind, Policy
from service.thawing.models import ThawedMark, ThawForecast, ThawRequest
from service.thawing.rules.clocks import (
    BatchState,
    ThawFacts,
    discard_after,
    stayed_refrigerated,
)
from service.thawing.rules.learning import Seen, learn
from service.thawing.rules.times import EARLY, Medium, Pack, medium_of, pack_of
from service.thawing.rules.windows import minute_before


@dataclass(frozen=True)
class BatchView:
    """A thaw batch with its lot, its parcels' places and its clock's facts."""

    batch: Batch
    lot: Lot
    parcels: tuple[Parcel, ...]
    places: dict[int, Place]
    pulled_g: int
    facts: ThawFacts
    forecast: ThawForecast | None = None

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


def request_by_id(session: Session, number: int, *, by: Actor, field: str) -> ThawRequest:
    """The thaw request of this number. Raises NotFound, NotAllowed at somebody else's site."""
    found = session.get(ThawRequest, number)
    if found is None:
        raise NotFound.of("thaw request", number, field)
    by.ensure_site(found.site_id)
    return found


def thawed_at(session: Session, batch_ids: Sequence[int], *, at: datetime) -> dict[int, datetime]:
    """When these batches were first found thawed, as far as known at an instant. One query."""
    marks = session.execute(
        rows_where_in(ThawedMark.thaw_batch_id), {"keys": list(set(batch_ids))}
    ).scalars()
    earliest: dict[int, datetime] = {}
    for mark in marks:
        if mark.thawed_at <= at:
            known = earliest.get(mark.thaw_batch_id, mark.thawed_at)
            earliest[mark.thaw_batch_id] = min(known, mark.thawed_at)
    return earliest


def batch_views(
    session: Session, batches: Sequence[Batch], policy: Policy, *, at: datetime
) -> list[BatchView]:
    """Batches with everything that their clocks need. Six queries for any number."""
    ids = [batch.id for batch in batches]
    parcels = ledger.batch_parcels(session, ids)
    places = sites.places_by_id(session, [p.place_id for p in parcels])
    found = lots.lots_by_id(session, [batch.lot_id for batch in batches])
    pulled = ledger.pulled_grams(session, ids)
    thawed = thawed_at(session, ids, at=at)
    forecasts = _forecasts(session, ids)
    views = []
    for batch in batches:
        mine = tuple(p for p in parcels if p.thaw_batch_id == batch.id)
        lot = found[batch.lot_id]
        forecast = forecasts.get(batch.id)
        earliest_h = (
            policy.thaw_hours(lot.form, PlaceKind.REFRIGERATOR) * EARLY
            if forecast is None
            else forecast.low_h
        )
        facts = _facts(batch, mine, places, thawed.get(batch.id), earliest_h, at)
        pulled_g = pulled.get(batch.id, 0)
        views.append(BatchView(batch, lot, mine, places, pulled_g, facts, forecast))
    return views


def _forecasts(session: Session, batch_ids: Sequence[int]) -> dict[int, ThawForecast]:
    found = session.execute(
        rows_where_in(ThawForecast.thaw_batch_id), {"keys": list(set(batch_ids))}
    ).scalars()
    return {forecast.thaw_batch_id: forecast for forecast in found}


def _facts(
    batch: Batch,
    parcels: Sequence[Parcel],
    places: dict[int, Place],
    thawed: datetime | None,
    earliest_h: float,
    at: datetime,
) -> ThawFacts:
    stays = [
        (PlaceKind(places[p.place_id].kind), p.opened_at) for p in parcels if p.opened_at <= at
    ]
    stays.sort(key=lambda stay: stay[1])
    return ThawFacts(
        left_freezer_at=batch.left_freezer_at,
        thawed_at=thawed,
        earliest_thawed_at=minute_before(batch.left_freezer_at + timedelta(hours=earliest_h)),
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
    looks = defaultdict(list)
    for mark in session.execute(rows_where_in(ThawedMark.thaw_batch_id), {"keys": ids}).scalars():
        looks[mark.thaw_batch_id].append((mark.thawed_at, mark.not_yet_at))
    found = {id_: min(thawed for thawed, _ in seen) for id_, seen in looks.items()}
    kinds = _kinds_until(session, found)
    seen = defaultdict(list)
    for forecast in forecasts:
        batch = forecast.thaw_batch_id
        if kinds[batch] == {kind} and forecast.modelled_h is not None:
            seen[forecast.product_id].append(
                Seen(forecast.modelled_h, forecast.left_freezer_at, tuple(looks[batch]))
            )
    return {product: learn(thaws) for product, thaws in seen.items()}


def _watched(
    session: Session, site_id: int, product_ids: Sequence[int], kind: PlaceKind
) -> Sequence[ThawForecast]:
    """The newest modelled thaws of each product that somebody looked at twice, oldest first."""
    looked_at = select(ThawedMark.thaw_batch_id).where(col(ThawedMark.not_yet_at).is_not(None))
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
            col(ThawForecast.thaw_batch_id).in_(looked_at),
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
