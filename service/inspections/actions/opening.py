"""Opening an inspection: how closely, which lots, which cartons."""

import secrets
from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session

from service.catalogue import queries as catalogue
from service.decisions import Decision
from service.errors import Conflict, Invalid
from service.inspections import queries
from service.inspections.models import Inspection, InspectionLot
from service.inspections.queries import Fact, State
from service.inspections.rules.cartons import Load, Sample, drawn, sample_of
from service.inspections.rules.checklist import PURPOSES, Purpose
from service.inspections.rules.outcome import Verdict
from service.inspections.rules.purpose import due_purpose, purpose_finding
from service.inspections.schemas import InspectionIn
from service.lots.models import Lot
from service.lots.rules import ReceivedAs
from service.receiving import queries as receiving
from service.receiving.models import Delivery
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.queries import SiteView


def open_inspection(
    session: Session, delivery_id: int, order: InspectionIn, *, at: datetime, by: Actor
) -> Inspection:
    """Begin to look through a delivery: the cartons to open are drawn now.

    A correction takes over what was recorded; looked at as closely as before, also the
    cartons. Raises NotFound, Invalid for a lot of another delivery, Conflict for a
    correction of what is not signed or was corrected, RuleRefused for less than is due.
    Cost: about ten queries, whatever the history.
    """
    delivery, _ = receiving.delivery_by_id(session, delivery_id, by=by)
    lots = _lots(session, delivery, order)
    before = _corrected(session, delivery, order, by)
    opened_at = sites.happened_at(session, delivery.site_id, order.occurred_at, now=at)
    view = sites.view(session, delivery.site_id, at=opened_at)
    inspection = Inspection(
        site_id=delivery.site_id,
        delivery_id=delivery_id,
        purpose=_purpose(session, delivery, order, before, view, opened_at, at, by),
        failures=failures(session, delivery, view),
        corrects_id=before.inspection.id if before else None,
        opened_at=opened_at,
        recorded_at=at,
        by=by.name,
        policy_version=view.policy_version,
    )
    session.add(inspection)
    session.flush()
    _plan(session, inspection, lots, before, view)
    if before is not None:
        _take_over(session, inspection, lots, before)
    audit.note(
        session,
        by,
        "inspection opened",
        inspection.id,
        at=at,
        site_id=delivery.site_id,
        after=inspection,
        detail={"delivery": delivery_id, "lots": [lot.code for lot in lots]},
    )
    return inspection


def _lots(session: Session, delivery: Delivery, order: InspectionIn) -> Sequence[Lot]:
    lots = queries.lots_of(session, delivery.id or 0)
    if order.lot is None:
        return lots
    chosen = [lot for lot in lots if lot.code == order.lot]
    if not chosen:
        raise Invalid.at("lot", f"{order.lot} is no lot of delivery {delivery.id}")
    return chosen


def _corrected(
    session: Session, delivery: Delivery, order: InspectionIn, by: Actor
) -> State | None:
    """The inspection that is corrected, with all that was recorded of it."""
    if order.corrects is None:
        return None
    found = queries.inspection_by_id(session, order.corrects, by=by, field="corrects", lock=True)
    if found.delivery_id != delivery.id:
        raise Invalid.at("corrects", f"is an inspection of delivery {found.delivery_id}")
    before = queries.state(session, found)
    if before.signature is None:
        raise Conflict(f"inspection {found.id} is not signed yet: go on with it")
    later = queries.corrected_by(session, found.id or 0)
    if later is not None:
        raise Conflict(f"inspection {found.id} was corrected by {later}: correct that one")
    return before


def _purpose(
    session: Session,
    delivery: Delivery,
    order: InspectionIn,
    before: State | None,
    view: SiteView,
    opened_at: datetime,
    at: datetime,
    by: Actor,
) -> Purpose:
    """How closely: as asked, else as before, else as is due. Raises RuleRefused for less."""
    earlier = queries.earlier_deliveries(session, delivery)
    due = due_purpose(earlier, view.policy)
    usual = max(due, Purpose(before.inspection.purpose), key=PURPOSES.index) if before else due
    asked = order.purpose or usual
    site_actions.allow(
        session,
        Decision((purpose_finding(asked, earlier_deliveries=earlier, policy=view.policy),)),
        order,
        site=view,
        subject=f"delivery {delivery.id}",
        occurred_at=opened_at,
        at=at,
        by=by,
    )
    return asked


def failures(session: Session, delivery: Delivery, view: SiteView) -> int:
    """How many of the supplier's last inspections at this site were held or rejected."""
    last = queries.last_signed(
        session,
        delivery.supplier_id,
        [view.id],
        limit=int(view.policy.inspections_looked_back_n),
    )
    return sum(signed.decision is not Verdict.ACCEPT for signed in last)


def _plan(
    session: Session,
    inspection: Inspection,
    lots: Sequence[Lot],
    before: State | None,
    view: SiteView,
) -> None:
    """One row a lot: taken over from the corrected inspection where it fits, else drawn."""
    products = catalogue.products_by_id(session, [lot.product_id for lot in lots])
    kept = {planned.lot_id: planned for planned, _ in before.lots} if before else {}
    same = before is not None and before.inspection.purpose == inspection.purpose
    seed = secrets.token_hex(16)
    for lot in lots:
        if same and lot.id in kept:
            columns = kept[lot.id].model_dump(exclude={"inspection_id"})
            session.add(InspectionLot(inspection_id=inspection.id or 0, **columns))
        else:
            load = _load(lot, products[lot.product_id].carton_g)
            key = f"{inspection.delivery_id}/{inspection.id}/{lot.code}/{seed}"
            session.add(_drawn(inspection, lot, load, view, key))
    session.flush()


def _load(lot: Lot, carton_g: int) -> Load:
    """The cartons of a lot; live fish comes in none."""
    if lot.received_as == ReceivedAs.LIVE:
        return Load(0, carton_g)
    return Load(lot.cartons or -(-lot.grams // carton_g), carton_g)


def _drawn(inspection: Inspection, lot: Lot, load: Load, view: SiteView, key: str) -> InspectionLot:
    purpose = Purpose(inspection.purpose)
    sample = Sample(0, 0, None)
    if load.cartons:
        sample = sample_of(load, purpose, policy=view.policy, failures=inspection.failures)
    spread = purpose is Purpose.ROUTINE
    return InspectionLot(
        inspection_id=inspection.id or 0,
        lot_id=lot.id or 0,
        cartons=load.cartons,
        carton_g=load.carton_g,
        sample=sample.size,
        accept=sample.accept,
        level=sample.level,
        key=key,
        chosen=list(drawn(load, sample, key=key, spread=spread)),
    )


def _take_over(
    session: Session, inspection: Inspection, lots: Sequence[Lot], before: State
) -> None:
    """What counts of the corrected inspection counts here, under the names it was given by."""
    of_lots = {lot.id for lot in lots} | {None}
    same_cartons = before.inspection.purpose == inspection.purpose
    counting = before.counting
    facts: list[Fact] = [*before.answers]
    if same_cartons:
        facts += [*before.cores, *before.counts]
    for fact in facts:
        if id(fact) in counting and fact.lot_id in of_lots:
            columns = fact.model_dump(exclude={"id", "inspection_id", "recorded_at"})
            session.add(
                type(fact)(
                    inspection_id=inspection.id or 0,
                    recorded_at=inspection.recorded_at,
                    **columns,
                )
            )
    session.flush()
