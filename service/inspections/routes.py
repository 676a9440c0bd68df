"""The checklist, inspections of a delivery, and a supplier's record."""

from dataclasses import asdict

from fastapi import APIRouter

from service.catalogue import queries as catalogue
from service.http.bodies import Number, Page
from service.http.sessions import Now, ReadSession, WriteSession
from service.inspections import queries
from service.inspections.actions import answering, opening, showing, signing
from service.inspections.rules.checklist import Item, items
from service.inspections.rules.outcome import Verdict
from service.inspections.schemas import (
    AnswersIn,
    FailureOut,
    InspectionIn,
    InspectionOut,
    ItemOut,
    SignatureIn,
    SupplierRecord,
)
from service.lots.rules import ReceivedAs
from service.receiving import queries as receiving
from service.security.guard import MayLook, MayReceive, guarded_router
from service.site import queries as sites

checklist: APIRouter = guarded_router("/inspection-items", "inspections")
deliveries: APIRouter = guarded_router("/deliveries", "inspections")
inspections: APIRouter = guarded_router("/inspections", "inspections")
suppliers: APIRouter = guarded_router("/suppliers", "inspections")
routers = (checklist, deliveries, inspections, suppliers)

LAST_FAILURES = 10


@checklist.get("")
def list_items(by: MayLook) -> Page[ItemOut]:
    """The questions of an inspection in their order, and what each answer looks like."""
    return Page(items=[_item_out(item) for item in items().values()])


@deliveries.post("/{delivery}/inspections", status_code=201)
def open_inspection(
    delivery: Number, order: InspectionIn, session: WriteSession, at: Now, by: MayReceive
) -> InspectionOut:
    """Begin to look through a delivery, or one lot of it; says which cartons to open."""
    opened = opening.open_inspection(session, delivery, order, at=at, by=by)
    return showing.shown(session, [opened])[0]


@deliveries.get("/{delivery}/inspections")
def list_inspections(delivery: Number, session: ReadSession, by: MayLook) -> Page[InspectionOut]:
    """The inspections of a delivery, newest first; all of them, corrected ones too."""
    receiving.delivery_by_id(session, delivery, by=by)
    return Page(items=showing.shown(session, queries.inspections_of(session, delivery)))


@inspections.get("/{inspection}")
def get_inspection(inspection: Number, session: ReadSession, by: MayLook) -> InspectionOut:
    """An inspection as far as it has come: what is open, what is proposed and why."""
    return showing.shown(session, [queries.inspection_by_id(session, inspection, by=by)])[0]


@inspections.post("/{inspection}/answers", status_code=201)
def record_answers(
    inspection: Number, said: AnswersIn, session: WriteSession, at: Now, by: MayReceive
) -> InspectionOut:
    """Save answers, core temperatures and counts so far; the newest of each counts."""
    return showing.shown(session, [answering.record(session, inspection, said, at=at, by=by)])[0]


@inspections.post("/{inspection}/signature", status_code=201)
def sign(
    inspection: Number, order: SignatureIn, session: WriteSession, at: Now, by: MayReceive
) -> InspectionOut:
    """Decide and sign: held and rejected lots are so at once; nothing changes afterwards."""
    return showing.shown(session, [signing.sign(session, inspection, order, at=at, by=by)])[0]


@suppliers.get("/{supplier}/inspections")
def supplier_record(supplier: str, session: ReadSession, by: MayLook) -> SupplierRecord:
    """How a supplier's loads have been at your sites; corrected inspections are left out."""
    found = catalogue.supplier_by_code(session, supplier, field="supplier")
    seen = sites.sites_seen(session, by=by)
    ended = queries.decisions_of(session, found.id or 0, seen)
    failed = queries.last_signed(
        session, found.id or 0, seen, limit=LAST_FAILURES, failed_only=True
    )
    return SupplierRecord(
        supplier=found.code,
        accepted=ended.get(Verdict.ACCEPT, 0),
        held=ended.get(Verdict.HOLD, 0),
        rejected=ended.get(Verdict.REJECT, 0),
        last_failures=[FailureOut(**asdict(each)) for each in failed],
    )


def _item_out(item: Item) -> ItemOut:
    columns = asdict(item)
    code, asked_of = columns.pop("code"), columns.pop("asked_of")
    return ItemOut(item=code, asked_of=[s for s in ReceivedAs if s in asked_of], **columns)
