"""Recording a feed: what was offered leaves its thaw batches, eaten or left."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal
from service.assessments.queries import taking as excursions_open
from service.catalogue.queries import lock_species
from service.decisions import Decision, Finding, decide
from service.errors import Conflict
from service.feeding.models import Feed, FeedItem
from service.feeding.schemas import FeedIn, FeedItemIn
from service.http.bodies import instant_of, refuse_future
from service.ledger import queries as ledger
from service.ledger.actions.posting import Event, post
from service.ledger.actions.taking import spending, stock_findings
from service.ledger.rules import Account, MovementKind, Take
from service.lots import queries as lots
from service.lots.rules import hold_findings
from service.quality.queries.exposure import Exposures, chain
from service.quality.rules import warmth_findings
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.queries import SiteView
from service.thawing import queries as thawing
from service.thawing.actions.tending import batch_holdings, batch_takes
from service.thawing.queries import BatchView
from service.thawing.rules.clocks import clock_findings


@dataclass(frozen=True)
class Fed:
    """A feed that was recorded."""

    feed: Feed
    items: tuple[FeedItem, ...]
    batches: dict[str, BatchView]
    movement_id: int
    site_id: int
    breaches: tuple[Finding, ...]
    findings: tuple[Finding, ...]


def feed(session: Session, order: FeedIn, *, at: datetime, by: Actor) -> Fed:
    """One animal was fed. Clocks are judged at the instant of the feed.

    Raises RuleRefused listing every finding: holds, clocks run out, too warm
    for too long, more than the batch holds.
    """
    refuse_future(order.occurred_at, now=at)
    animal = animals.animal_by_code(session, order.animal, by=by)
    found = [
        ledger.batch_by_code(session, item.thaw_batch, by=by, field=f"items.{number}.thaw_batch")
        for number, item in enumerate(order.items)
    ]
    if any(batch.site_id != animal.site_id for batch in found):
        raise Conflict("the animal and the fish belong to different sites", kind="another-site")
    species = lots.lots_by_id(session, [batch.lot_id for batch in found]).values()
    lock_species(session, {lot.species_code for lot in species})
    skew = sites.view(session, animal.site_id, at=at).policy.skew
    occurred_at = instant_of(order.occurred_at, now=at, skew=skew)
    view = sites.view(session, animal.site_id, at=occurred_at)
    unique = list({batch.id: batch for batch in found}.values())
    batches = {
        b.batch.code: b for b in thawing.batch_views(session, unique, view.policy, at=occurred_at)
    }
    event = Event(MovementKind.FED, view.id, occurred_at, at, by)
    decision = _decide(session, order, batches, view, event)
    breaches = site_actions.allow(
        session,
        decision,
        order,
        site=view,
        subject=f"animal {animal.code}",
        occurred_at=occurred_at,
        at=at,
        by=by,
    )
    movement = post(session, event, spending(session, list(_takes(session, order, batches, event))))
    stored, items = _store(session, animal, order, batches, event, movement.id or 0)
    audit.note(
        session,
        by,
        "fed",
        animal.code,
        at=at,
        site_id=view.id,
        after=items,
        detail={
            "feed": stored.id,
            "eaten_g": sum(i.eaten_g for i in items),
            "breaches": [b.rule for b in breaches],
        },
    )
    return Fed(stored, items, batches, movement.id or 0, view.id, breaches, decision.noteworthy())


def _decide(
    session: Session, order: FeedIn, batches: dict[str, BatchView], view: SiteView, event: Event
) -> Decision:
    facts = lots.facts(session, [b.lot for b in batches.values()])
    findings: list[Finding] = []
    for code, batch in batches.items():
        wanted = sum(i.offered.grams for i in order.items if i.thaw_batch == code)
        holdings = batch_holdings(
            session,
            batch.batch,
            batch.lot,
            wanted,
            occurred_at=event.occurred_at,
            at=event.at,
            by=event.by,
        )
        findings += hold_findings(facts[batch.lot.id or 0])
        findings.append(clock_findings(batch.facts, view.policy, event.occurred_at, batch=code))
        findings += _warmth(session, batch, view, event.occurred_at)
        findings += excursions_open.findings(
            session,
            batch.lot,
            [parcel.id or 0 for parcel in batch.parcels if parcel.grams > 0],
            view,
            at=event.occurred_at,
            feeding=True,
        )
        findings += stock_findings(holdings, wanted, what=f"thaw batch {code}", units=view.units)
    return decide(findings)


def _warmth(session: Session, batch: BatchView, view: SiteView, at: datetime) -> Iterator[Finding]:
    """Hours too warm since leaving the freezer, by the worst parcel of the batch."""
    exposures = Exposures(session, view, batch.places)
    parcels = {p.id: p for p in batch.parcels if p.id is not None}
    chains = [
        chain(parcels, parcel, at)
        for parcel in batch.parcels
        if parcel.grams > 0 and parcel.opened_at <= at
    ]
    exposures.prepare(stay for stays in chains for stay in stays)
    above = [exposures.of_stays(stays).above_s for stays in chains]
    if above:
        yield from warmth_findings(max(above, key=lambda a: float(a.sum())), view.policy)


def _takes(
    session: Session, order: FeedIn, batches: dict[str, BatchView], event: Event
) -> Iterator[tuple[Take, Account]]:
    """Eaten before left, parcel by parcel. Items of one batch are taken together."""
    for code, batch in batches.items():
        items = [i for i in order.items if i.thaw_batch == code]
        takes = batch_takes(
            session,
            batch.batch,
            batch.lot,
            sum(i.offered.grams for i in items),
            occurred_at=event.occurred_at,
            at=event.at,
            by=event.by,
            already_done=order.already_done,
        )
        eaten = sum(i.eaten.grams for i in items)
        for take in takes:
            share = min(eaten, take.grams)
            eaten -= share
            if share:
                yield Take(take.parcel_id, share), Account.EATEN
            if take.grams > share:
                yield Take(take.parcel_id, take.grams - share), Account.LEFT


def _store(
    session: Session,
    animal: Animal,
    order: FeedIn,
    batches: dict[str, BatchView],
    event: Event,
    movement_id: int,
) -> tuple[Feed, tuple[FeedItem, ...]]:
    stored = Feed(
        animal_id=animal.id or 0,
        movement_id=movement_id,
        by=event.by.name,
        occurred_at=event.occurred_at,
        recorded_at=event.at,
        appetite=order.appetite,
        note=order.note,
    )
    session.add(stored)
    session.flush()
    items = tuple(
        _item(stored, number, item, batches[item.thaw_batch])
        for number, item in enumerate(order.items)
    )
    session.add_all(items)
    session.flush()
    return stored, items


def _item(stored: Feed, number: int, item: FeedItemIn, batch: BatchView) -> FeedItem:
    return FeedItem(
        feed_id=stored.id or 0,
        number=number,
        thaw_batch_id=batch.batch.id,
        lot_id=batch.lot.id or 0,
        offered_g=item.offered.grams,
        eaten_g=item.eaten.grams,
        left_g=item.offered.grams - item.eaten.grams,
    )


def items_of(fed: Fed) -> Sequence[tuple[FeedItem, BatchView]]:
    """A feed's items with their batches."""
    by_id = {batch.batch.id: batch for batch in fed.batches.values()}
    return [(item, by_id[item.thaw_batch_id]) for item in fed.items]
