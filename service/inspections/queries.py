"""Every select of inspections."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import TypeVar

from sqlalchemy import ColumnElement, func
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from service.catalogue.models import Supplier
from service.decisions import Finding
from service.errors import NotFound
from service.inspections.models import (
    Inspection,
    InspectionAnswer,
    InspectionCore,
    InspectionCount,
    InspectionLot,
    InspectionSignature,
)
from service.inspections.rules.cartons import Sample
from service.inspections.rules.checklist import Answer, Purpose, stricter
from service.inspections.rules.outcome import Arrived, Opened, Seen, Verdict
from service.lots.models import Lot
from service.lots.rules import ReceivedAs
from service.quantities import Temperature, TemperatureUnit
from service.receiving.models import Delivery, Receipt
from service.security.actor import Actor
from service.site.models import PolicyVersion
from service.site.queries import policy_from
from service.site.rules import Policy, default_policy

Fact = InspectionAnswer | InspectionCore | InspectionCount
AnyFact = TypeVar("AnyFact", InspectionAnswer, InspectionCore, InspectionCount)


@dataclass(frozen=True)
class State:
    """An inspection with everything that was recorded of it, oldest first."""

    inspection: Inspection
    supplier: str
    lots: Sequence[tuple[InspectionLot, Lot]]
    answers: Sequence[InspectionAnswer]
    cores: Sequence[InspectionCore]
    counts: Sequence[InspectionCount]
    arrived: Mapping[int, Arrived]
    signature: InspectionSignature | None

    @property
    def lot_codes(self) -> dict[int, str]:
        """The codes of its lots by id."""
        return {lot.id or 0: lot.code for _, lot in self.lots}

    @property
    def counting(self) -> frozenset[int]:
        """Python identities of the facts that no newer one replaces."""
        newest: dict[tuple[object, ...], Fact] = {}
        for answer in self.answers:
            newest[("answer", answer.item, answer.lot_id)] = answer
        for core in self.cores:
            newest[("core", core.lot_id, core.carton)] = core
        for counted in self.counts:
            newest[("count", counted.lot_id)] = counted
        return frozenset(id(fact) for fact in newest.values())

    def seen(self) -> list[Seen]:
        """What is known of each lot, as the rules take it."""
        counting = self.counting
        return [self._seen(planned, lot, counting) for planned, lot in self.lots]

    def _seen(self, planned: InspectionLot, lot: Lot, counting: frozenset[int]) -> Seen:
        answers: dict[str, Answer] = {}
        for said in self.answers:
            if id(said) in counting and said.lot_id in (None, lot.id):
                answer = Answer(said.answer)
                answers[said.item] = stricter(answers.get(said.item, answer), answer)
        counted = [c for c in self.counts if id(c) in counting and c.lot_id == lot.id]
        sample = Sample(planned.sample, planned.accept, planned.level)
        return Seen(
            lot=lot.code,
            received_as=ReceivedAs(lot.received_as),
            purpose=Purpose(self.inspection.purpose),
            answers=answers,
            cores=[
                Temperature(Decimal(core.value), TemperatureUnit(core.unit))
                for core in self.cores
                if id(core) in counting and core.lot_id == lot.id
            ],
            sample=sample if planned.cartons else None,
            opened=Opened(counted[0].opened, counted[0].defective) if counted else None,
            cartons=planned.cartons,
            arrived=self.arrived.get(lot.id or 0, Arrived()),
        )


def inspection_by_id(
    session: Session, number: int, *, by: Actor, field: str = "inspection", lock: bool = False
) -> Inspection:
    """An inspection. Raises NotFound, and NotAllowed at somebody else's site.

    lock: nobody else answers or signs it until commit.
    """
    statement = select(Inspection).where(col(Inspection.id) == number)
    found = session.exec(statement.with_for_update() if lock else statement).one_or_none()
    if found is None:
        raise NotFound.of("inspection", number, field)
    by.ensure_site(found.site_id)
    return found


def state(session: Session, inspection: Inspection) -> State:
    """An inspection with everything recorded of it. Six queries."""
    return states(session, [inspection])[0]


def states(session: Session, inspections: Sequence[Inspection]) -> list[State]:
    """Several inspections with everything recorded of them. Six queries, however many."""
    ids = [i.id or 0 for i in inspections]
    rows = _lots(session, ids)
    lots = [(planned, lot) for planned, lot, _ in rows]
    arrived = {lot.id or 0: _arrival_cores(receipt) for _, lot, receipt in rows if receipt}
    answers = _facts(session, InspectionAnswer, ids)
    cores = _facts(session, InspectionCore, ids)
    counts = _facts(session, InspectionCount, ids)
    signatures = signatures_of(session, ids)
    suppliers = _suppliers(session, {i.delivery_id for i in inspections})
    return [
        State(
            inspection=inspection,
            supplier=suppliers[inspection.delivery_id],
            lots=[pair for pair in lots if pair[0].inspection_id == inspection.id],
            answers=[fact for fact in answers if fact.inspection_id == inspection.id],
            cores=[fact for fact in cores if fact.inspection_id == inspection.id],
            counts=[fact for fact in counts if fact.inspection_id == inspection.id],
            arrived=arrived,
            signature=signatures.get(inspection.id or 0),
        )
        for inspection in inspections
    ]


def _lots(
    session: Session, ids: Sequence[int]
) -> Sequence[tuple[InspectionLot, Lot, Receipt | None]]:
    statement = (
        select(InspectionLot, Lot, Receipt)
        .join(Lot, col(Lot.id) == col(InspectionLot.lot_id))
        .outerjoin(Receipt, col(Receipt.lot_id) == col(Lot.id))
        .where(col(InspectionLot.inspection_id).in_(ids))
        .order_by(col(InspectionLot.inspection_id), col(Lot.id))
    )
    return session.exec(statement).all()


def _facts(session: Session, kind: type[AnyFact], ids: Sequence[int]) -> Sequence[AnyFact]:
    """In the order in which they happened; at one instant, in which they were recorded."""
    statement = (
        select(kind)
        .where(col(kind.inspection_id).in_(ids))
        .order_by(col(kind.occurred_at), col(kind.id))
    )
    return session.exec(statement).all()


def _arrival_cores(receipt: Receipt) -> Arrived:
    found = {f.rule: f for f in map(Finding.model_validate, receipt.findings)}
    core = found.get("core-too-warm")
    return Arrived(len(receipt.cores_c), core.outcome.value if core else None)


def signatures_of(session: Session, ids: Sequence[int]) -> dict[int, InspectionSignature]:
    """The signatures of these inspections. One query."""
    statement = select(InspectionSignature).where(col(InspectionSignature.inspection_id).in_(ids))
    return {signed.inspection_id: signed for signed in session.exec(statement)}


def _suppliers(session: Session, delivery_ids: Iterable[int]) -> dict[int, str]:
    statement = (
        select(Delivery.id, Supplier.code)
        .join(Supplier, col(Supplier.id) == col(Delivery.supplier_id))
        .where(col(Delivery.id).in_(set(delivery_ids)))
    )
    return {number or 0: code for number, code in session.exec(statement)}


def policies(session: Session, inspections: Sequence[Inspection]) -> dict[int, Policy]:
    """The policies under which these inspections of one site were opened, by version. One query."""
    statement = select(PolicyVersion).where(
        col(PolicyVersion.site_id).in_({i.site_id for i in inspections}),
        col(PolicyVersion.version).in_({i.policy_version for i in inspections}),
    )
    found = {version.version: policy_from(version) for version in session.exec(statement)}
    return {0: default_policy(), **found}


def inspections_of(session: Session, delivery_id: int) -> Sequence[Inspection]:
    """The inspections of a delivery, newest first. One query."""
    statement = (
        select(Inspection)
        .where(col(Inspection.delivery_id) == delivery_id)
        .order_by(col(Inspection.id).desc())
    )
    return session.exec(statement).all()


def unsigned(
    session: Session, site_id: int, *, since: datetime, limit: int
) -> Sequence[tuple[Inspection, str]]:
    """Inspections of a site that nobody has signed yet, newest first, with their suppliers'
    codes. One query."""
    statement = (
        select(Inspection, Supplier.code)
        .join(Delivery, col(Delivery.id) == col(Inspection.delivery_id))
        .join(Supplier, col(Supplier.id) == col(Delivery.supplier_id))
        .outerjoin(
            InspectionSignature, col(InspectionSignature.inspection_id) == col(Inspection.id)
        )
        .where(
            col(Inspection.site_id) == site_id,
            col(Inspection.opened_at) >= since,
            col(InspectionSignature.inspection_id).is_(None),
        )
        .order_by(col(Inspection.id).desc())
        .limit(limit)
    )
    return session.exec(statement).all()


def lots_of(session: Session, delivery_id: int) -> Sequence[Lot]:
    """The lots of a delivery. One query."""
    statement = select(Lot).where(col(Lot.delivery_id) == delivery_id).order_by(col(Lot.id))
    return session.exec(statement).all()


def corrected_by(session: Session, number: int) -> int | None:
    """The inspection that replaces this one. One query."""
    statement = select(Inspection.id).where(col(Inspection.corrects_id) == number)
    return session.exec(statement.limit(1)).first()


def earlier_deliveries(session: Session, delivery: Delivery) -> int:
    """How many deliveries of this supplier came to this site before. One query."""
    statement = select(func.count(col(Delivery.id))).where(
        col(Delivery.site_id) == delivery.site_id,
        col(Delivery.supplier_id) == delivery.supplier_id,
        col(Delivery.arrived_at) < delivery.arrived_at,
    )
    return session.exec(statement).one()


@dataclass(frozen=True)
class Signed:
    """A signed inspection in a supplier's record."""

    inspection: int
    delivery: int
    decision: Verdict
    reason: str
    signed_at: datetime
    by: str


def _uncorrected() -> ColumnElement[bool]:
    """No signed inspection replaces this one."""
    later = (
        select_columns(col(Inspection.corrects_id))
        .join(InspectionSignature, col(InspectionSignature.inspection_id) == col(Inspection.id))
        .where(col(Inspection.corrects_id).is_not(None))
    )
    return col(InspectionSignature.inspection_id).not_in(later)


def last_signed(
    session: Session,
    supplier_id: int,
    site_ids: Sequence[int],
    *,
    limit: int,
    failed_only: bool = False,
) -> list[Signed]:
    """A supplier's last signed inspections, newest first; corrected ones left out. One query."""
    statement = (
        select(InspectionSignature, Inspection.delivery_id)
        .join(Inspection, col(Inspection.id) == col(InspectionSignature.inspection_id))
        .join(Delivery, col(Delivery.id) == col(Inspection.delivery_id))
        .where(
            col(Delivery.supplier_id) == supplier_id,
            col(Inspection.site_id).in_(site_ids),
            _uncorrected(),
        )
        .order_by(
            col(InspectionSignature.signed_at).desc(),
            col(InspectionSignature.inspection_id).desc(),
        )
        .limit(limit)
    )
    if failed_only:
        statement = statement.where(col(InspectionSignature.decision) != Verdict.ACCEPT.value)
    return [
        Signed(
            inspection=signed.inspection_id,
            delivery=delivery_id,
            decision=Verdict(signed.decision),
            reason=signed.reason,
            signed_at=signed.signed_at,
            by=signed.by,
        )
        for signed, delivery_id in session.exec(statement)
    ]


def decisions_of(session: Session, supplier_id: int, site_ids: Sequence[int]) -> dict[Verdict, int]:
    """How many of a supplier's inspections ended how; corrected ones left out. One query."""
    statement = (
        select_columns(col(InspectionSignature.decision), func.count())
        .join(Inspection, col(Inspection.id) == col(InspectionSignature.inspection_id))
        .join(Delivery, col(Delivery.id) == col(Inspection.delivery_id))
        .where(
            col(Delivery.supplier_id) == supplier_id,
            col(Inspection.site_id).in_(site_ids),
            _uncorrected(),
        )
        .group_by(col(InspectionSignature.decision))
    )
    return {Verdict(decision): number for decision, number in session.execute(statement)}
