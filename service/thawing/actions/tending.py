"""Tending a thaw batch: fish of it dripped, was discarded, was put back."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.catalogue.queries import lock_species
from service.decisions import Finding, decide
from service.errors import Conflict, Invalid
from service.http.bodies import Refusable, instant_of, refuse_future
from service.ledger import queries as ledger
from service.ledger.actions.posting import Event, Leg, open_children, post
from service.ledger.actions.taking import (
    judged_holdings,
    spending,
    stock_findings,
    takes_of,
)
from service.ledger.rules import Account, Batch, Holding, MovementKind, Take
from service.lots.models import Lot
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.queries import SiteView
from service.site.rules import PlaceKind, finding
from service.thawing import queries
from service.thawing.rules.clocks import drip_finding, put_back_finding
from service.thawing.rules.looks import part_thawed_at, thawed_at
from service.thawing.schemas import DiscardIn, DripIn, PutBackIn


@dataclass(frozen=True)
class Tended:
    """A thaw batch that somebody takes fish from, its species locked, at an instant."""

    session: Session
    batch: Batch
    lot: Lot
    view: SiteView
    occurred_at: datetime
    at: datetime
    by: Actor

    def all_of_it(self) -> int:
        """Grams that were left of it then. Raises Conflict if none were."""
        holdings = ledger.batch_holdings(self.session, self.batch.id, at=self.occurred_at)
        grams = sum(holding.available for holding in holdings)
        if not grams:
            raise Conflict(f"nothing is left of thaw batch {self.batch.code}", kind="nothing-left")
        return grams

    def enough(self, grams: int) -> list[Finding]:
        """Whether the batch holds so much."""
        holdings = batch_holdings(
            self.session,
            self.batch,
            self.lot,
            grams,
            occurred_at=self.occurred_at,
            at=self.at,
            by=self.by,
        )
        what = f"thaw batch {self.batch.code}"
        return stock_findings(holdings, grams, units=self.view.units, what=what)

    def take(
        self, order: Refusable, grams: int, *findings: Iterable[Finding]
    ) -> tuple[list[Take], tuple[Finding, ...]]:
        """What to take once the findings allow it, and what it breaches all the same."""
        breaches = site_actions.allow(
            self.session,
            decide(*findings, self.enough(grams)),
            order,
            site=self.view,
            subject=f"thaw batch {self.batch.code}",
            occurred_at=self.occurred_at,
            at=self.at,
            by=self.by,
        )
        takes = batch_takes(
            self.session,
            self.batch,
            self.lot,
            grams,
            occurred_at=self.occurred_at,
            at=self.at,
            by=self.by,
            already_done=order.already_done,
        )
        return takes, breaches

    def post(self, kind: MovementKind, legs: Sequence[Leg], detail: str) -> int:
        """Book it, note it, and give the movement's number."""
        event = Event(kind, self.view.id, self.occurred_at, self.at, self.by, reason=detail)
        movement = post(self.session, event, legs)
        audit.note(
            self.session,
            self.by,
            kind.replace("_", " "),
            self.batch.code,
            at=self.at,
            site_id=self.batch.site_id,
            after=movement,
            detail={"g": sum(leg.grams for leg in legs), "detail": detail},
        )
        return movement.id or 0


def discard(
    session: Session, code: str, order: DiscardIn, *, at: datetime, by: Actor
) -> tuple[Batch, int, tuple[Finding, ...]]:
    """Fish of a thaw batch is thrown away, with a reason; all of it where no mass is said."""
    tended = tended_batch(session, code, order, at, by)
    grams = tended.all_of_it() if order.mass is None else order.mass.grams
    takes, breaches = tended.take(order, grams)
    legs = spending(session, [(take, Account.DISCARDED) for take in takes])
    return tended.batch, tended.post(MovementKind.DISCARDED, legs, order.reason), breaches


def drip(
    session: Session, code: str, order: DripIn, *, at: datetime, by: Actor
) -> tuple[Batch, int, tuple[Finding, ...], Finding]:
    """Water has run off the fish: so much less is left. Warns where it is unusual."""
    tended = tended_batch(session, code, order, at, by)
    takes, breaches = tended.take(order, order.mass.grams)
    legs = spending(session, [(take, Account.DRIP) for take in takes])
    movement = tended.post(MovementKind.DRIPPED, legs, "drip")
    return tended.batch, movement, breaches, _usual_drip(tended)


def _usual_drip(tended: Tended) -> Finding:
    session, batch = tended.session, tended.batch
    parcels = [p.id or 0 for p in ledger.batch_parcels(session, [batch.id])]
    mass = ledger.pulled_grams(session, [batch.id]).get(batch.id, 0)
    return drip_finding(ledger.dripped_grams(session, parcels), mass, tended.view.policy)


def put_back(
    session: Session, code: str, order: PutBackIn, *, at: datetime, by: Actor
) -> tuple[Batch, int, tuple[Finding, ...]]:
    """Hard frozen fish returns to a freezer within the policy's minutes; its history stays."""
    tended = tended_batch(session, code, order, at, by)
    target = sites.place_by_code(session, order.to_place, by=by, field="to_place")
    if target.kind != PlaceKind.FREEZER or target.site_id != tended.batch.site_id:
        raise Invalid.at("to_place", "is not a freezer of this site")
    takes, breaches = tended.take(order, order.mass.grams, _still_frozen(tended, order))
    legs = open_children(
        session, takes, place_id=target.id or 0, opened_at=tended.occurred_at, thaw_batch_id=None
    )
    return tended.batch, tended.post(MovementKind.PUT_BACK, legs, f"to {target.code}"), breaches


def _still_frozen(tended: Tended, order: PutBackIn) -> Iterator[Finding]:
    batch, core = tended.batch, order.core_temperature
    looks = queries.looks_at(tended.session, batch, at=tended.occurred_at)
    if thawed_at(looks) or part_thawed_at(looks):
        yield finding("no-refreeze", "block", "was found thawing: it never returns to a freezer")
    yield put_back_finding(
        batch.left_freezer_at,
        tended.occurred_at,
        None if core is None else core.c,
        tended.view.policy,
    )


def tended_batch(session: Session, code: str, order: Refusable, at: datetime, by: Actor) -> Tended:
    """A thaw batch for somebody to take from, its species locked.

    Raises NotFound, and Invalid for an instant before it left the freezer.
    """
    refuse_future(order.occurred_at, now=at)
    batch = ledger.batch_by_code(session, code, by=by, field="thaw_batch")
    lot = session.get_one(Lot, batch.lot_id)
    lock_species(session, [lot.species_code])
    skew = sites.view(session, batch.site_id, at=at).policy.skew
    occurred_at = instant_of(order.occurred_at, now=at, skew=skew)
    if occurred_at < batch.left_freezer_at:
        raise Invalid.at("occurred_at", "lies before the batch left the freezer")
    view = sites.view(session, batch.site_id, at=occurred_at)
    return Tended(session, batch, lot, view, occurred_at, at, by)


def batch_holdings(
    session: Session,
    batch: Batch,
    lot: Lot,
    grams: int,
    *,
    occurred_at: datetime,
    at: datetime,
    by: Actor,
) -> list[Holding]:
    """What of a thaw batch may be taken, as it was when it happened."""
    return judged_holdings(
        session,
        lambda: ledger.batch_holdings(session, batch.id, at=occurred_at),
        grams,
        lot=lot,
        occurred_at=occurred_at,
        at=at,
        by=by,
        thaw_batch_id=batch.id,
    )


def batch_takes(
    session: Session,
    batch: Batch,
    lot: Lot,
    grams: int,
    *,
    occurred_at: datetime,
    at: datetime,
    by: Actor,
    already_done: bool,
) -> list[Take]:
    """What to take from a thaw batch; a fact may find more in it than the books know."""
    holdings = ledger.batch_holdings(session, batch.id, at=occurred_at)
    parcels = ledger.batch_parcels(session, [batch.id])
    return takes_of(
        session,
        lot,
        parcels[-1].place_id,
        holdings,
        grams,
        occurred_at=occurred_at,
        at=at,
        by=by,
        already_done=already_done,
        thaw_batch_id=batch.id,
    )
