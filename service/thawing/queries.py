"""Every select of thaw requests and thaw batches."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session

from service.database import rows_where_in
from service.errors import NotFound
from service.ledger import queries as ledger
from service.ledger.models import Parcel
from service.ledger.rules import Batch
from service.lots import queries as lots
from service.lots.models import Lot
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind, Policy
from service.thawing.models import ThawedMark, ThawRequest
from service.thawing.rules import EARLY, BatchState, ThawFacts, discard_after, stayed_refrigerated


@dataclass(frozen=True)
class BatchView:
    """A thaw batch with its lot, its parcels' places and its clock's facts."""

    batch: Batch
    lot: Lot
    parcels: tuple[Parcel, ...]
    places: dict[int, Place]
    pulled_g: int
    facts: ThawFacts

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
    """Batches with everything that their clocks need. Five queries for any number."""
    ids = [batch.id for batch in batches]
    parcels = ledger.batch_parcels(session, ids)
    places = sites.places_by_id(session, [p.place_id for p in parcels])
    found = lots.lots_by_id(session, [batch.lot_id for batch in batches])
    pulled = ledger.pulled_grams(session, ids)
    thawed = thawed_at(session, ids, at=at)
    views = []
    for batch in batches:
        mine = tuple(p for p in parcels if p.thaw_batch_id == batch.id)
        lot = found[batch.lot_id]
        facts = _facts(batch, lot, mine, places, thawed.get(batch.id), policy, at)
        views.append(BatchView(batch, lot, mine, places, pulled.get(batch.id, 0), facts))
    return views


def _facts(
    batch: Batch,
    lot: Lot,
    parcels: Sequence[Parcel],
    places: dict[int, Place],
    thawed: datetime | None,
    policy: Policy,
    at: datetime,
) -> ThawFacts:
    stays = [
        (PlaceKind(places[p.place_id].kind), p.opened_at) for p in parcels if p.opened_at <= at
    ]
    stays.sort(key=lambda stay: stay[1])
    earliest = policy.thaw_hours(lot.form, PlaceKind.REFRIGERATOR) * EARLY
    return ThawFacts(
        left_freezer_at=batch.left_freezer_at,
        thawed_at=thawed,
        earliest_thawed_at=batch.left_freezer_at + timedelta(hours=earliest),
        refrigerated=stayed_refrigerated(stays, thawed),
    )


def batch_view(session: Session, batch: Batch, policy: Policy, *, at: datetime) -> BatchView:
    """One batch with everything that its clock needs."""
    return batch_views(session, [batch], policy, at=at)[0]
