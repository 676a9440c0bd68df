"""The checklist, inspections of a delivery, and a supplier's record."""

from collections.abc import Sequence
from dataclasses import asdict

from fastapi import APIRouter
from sqlmodel import Session

from service.catalogue import queries as catalogue
from service.http.bodies import Number, Page
from service.http.sessions import Now, ReadSession, WriteSession
from service.inspections import queries
from service.inspections.actions import answering, opening, signing
from service.inspections.models import Inspection, InspectionLot
from service.inspections.queries import State
from service.inspections.rules.cartons import third_of
from service.inspections.rules.checklist import Answer, Item, Purpose, items
from service.inspections.rules.outcome import (
    Proposal,
    Verdict,
    proposal,
    strictest,
    with_measured,
)
from service.inspections.schemas import (
    AnswerOut,
    AnswersIn,
    CartonOut,
    CoreOut,
    CountOut,
    FailureOut,
    InspectedLot,
    InspectionIn,
    InspectionOut,
    ItemOut,
    ReasonOut,
    SampleOut,
    SignatureIn,
    SignatureOut,
    SupplierRecord,
)
from service.lots.models import Lot
from service.lots.rules import ReceivedAs
from service.quantities import TemperatureUnit, Units, to_celsius
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
    return _shown(session, [opened])[0]


@deliveries.get("/{delivery}/inspections")
def list_inspections(delivery: Number, session: ReadSession, by: MayLook) -> Page[InspectionOut]:
    """The inspections of a delivery, newest first; all of them, corrected ones too."""
    receiving.delivery_by_id(session, delivery, by=by)
    return Page(items=_shown(session, queries.inspections_of(session, delivery)))


@inspections.get("/{inspection}")
def get_inspection(inspection: Number, session: ReadSession, by: MayLook) -> InspectionOut:
    """An inspection as far as it has come: what is open, what is proposed and why."""
    return _shown(session, [queries.inspection_by_id(session, inspection, by=by)])[0]


@inspections.post("/{inspection}/answers", status_code=201)
def record_answers(
    inspection: Number, said: AnswersIn, session: WriteSession, at: Now, by: MayReceive
) -> InspectionOut:
    """Save answers, core temperatures and counts so far; the newest of each counts."""
    return _shown(session, [answering.record(session, inspection, said, at=at, by=by)])[0]


@inspections.post("/{inspection}/signature", status_code=201)
def sign(
    inspection: Number, order: SignatureIn, session: WriteSession, at: Now, by: MayReceive
) -> InspectionOut:
    """Decide and sign: held and rejected lots are so at once; nothing changes afterwards."""
    return _shown(session, [signing.sign(session, inspection, order, at=at, by=by)])[0]


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


def _shown(session: Session, found: Sequence[Inspection]) -> list[InspectionOut]:
    """Inspections of one site, each by the policy in force when it was opened.

    Nine queries, however many there are.
    """
    if not found:
        return []
    policies = queries.policies(session, found)
    units = sites.view(session, found[0].site_id, at=found[0].opened_at).units
    shown = []
    for state in queries.states(session, found):
        seen, policy = state.seen(), policies[state.inspection.policy_version]
        proposed = [proposal(each, policy) for each in seen]
        answered = [dict(with_measured(each, policy)) for each in seen]
        shown.append(_out(state, proposed, answered, units))
    return shown


def _out(
    state: State,
    proposed: Sequence[Proposal],
    answered: Sequence[dict[str, Answer]],
    units: Units,
) -> InspectionOut:
    inspection, counting = state.inspection, state.counting
    return InspectionOut(
        id=inspection.id or 0,
        delivery=inspection.delivery_id,
        supplier=state.supplier,
        purpose=Purpose(inspection.purpose),
        failures=inspection.failures,
        corrects=inspection.corrects_id,
        opened_at=inspection.opened_at,
        by=inspection.by,
        proposed=strictest([each.verdict for each in proposed]),
        lots=[
            _lot_out(state, planned, lot, each, said)
            for (planned, lot), each, said in zip(state.lots, proposed, answered, strict=True)
        ],
        answers=_answers_out(state, counting),
        cores=_cores_out(state, counting, units),
        counts=_counts_out(state, counting),
        signature=SignatureOut.model_validate(state.signature) if state.signature else None,
    )


def _lot_out(
    state: State,
    planned: InspectionLot,
    lot: Lot,
    proposed: Proposal,
    answered: dict[str, Answer],
) -> InspectedLot:
    decided = state.signature.lots.get(lot.code) if state.signature else None
    return InspectedLot(
        lot=lot.code,
        species=lot.species_code,
        received_as=ReceivedAs(lot.received_as),
        cartons=planned.cartons,
        sample=_sample_out(state, planned) if planned.cartons else None,
        answered=answered,
        open_items=list(proposed.open_items),
        proposed=proposed.verdict,
        reasons=[ReasonOut(verdict=r.verdict, finding=r.found) for r in proposed.reasons],
        decided=None if decided is None else Verdict(decided),
    )


def _sample_out(state: State, planned: InspectionLot) -> SampleOut:
    measured = {core.carton for core in state.cores if core.lot_id == planned.lot_id}
    return SampleOut(
        size=planned.sample,
        accept=planned.accept,
        level=planned.level,
        key=planned.key,
        cartons=[
            CartonOut(
                carton=carton,
                third=third_of(carton, planned.cartons),
                measured=carton in measured,
            )
            for carton in planned.chosen
        ],
    )


def _answers_out(state: State, counting: frozenset[int]) -> list[AnswerOut]:
    codes = state.lot_codes
    return [
        AnswerOut(
            item=said.item,
            lot=None if said.lot_id is None else codes[said.lot_id],
            answer=Answer(said.answer),
            note=said.note,
            photos=said.photos,
            occurred_at=said.occurred_at,
            by=said.by,
            counts=id(said) in counting,
        )
        for said in state.answers
    ]


def _cores_out(state: State, counting: frozenset[int], units: Units) -> list[CoreOut]:
    codes = state.lot_codes
    return [
        CoreOut(
            lot=codes[core.lot_id],
            carton=core.carton,
            temperature=units.temperature_out(
                to_celsius(float(core.value), TemperatureUnit(core.unit))
            ),
            occurred_at=core.occurred_at,
            by=core.by,
            counts=id(core) in counting,
        )
        for core in state.cores
    ]


def _counts_out(state: State, counting: frozenset[int]) -> list[CountOut]:
    codes = state.lot_codes
    return [
        CountOut(
            lot=codes[counted.lot_id],
            opened=counted.opened,
            defective=counted.defective,
            note=counted.note,
            occurred_at=counted.occurred_at,
            by=counted.by,
            counts=id(counted) in counting,
        )
        for counted in state.counts
    ]
