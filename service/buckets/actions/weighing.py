"""A bucket on its way: weighed out, put somewhere, weighed back after its feed, given up."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from sqlmodel import Session

from service.buckets.actions.handling import Done, Handled
from service.buckets.actions.making import judged_fish
from service.buckets.actions.serving import Served, serve
from service.buckets.models import BucketItem
from service.buckets.queries import views as queries
from service.buckets.queries.views import Fish
from service.buckets.rules.sharing import in_proportion, steps_of
from service.buckets.rules.states import BucketState, EventKind, cold_findings
from service.buckets.schemas import (
    EndIn,
    LeftIn,
    StayIn,
    WeighBackIn,
    WeighOutIn,
)
from service.catalogue.queries import lock_species
from service.decisions import Finding, decide
from service.errors import Conflict, FieldError, Invalid
from service.feeding.actions.recording import RIGHT_CLOCK
from service.feeding.schemas import FeedItemIn
from service.http.bodies import Refusable
from service.ledger import queries as ledger
from service.ledger.rules import Batch
from service.security.actor import Actor
from service.site.rules import finding
from service.thawing.actions import tending
from service.thawing.schemas import DiscardIn


def weigh_out(session: Session, code: str, order: WeighOutIn, *, at: datetime, by: Actor) -> Done:
    """What is in a bucket by the scale; it may be of other batches than planned.

    Raises RuleRefused: holds, clocks that end before the feed, fish that other buckets hold.
    """
    it = Handled.still_open(session, code, order.occurred_at, at=at, by=by)
    batches, grams = _on_the_scale(it, order)
    if any(batch.site_id != it.view.id for batch in batches):
        raise Conflict("the bucket and the fish belong to different sites", kind="another-site")
    feed_at = max(it.found.bucket.feed_at, it.occurred_at)
    judged, _ = judged_fish(
        session, it.view, batches, grams, feed_at=feed_at, at=at, but=it.found.bucket.id
    )
    breaches = it.allowed(judged, order)
    keep(it, batches, grams, order.tare.grams)
    it.happens(EventKind.WEIGHED_OUT)
    it.happens(EventKind(order.where.value))
    return it.done(
        "bucket weighed out",
        breaches=breaches,
        findings=decide(judged).noteworthy(),
        g=sum(grams.values()),
        tare_g=order.tare.grams,
    )


def _on_the_scale(it: Handled, order: WeighOutIn) -> tuple[list[Batch], Mapping[int, int]]:
    """The batches in a bucket and grams of each. Raises NotFound, Invalid."""
    if order.items is not None:
        codes = [item.thaw_batch for item in order.items]
        gross = [item.gross.grams for item in order.items]
    elif len(it.found.fish) == 1 and order.gross is not None:
        codes, gross = [it.found.fish[0].thaw_batch], [order.gross.grams]
    else:
        raise Invalid.at("gross", "there are several fish: give items with the gross after each")
    batches = [
        ledger.batch_by_code(it.session, code, by=it.by, field=f"items.{n}.thaw_batch")
        for n, code in enumerate(codes)
    ]
    try:
        added = steps_of(gross, order.tare.grams)
    except ValueError as error:
        raise Invalid.at("items" if order.items else "gross", str(error)) from error
    return batches, {batch.id: grams for batch, grams in zip(batches, added, strict=True)}


def keep(
    it: Handled, batches: Sequence[Batch], grams: Mapping[int, int], tare_g: int | None
) -> None:
    """Weighed masses beside the planned; what was planned and is not in it weighs nothing."""
    planned = {fish.item.thaw_batch_id: fish.item for fish in it.found.fish}
    for item in planned.values():
        item.weighed_g = grams.get(item.thaw_batch_id, 0)
        it.session.add(item)
    for number, batch in enumerate(batches, start=len(planned) + 1):
        if batch.id not in planned:
            it.session.add(
                BucketItem(
                    bucket_id=it.found.bucket.id or 0,
                    thaw_batch_id=batch.id,
                    number=number,
                    planned_g=0,
                    weighed_g=grams[batch.id],
                )
            )
    if tare_g is not None:
        it.found.bucket.tare_g = tare_g
        it.session.add(it.found.bucket)


def put(session: Session, code: str, stay: StayIn, *, at: datetime, by: Actor) -> Done:
    """Where a bucket stands from now on: what it has been out of the cold adds up."""
    it = Handled.still_open(session, code, stay.occurred_at, at=at, by=by)
    it.happens(EventKind(stay.where.value))
    after = queries.view(session, it.found.bucket)
    judged = cold_findings(after.events, it.occurred_at, it.view.policy, bucket=after.bucket.code)
    return it.done("bucket put", findings=decide(judged).noteworthy(), where=stay.where)


def weigh_back(
    session: Session,
    code: str,
    back: WeighBackIn,
    *,
    at: datetime,
    by: Actor,
    clock: timedelta = RIGHT_CLOCK,
) -> Done:
    """The feed from two weighings: what was in the bucket less what is left in it.

    clock : what the sender's clock is behind. Raises Invalid if more is left than was in it,
    NotFound for a piece that is not in it.
    """
    it = Handled.still_open(session, code, back.occurred_at, at=at, by=by, clock=clock)
    if back.not_fed is not None:
        return serve(session, [Served(it, [], back, not_fed=back.not_fed)])[0]
    items = [
        FeedItemIn.model_validate(
            {
                "thaw_batch": fish.thaw_batch,
                "offered": f"{fish.grams} g",
                "eaten": f"{fish.grams - left} g",
            }
        )
        for fish, left in zip(it.found.fish, _left(it, back), strict=True)
        if fish.grams
    ]
    return serve(session, [Served(it, items, back, back.carries)])[0]


def _left(it: Handled, back: WeighBackIn) -> list[int]:
    """Grams left of each fish; of one weighing in proportion to what was in it."""
    if back.left is not None:
        return _said_left(it.found.fish, back.left)
    assert back.gross is not None
    if it.found.bucket.tare_g is None:
        raise Invalid.at("gross", "the empty bucket was never weighed: give left by thaw batch")
    net = back.gross.grams - it.found.bucket.tare_g
    weights = [fish.grams for fish in it.found.fish]
    if not 0 <= net <= sum(weights):
        raise Invalid.at(
            "gross",
            f"leaves {net} g of {sum(weights)} g in the bucket: weigh again, or give left",
        )
    return in_proportion(net, weights)


def _said_left(fish: Sequence[Fish], said: Sequence[LeftIn]) -> list[int]:
    left = {each.thaw_batch: each.left.grams for each in said}
    known = {f.thaw_batch: f.grams for f in fish}
    wrong = [
        FieldError(f"left.{n}.thaw_batch", "is not in the bucket")
        if each.thaw_batch not in known
        else FieldError(f"left.{n}.left", f"{known[each.thaw_batch]} g were in the bucket")
        for n, each in enumerate(said)
        if each.left.grams > known.get(each.thaw_batch, -1)
    ]
    if wrong:
        raise Invalid("; ".join(f"{e.field}: {e.message}" for e in wrong), errors=wrong)
    return [left.get(f.thaw_batch, 0) for f in fish]


def cancel(session: Session, code: str, order: EndIn, *, at: datetime, by: Actor) -> Done:
    """A bucket is not needed: its fish is free for others. Raises RuleRefused once medication
    went into fish that was weighed out: then it is discarded."""
    it = Handled.still_open(session, code, order.occurred_at, at=at, by=by)
    if it.found.medicated and it.found.state is BucketState.WEIGHED_OUT:
        because = f"bucket {it.code} carries medication: discard it"
        it.allowed([finding("medicated-bucket", "block", because)], Refusable())
    it.happens(EventKind.CANCELLED, reason=order.reason)
    return it.done("bucket cancelled", reason=order.reason)


def discard(session: Session, code: str, order: EndIn, *, at: datetime, by: Actor) -> Done:
    """All fish of a bucket is thrown away, a fact; pieces in it were not taken."""
    it = Handled.still_open(session, code, order.occurred_at, at=at, by=by)
    lock_species(session, {fish.species for fish in it.found.fish})
    breaches: list[Finding] = []
    for fish in it.found.fish:
        if fish.grams:
            thrown = DiscardIn.model_validate(
                {
                    "mass": f"{fish.grams} g",
                    "reason": order.reason,
                    "occurred_at": it.occurred_at,
                    "already_done": True,
                }
            )
            result = tending.discard(session, fish.thaw_batch, thrown, at=at, by=by)
            breaches += result[2]
    it.happens(EventKind.DISCARDED, reason=order.reason)
    return it.done("bucket discarded", breaches=breaches, reason=order.reason)
