"""Correcting what was written of a lot; taking in a carton that nobody can read."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.catalogue import queries as catalogue
from service.catalogue.models import Product
from service.catalogue.queries import lock_species
from service.decisions import Decision, Finding, decide
from service.errors import Conflict, Invalid
from service.http.bodies import instant_of, refuse_future
from service.ledger.actions import stock
from service.lots import actions as lot_actions
from service.lots import queries as lots
from service.lots.models import Lot, LotCandidate, LotCorrection
from service.lots.rules import LotFacts, ReceivedAs, supplier_lot_key, wrong_days
from service.provenance.rules import (
    Candidate,
    Days,
    Taken,
    age_findings,
    doubt_findings,
    taken_as,
)
from service.provenance.schemas import CorrectionIn, UnlabelledIn
from service.receiving.actions.arriving import amount_of
from service.receiving.models import Delivery, Receipt
from service.receiving.rules import receiving_findings
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView


def correct(
    session: Session, code: str, wanted: CorrectionIn, *, at: datetime, by: Actor
) -> tuple[Lot, tuple[Finding, ...]]:
    """Write what is right, and keep what was written, who says so and on what evidence.

    Raises Invalid for days that cannot be or where nothing changes, RuleRefused where
    the fish would become younger.
    """
    refuse_future(wanted.occurred_at, now=at)
    lot = lots.lot_by_code(session, code, by=by)
    lock_species(session, [lot.species_code])
    session.refresh(lot)
    view = sites.view(session, lot.site_id, at=at)
    occurred_at = instant_of(wanted.occurred_at, now=at, skew=view.policy.skew)
    changes = {name: new for name, new in wanted.changes.items() if getattr(lot, name) != new}
    if not changes:
        raise Invalid.at(next(iter(wanted.changes)), "is what is written already")
    before = Days(lot.caught_from, lot.caught_to, lot.frozen_on)
    after = before.with_changes(changes)
    for field, why in wrong_days(
        lot.received_on, after.caught_from, after.caught_to, after.frozen_on
    ):
        raise Invalid.at(field, why)
    breaches = site_actions.allow(
        session,
        decide(age_findings(before, after)),
        wanted,
        site=view,
        subject=f"lot {lot.code}",
        occurred_at=occurred_at,
        at=at,
        by=by,
    )
    if after.caught_to != lot.caught_to:
        changes["caught_to"] = after.caught_to or ""
    for name, new in changes.items():
        old = getattr(lot, name)
        session.add(
            LotCorrection(
                lot_id=lot.id or 0,
                field=name,
                before=None if old is None else str(old),
                after=str(new) or None,
                reason=wanted.reason,
                evidence=wanted.evidence,
                photo=wanted.photo,
                corrected_at=occurred_at,
                recorded_at=at,
                by=by.name,
            )
        )
        setattr(lot, name, new or None)
    lot.age_from = after.age_from
    lot.supplier_lot_key = supplier_lot_key(lot.supplier_lot)
    session.add(lot)
    session.flush()
    audit.note(
        session,
        by,
        "lot corrected",
        lot.code,
        at=at,
        site_id=lot.site_id,
        after=lot,
        detail={"fields": sorted(changes), "evidence": wanted.evidence, "reason": wanted.reason},
    )
    return lot, breaches


@dataclass(frozen=True)
class Unlabelled:
    """The lot that an unlabelled carton became, and what was found."""

    lot: Lot
    candidates: tuple[Lot, ...]
    findings: tuple[Finding, ...]


def take_in(session: Session, carton: UnlabelledIn, *, at: datetime, by: Actor) -> Unlabelled:
    """A carton that may be of several lots: the oldest day, the worst past, every recall.

    Raises NotFound for unknown codes, Conflict for lots of another species or site.
    """
    refuse_future(carton.occurred_at, now=at)
    product = catalogue.product_by_code(session, carton.product, field="product")
    place = sites.place_by_code(session, carton.place, by=by, field="place")
    may_be = _may_be(session, carton, product, place, by)
    lock_species(session, [product.species_code])
    view = sites.view(session, place.site_id, at=at)
    occurred_at = instant_of(carton.occurred_at, now=at, skew=view.policy.skew)
    if any(lot.arrived_at > occurred_at for lot in may_be):
        raise Invalid.at("occurred_at", "lies before one of these lots arrived")
    facts = lots.facts(session, may_be)
    candidates = [_candidate(lot, facts[lot.id or 0]) for lot in may_be]
    lot = _doubtful_lot(session, carton, product, view, may_be, taken_as(candidates), occurred_at)
    if not may_be:
        lot.delivery_id = _delivery(session, product, view, occurred_at, at, by)
    session.add(lot)
    session.flush()
    session.add_all(LotCandidate(lot_id=lot.id or 0, candidate_id=each.id or 0) for each in may_be)
    findings = [
        *doubt_findings(candidates),
        *receiving_findings(
            lots.facts_of(lot, held=False),
            received_as=ReceivedAs.FROZEN,
            cores=carton.core_temperatures,
            best_before=lot.best_before,
            policy=view.policy,
            on=view.day_of(occurred_at),
        ),
    ]
    session.add(
        Receipt(
            lot_id=lot.id or 0,
            cores_c=[t.c for t in carton.core_temperatures],
            findings=[f.model_dump(mode="json") for f in findings],
            policy_version=view.policy_version,
        )
    )
    stock.receive(session, lot, place, occurred_at=occurred_at, at=at, by=by, found=True)
    for found in Decision(tuple(findings)).blocking():
        lot_actions.place_hold(session, lot, f"{found.rule}: {found.because}", at=at, by=by)
    audit.note(
        session,
        by,
        "unlabelled carton taken in",
        lot.code,
        at=at,
        site_id=lot.site_id,
        after=lot,
        detail={"may_be": [each.code for each in may_be], "reason": carton.reason},
    )
    return Unlabelled(lot, tuple(may_be), tuple(findings))


def _may_be(
    session: Session, carton: UnlabelledIn, product: Product, place: Place, by: Actor
) -> list[Lot]:
    found = []
    for number, code in enumerate(dict.fromkeys(carton.may_be)):
        lot = lots.lot_by_code(session, code, by=by, field=f"may_be.{number}")
        if lot.site_id != place.site_id:
            raise Conflict(f"lot {lot.code} is at another site", kind="another-site")
        if lot.species_code != product.species_code:
            raise Invalid.at(f"may_be.{number}", f"is {lot.species_code}, not the product's fish")
        found.append(lot)
    return found


def _candidate(lot: Lot, facts: LotFacts) -> Candidate:
    return Candidate(
        lot.code,
        Days(lot.caught_from, lot.caught_to, lot.frozen_on),
        lot.best_before,
        barred=facts.held or facts.rejected,
    )


def _doubtful_lot(
    session: Session,
    carton: UnlabelledIn,
    product: Product,
    view: SiteView,
    may_be: list[Lot],
    taken: Taken,
    occurred_at: datetime,
) -> Lot:
    grams, cartons = amount_of(product, carton.mass, carton.cartons, "cartons")
    day = view.day_of(occurred_at)
    first = min(may_be, key=lambda lot: lot.arrived_at) if may_be else None
    return Lot(
        site_id=view.id,
        product_id=product.id or 0,
        species_code=product.species_code,
        code=lot_actions.next_code(session, f"{product.species_code}{day:%y%m%d}", 2),
        part=product.part,
        size_grade=product.size_grade,
        form=product.form,
        delivery_id=first.delivery_id if first else 0,
        received_as=ReceivedAs.FROZEN,
        doubtful=bool(may_be),
        age_basis=taken.age_basis,
        caught_from=taken.days.caught_from,
        caught_to=taken.days.caught_to,
        frozen_on=taken.days.frozen_on,
        age_from=taken.days.age_from,
        best_before=taken.best_before,
        received_on=first.received_on if first else day,
        arrived_at=first.arrived_at if first else occurred_at,
        grams=grams,
        cartons=cartons,
    )


def _delivery(
    session: Session,
    product: Product,
    view: SiteView,
    occurred_at: datetime,
    at: datetime,
    by: Actor,
) -> int:
    """Nobody knows with which delivery it came: its own."""
    delivery = Delivery(
        site_id=view.id,
        supplier_id=product.supplier_id,
        arrived_at=occurred_at,
        recorded_at=at,
        by=by.name,
    )
    session.add(delivery)
    session.flush()
    return delivery.id or 0
