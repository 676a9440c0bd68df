"""An inspection as far as it has come: what is open, what is proposed and why."""

from collections.abc import Sequence

from sqlmodel import Session

from service.inspections import queries
from service.inspections.models import Inspection, InspectionLot
from service.inspections.queries import State
from service.inspections.rules.cartons import third_of
from service.inspections.rules.checklist import Answer, Purpose
from service.inspections.rules.outcome import (
    Proposal,
    Verdict,
    proposal,
    strictest,
    with_measured,
)
from service.inspections.schemas import (
    AnswerOut,
    CartonOut,
    CoreOut,
    CountOut,
    InspectedLot,
    InspectionOut,
    ReasonOut,
    SampleOut,
    SignatureOut,
)
from service.lots.models import Lot
from service.lots.rules import ReceivedAs
from service.quantities import TemperatureUnit, Units, to_celsius
from service.site import queries as sites


def shown(session: Session, found: Sequence[Inspection]) -> list[InspectionOut]:
    """Inspections of one site, each by the policy in force when it was opened.

    Nine queries, however many there are.
    """
    if not found:
        return []
    policies = queries.policies(session, found)
    units = sites.view(session, found[0].site_id, at=found[0].opened_at).units
    built = []
    for state in queries.states(session, found):
        seen, policy = state.seen(), policies[state.inspection.policy_version]
        proposed = [proposal(each, policy) for each in seen]
        answered = [dict(with_measured(each, policy)) for each in seen]
        built.append(_out(state, proposed, answered, units))
    return built


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
