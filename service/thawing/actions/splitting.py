"""The way of a thaw batch: a part of it under its own label, and the next stage of its thaw."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session

from service.decisions import Finding
from service.errors import Invalid
from service.ledger import queries as ledger
from service.ledger.actions.posting import Leg, open_batch, open_children
from service.ledger.rules import Batch, MovementKind, Take
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind, finding
from service.thawing import queries
from service.thawing.actions.pulling import next_code
from service.thawing.actions.tending import Tended, tended_batch
from service.thawing.models import ThawForecast
from service.thawing.rules.looks import thawed_at
from service.thawing.rules.moving import after_moving
from service.thawing.rules.times import thaw_time
from service.thawing.schemas import MoveBatchIn, SplitIn


@dataclass(frozen=True)
class Moved:
    """What was moved or split off. batch: that fish; rest: what it was split off."""

    batch: Batch
    rest: Batch
    movement_id: int
    breaches: tuple[Finding, ...]


def split(session: Session, code: str, order: SplitIn, *, at: datetime, by: Actor) -> Moved:
    """A part of a batch gets a label of its own, and may go its own way.

    It left the freezer when the whole did and keeps what happened to it until now.
    """
    tended = tended_batch(session, code, order, at, by)
    target = _target(tended, order.to_place, by) if order.to_place else None
    takes, breaches = tended.take(order, order.mass.grams, _never_frozen_again(target))
    part = open_batch(
        session,
        next_code(session, tended.view, tended.occurred_at),
        site_id=tended.batch.site_id,
        lot_id=tended.batch.lot_id,
        at=tended.batch.left_freezer_at,
        split_from_id=tended.batch.id,
        split_at=tended.occurred_at,
    )
    _inherit_forecast(session, tended.batch, part)
    if target is not None:
        _foresee_next_stage(tended, part, target)
    legs = _legs(tended, takes, part, target)
    movement = tended.post(MovementKind.SPLIT, legs, f"{part.code} split off")
    return Moved(part, tended.batch, movement, breaches)


def move(session: Session, code: str, order: MoveBatchIn, *, at: datetime, by: Actor) -> Moved:
    """All of a batch goes to another place.

    Leaving refrigeration before it is thawed makes its clock one from the freezer.
    """
    tended = tended_batch(session, code, order, at, by)
    target = _target(tended, order.to_place, by)
    grams = tended.all_of_it()
    takes, breaches = tended.take(order, grams, _never_frozen_again(target))
    here = ledger.parcels_by_id(session, [take.parcel_id for take in takes])
    elsewhere = [take for take in takes if here[take.parcel_id].place_id != target.id]
    if not elsewhere:
        raise Invalid.at("to_place", "is the place that it is in")
    _foresee_next_stage(tended, tended.batch, target)
    legs = _legs(tended, elsewhere, tended.batch, target)
    movement = tended.post(MovementKind.MOVED, legs, f"to {target.code}")
    return Moved(tended.batch, tended.batch, movement, breaches)


def _target(tended: Tended, code: str, by: Actor) -> Place:
    target = sites.place_by_code(tended.session, code, by=by, field="to_place")
    if target.site_id != tended.batch.site_id:
        raise Invalid.at("to_place", "is not a place of this site")
    return target


def _never_frozen_again(target: Place | None) -> Iterator[Finding]:
    if target is not None and target.kind == PlaceKind.FREEZER:
        yield finding(
            "no-refreeze",
            "block",
            "has left the freezer to thaw; hard frozen fish goes back by POST "
            "/v1/thaw-batches/{thaw_batch}/put-back",
        )


def _legs(tended: Tended, takes: Sequence[Take], batch: Batch, target: Place | None) -> list[Leg]:
    """A child of each parcel, in the new place, or where it was."""
    sources = ledger.parcels_by_id(tended.session, [take.parcel_id for take in takes])
    return [
        leg
        for take in takes
        for leg in open_children(
            tended.session,
            [take],
            place_id=(target.id or 0) if target else sources[take.parcel_id].place_id,
            opened_at=tended.occurred_at,
            thaw_batch_id=batch.id,
        )
    ]


def _inherit_forecast(session: Session, whole: Batch, part: Batch) -> None:
    """The part thaws as was foreseen of the whole; only the whole teaches, and was pulled."""
    known = session.get(ThawForecast, whole.id)
    if known is not None:
        forecast = known.model_dump() | {
            "thaw_batch_id": part.id,
            "modelled_h": None,
            "thaw_request_id": None,
        }
        session.add(ThawForecast(**forecast))
        session.flush()


def _foresee_next_stage(tended: Tended, batch: Batch, target: Place) -> None:
    """When it should be thawed, having gone so far already; nothing where it is thawed.

    The early end, from which a refrigerated clock may run, only ever comes forward.
    """
    session, kind, policy = tended.session, PlaceKind(target.kind), tended.view.policy
    known = session.get(ThawForecast, batch.id)
    looks = queries.looks_at(session, batch, at=tended.occurred_at)
    if known is None or known.place_kind == kind or thawed_at(looks) or kind is PlaceKind.FREEZER:
        return
    pack = queries.packs_of(session, [tended.lot])[tended.lot.product_id]
    medium = queries.medium_at(session, target, policy, tended.occurred_at)
    there = thaw_time(pack, medium, policy)
    gone_h = (tended.occurred_at - batch.left_freezer_at) / timedelta(hours=1)
    hours, low_h, high_h = after_moving(gone_h, (known.hours, known.low_h, known.high_h), there)
    known.hours, known.high_h, known.low_h = hours, high_h, min(known.low_h, low_h)
    known.modelled_h, known.place_kind, known.method = None, kind, there.method
    session.add(known)
    session.flush()
