"""What people do with a lot: hold, release, move, count, correct, test, and take it away."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from fastapi import Response
from sqlmodel import Session

from service.assays.actions import recording
from service.assays.rules.limits import units
from service.assays.schemas import AssayIn, WithdrawalIn
from service.catalogue.rules import Basis, nutrients, species_facts
from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.ledger import queries as ledger
from service.ledger.actions import removing
from service.ledger.actions import stock as booking
from service.ledger.schemas import CondemnationIn, CountIn, MoveIn, SupplierReturnIn
from service.lots import actions as deciding
from service.lots import queries as lots
from service.lots.models import Hold, Lot
from service.lots.rules import AgeBasis, Portion
from service.lots.schemas import HoldIn, RejectionIn
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.words import _
from service.provenance import actions as provenance
from service.provenance.schemas import CorrectionIn
from service.security.guard import (
    MayAssay,
    MayCondemn,
    MayCorrectLot,
    MayCount,
    MayHold,
    MayMove,
    MayReject,
    MayRelease,
)
from service.site import queries as sites

router = page_router("/stock")

Act = Literal["hold", "move", "count", "correct", "assay", "reject", "return", "condemn"]
BASES = (
    (AgeBasis.CAUGHT, _("Catch")),
    (AgeBasis.HARVESTED, _("Harvest")),
    (AgeBasis.FROZEN, _("Freezing")),
)


@dataclass(frozen=True)
class Heap:
    """What of the lot is in one place and not reserved or thawing."""

    place: str
    grams: int
    cartons: int | None


@dataclass(frozen=True)
class ActShown:
    """A form about a lot: one question."""

    act: Act
    lot: Lot
    fish: str
    heaps: Sequence[Heap]
    places: Sequence[tuple[str, str]]
    unit: str
    nutrients: Sequence[tuple[str, str]]
    tests: Sequence[tuple[str, str]]
    bases: Sequence[tuple[str, str]]
    portions: Sequence[tuple[str, str]]
    age_bases: Sequence[tuple[str, str]]
    today: str


def _asked(screen: Screen, act: Act, code: str) -> Response:
    lot = lots.lot_by_code(screen.session, code, by=screen.by)
    screen = screen.at_site(lot.site_id)
    shown = ActShown(
        act=act,
        lot=lot,
        fish=species_facts()[lot.species_code].name,
        heaps=_heaps(screen, lot),
        places=[(place.code, place.name) for place in sites.places_of(screen.session, lot.site_id)],
        unit=screen.view.units.mass,
        nutrients=[(each.tag, f"{each.name} ({each.unit})") for each in nutrients().values()],
        tests=[(name, f"{name.replace('_', ' ')} ({unit})") for name, unit in units().items()],
        bases=[(each.value, each.value.replace("_", " ")) for each in Basis],
        portions=[(each.value, each.value) for each in Portion],
        age_bases=[(each.value, screen.write.say(word)) for each, word in BASES],
        today=screen.view.day_of(screen.at).isoformat(),
    )
    return screen.show("stock_act.html", shown)


def _at_its_site(screen: Screen, code: str) -> Screen:
    return screen.at_site(lots.lot_by_code(screen.session, code, by=screen.by).site_id)


def _heaps(screen: Screen, lot: Lot) -> list[Heap]:
    rows = ledger.stock_rows(
        screen.session,
        site_ids=[lot.site_id],
        now=screen.at,
        species=None,
        place_id=None,
        lot_id=lot.id,
        after_id=0,
        limit=500,
    )
    found: dict[str, Heap] = {}
    for row in rows:
        known = found.get(row.place, Heap(row.place, 0, None))
        cartons = (known.cartons or 0) + row.cartons if row.cartons else known.cartons
        found[row.place] = Heap(row.place, known.grams + row.grams, cartons)
    return list(found.values())


def _back(lot: str, said: str) -> Response:
    return go_to(f"/stock/{lot.upper()}", said=said)


@router.get("/{lot}/hold")
def ask_hold(lot: str, screen: OnScreen, by: MayHold) -> Response:
    """Why may nobody use this lot?"""
    return _asked(screen, "hold", lot)


@router.post("/{lot}/hold")
def hold(
    lot: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayHold
) -> Response:
    """Nobody may use this lot until somebody entitled releases it."""
    screen = _at_its_site(screen, lot)
    order = form.read(HoldIn, screen.view.zone)
    found = lots.lot_by_code(session, lot, by=by)
    deciding.place_hold(session, found, order.reason, at=at, by=by, said=order.occurred_at)
    return _back(lot, screen.write.say("%(lot)s is on hold.", lot=found.code))


@router.post("/holds/{hold}/release")
def release(
    hold: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayRelease
) -> Response:
    """End a hold, with a reason."""
    order = form.read(HoldIn, screen.view.zone)
    released = deciding.release_hold(session, hold, order, at=at, by=by)
    return _released(session, screen, released)


def _released(session: Session, screen: Screen, released: Hold) -> Response:
    code = session.get_one(Lot, released.lot_id).code
    still = lots.held_ids(session, [released.lot_id])
    if still:
        return _back(code, screen.write.say("Released. Another hold is still open."))
    return _back(code, screen.write.say("Released: %(lot)s may be used.", lot=code))


@router.get("/{lot}/move")
def ask_move(lot: str, screen: OnScreen, by: MayMove) -> Response:
    """How much of it, from where to where?"""
    return _asked(screen, "move", lot)


@router.post("/{lot}/move")
def move(
    lot: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayMove
) -> Response:
    """Fish of one lot to another place; blocks as whole cartons."""
    screen = _at_its_site(screen, lot)
    order = form.read(MoveIn, screen.view.zone, lot=lot)
    booking.move(session, order, at=at, by=by)
    mass = screen.write.mass(order.mass.grams)
    said = screen.write.say("%(mass)s moved to %(place)s.", mass=mass, place=order.to_place)
    return _back(lot, said)


@router.get("/{lot}/count")
def ask_count(lot: str, screen: OnScreen, by: MayCount) -> Response:
    """How much is there?"""
    return _asked(screen, "count", lot)


@router.post("/{lot}/count")
def count(
    lot: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayCount
) -> Response:
    """Bring the books to what somebody counted."""
    screen = _at_its_site(screen, lot)
    order = form.read(CountIn, screen.view.zone, lot=lot)
    _movement, difference = booking.count(session, order, at=at, by=by)
    if difference == 0:
        return _back(lot, screen.write.say("Counted: as booked."))
    mass = screen.write.mass(abs(difference))
    if difference < 0:
        return _back(lot, screen.write.say("Counted: %(mass)s missing.", mass=mass))
    return _back(lot, screen.write.say("Counted: %(mass)s too much.", mass=mass))


@router.get("/{lot}/correct")
def ask_correct(lot: str, screen: OnScreen, by: MayCorrectLot) -> Response:
    """What is written wrong, what is right, and what proves it?"""
    return _asked(screen, "correct", lot)


@router.post("/{lot}/correct")
def correct(
    lot: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayCorrectLot
) -> Response:
    """What was written of a lot is wrong: what is right, and what proves it."""
    screen = _at_its_site(screen, lot)
    wanted = form.read(CorrectionIn, screen.view.zone)
    provenance.correct(session, lot, wanted, at=at, by=by)
    return _back(lot, screen.write.say("Corrected."))


@router.get("/{lot}/assay")
def ask_assay(lot: str, screen: OnScreen, by: MayAssay) -> Response:
    """What did the laboratory find?"""
    return _asked(screen, "assay", lot)


@router.post("/{lot}/assay")
def assay(
    lot: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayAssay
) -> Response:
    """A laboratory's results of one sample of a lot; out of limits, the lot is held."""
    screen = _at_its_site(screen, lot)
    order = form.read(AssayIn, screen.view.zone, **_results(form.nested(screen.view.zone)))
    stored = recording.record_assay(session, lot, order, at=at, by=by)
    if any(finding.get("outcome") in ("hold", "block") for finding in stored.findings or []):
        return _back(lot, screen.write.say("Recorded. Out of limits: the lot is on hold."))
    return _back(lot, screen.write.say("Laboratory result recorded."))


def _results(nested: dict[str, object]) -> dict[str, object]:
    """Lines without a figure are left out; the figures of a test may be several, with spaces."""
    return {
        "values": [
            {"unit": _unit_of(line.get("nutrient"))} | line
            for line in _lines(nested, "values")
            if "amount" in line
        ],
        "tests": [
            line | {"values": str(line["values"]).split()}
            for line in _lines(nested, "tests")
            if "values" in line
        ],
    }


def _unit_of(tag: object) -> str:
    """The service's unit of a nutrient, where no other was named."""
    known = nutrients().get(str(tag))
    return known.unit if known else "?"


def _lines(nested: dict[str, object], name: str) -> list[dict[str, object]]:
    lines = nested.get(name, [])
    return [line for line in lines if isinstance(line, dict)] if isinstance(lines, list) else []


@router.post("/assays/{assay}/withdraw")
def withdraw(
    assay: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayAssay
) -> Response:
    """An assay does not count any more, for a reason; it stays in sight."""
    order = form.read(WithdrawalIn, screen.view.zone)
    _assay, lot = recording.withdraw(session, assay, order, at=at, by=by)
    return _back(lot.code, screen.write.say("The laboratory result does not count any more."))


@router.get("/{lot}/reject")
def ask_reject(lot: str, screen: OnScreen, by: MayReject) -> Response:
    """Why is it not taken in?"""
    return _asked(screen, "reject", lot)


@router.post("/{lot}/reject")
def reject(
    lot: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayReject
) -> Response:
    """A person decides that a lot is not taken in."""
    screen = _at_its_site(screen, lot)
    order = form.read(RejectionIn, screen.view.zone)
    rejected = deciding.reject(session, lot, order, at=at, by=by)
    return _back(lot, screen.write.say("%(lot)s is rejected.", lot=rejected.code))


@router.get("/{lot}/return")
def ask_return(lot: str, screen: OnScreen, by: MayReject) -> Response:
    """How much goes back, and why?"""
    return _asked(screen, "return", lot)


@router.post("/{lot}/return")
def give_back(
    lot: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayReject
) -> Response:
    """Frozen fish goes back to its supplier; never what has left the freezer to thaw."""
    screen = _at_its_site(screen, lot)
    order = form.read(SupplierReturnIn, screen.view.zone)
    removed = removing.give_back(session, lot, order, at=at, by=by)
    left = screen.write.mass(removed.left_g)
    return _back(lot, screen.write.say("Returned to the supplier; %(mass)s are left.", mass=left))


@router.get("/{lot}/condemn")
def ask_condemn(lot: str, screen: OnScreen, by: MayCondemn) -> Response:
    """How much may nobody eat, and why?"""
    return _asked(screen, "condemn", lot)


@router.post("/{lot}/condemn")
def condemn(
    lot: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayCondemn
) -> Response:
    """Nobody may eat this fish: it is thrown away, and what is left of the lot is held."""
    screen = _at_its_site(screen, lot)
    order = form.read(CondemnationIn, screen.view.zone)
    removed = removing.condemn(session, lot, order, at=at, by=by)
    left = screen.write.mass(removed.left_g)
    said = screen.write.say("Condemned; %(mass)s are left, on hold.", mass=left)
    return _back(lot, said if removed.left_g else screen.write.say("Condemned: nothing is left."))
