"""Where a lot comes from, its corrections, and cartons that nobody can read."""

from collections.abc import Sequence

from fastapi import APIRouter
from sqlmodel import Session

from service.decisions import Decision, Finding
from service.http.sessions import Now, ReadSession, WriteSession
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.rules import AgeBasis, LotStatus
from service.provenance import actions, queries
from service.provenance.schemas import (
    CorrectionIn,
    CorrectionOut,
    ProvenanceOut,
    UnlabelledIn,
    UnlabelledOut,
)
from service.security.guard import MayCorrectLot, MayLook, MayReceive, guarded_router
from service.site import queries as sites

of_lots: APIRouter = guarded_router("/lots", "provenance")
unlabelled: APIRouter = guarded_router("/unlabelled-cartons", "provenance")
routers = (of_lots, unlabelled)


@of_lots.get("/{lot}/provenance")
def get_provenance(lot: str, session: ReadSession, by: MayLook) -> ProvenanceOut:
    """Where a lot comes from, what was corrected of it, and which lots it may be of."""
    return _out(session, lots.lot_by_code(session, lot, by=by))


@of_lots.post("/{lot}/corrections", status_code=201)
def correct(
    lot: str, wanted: CorrectionIn, session: WriteSession, at: Now, by: MayCorrectLot
) -> ProvenanceOut:
    """What was written of a lot is wrong: what is right, and what proves it."""
    corrected, breaches = actions.correct(session, lot, wanted, at=at, by=by)
    return _out(session, corrected, breaches)


@unlabelled.post("", status_code=201)
def take_in(carton: UnlabelledIn, session: WriteSession, at: Now, by: MayReceive) -> UnlabelledOut:
    """A carton whose label nobody can read: the oldest day and the worst past of what it may be."""
    taken = actions.take_in(session, carton, at=at, by=by)
    held = bool(Decision(taken.findings).blocking())
    return UnlabelledOut(
        code=taken.lot.code,
        status=LotStatus.HELD if held else LotStatus.ACCEPTED,
        mass=sites.view(session, taken.lot.site_id, at=at).units.mass_out(taken.lot.grams),
        may_be=[lot.code for lot in taken.candidates],
        age_from=taken.lot.age_from,
        findings=list(taken.findings),
    )


def _out(session: Session, lot: Lot, breaches: Sequence[Finding] = ()) -> ProvenanceOut:
    number = lot.id or 0
    return ProvenanceOut(
        lot=lot.code,
        supplier=queries.supplier_of(session, lot),
        supplier_lot=lot.supplier_lot,
        age_basis=AgeBasis(lot.age_basis),
        age_from=lot.age_from,
        caught_from=lot.caught_from,
        caught_to=lot.caught_to,
        frozen_on=lot.frozen_on,
        best_before=lot.best_before,
        delivery=lot.delivery_id,
        may_be=[each.code for each in lots.candidates(session, number)] if lot.doubtful else [],
        corrections=[CorrectionOut.model_validate(c) for c in lots.corrections(session, number)],
        breaches=list(breaches),
    )
