"""Looking through what came: one question a screen, the cartons to open, the decision.

Answers are kept as they are given: whoever opens an inspection stands at its next question.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from math import ceil

from fastapi import APIRouter, Request, Response

from service.catalogue import queries as catalogue
from service.catalogue.models import Product
from service.decisions import Finding
from service.errors import NotFound
from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.inspections import queries
from service.inspections.actions import answering, opening, showing, signing
from service.inspections.rules.cartons import Third
from service.inspections.rules.checklist import Answer, Item, items
from service.inspections.rules.outcome import VERDICTS, Verdict
from service.inspections.schemas import (
    AnswerOut,
    AnswersIn,
    InspectedLot,
    InspectionIn,
    InspectionOut,
    SignatureIn,
)
from service.lots import queries as lots
from service.lots.models import Lot
from service.pages.forms import Entered, Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.receive import product_words
from service.pages.words import _
from service.photos import actions as photos
from service.photos.rules import Kept
from service.receiving import queries as receiving
from service.receiving.models import Delivery, DeliveryDocument
from service.security.guard import MayReceive
from service.traceability.queries import whereabouts

router: APIRouter = page_router("/receive")

MOST_COPIES = 100  # of one label on one sheet
VERDICT_WORDS = {
    Verdict.ACCEPT: _("Accept"),
    Verdict.HOLD: _("Hold"),
    Verdict.REJECT: _("Reject"),
}
ANSWER_WORDS = {
    Answer.ACCEPT: _("Good"),
    Answer.QUESTION: _("In doubt"),
    Answer.REJECT: _("Bad"),
}
THIRD_WORDS = {
    Third.FRONT: _("front"),
    Third.MIDDLE: _("middle"),
    Third.BACK: _("back"),
}


@dataclass(frozen=True)
class Mark:
    """One question in the line of questions: how it was answered, and where it is asked."""

    item: str
    answer: str
    """The strictest answer to it of any lot; empty while it is open for one."""
    href: str


@dataclass(frozen=True)
class QuestionShown:
    """One question, what each answer looks like, and what was said to it before."""

    inspection: InspectionOut
    item: Item
    answers: Sequence[tuple[Answer, str, str]]
    """Each answer, its word, and what it looks like."""
    said: Sequence[AnswerOut]
    marks: Sequence[Mark]
    place: int
    """Which one of the questions it is, from 1."""


@router.get("/inspections/{inspection}")
def question(
    inspection: Number, screen: OnScreen, by: MayReceive, item: str | None = None
) -> Response:
    """The next question that is open; else the cartons to open, else the decision."""
    found = _inspection(screen, inspection)
    screen = _at_its_site(screen, inspection)
    if found.signature is not None:
        return go_to(f"/receive/deliveries/{found.delivery}")
    asked = item or _next_item(found)
    if asked is None:
        return go_to(_after_questions(found))
    if asked not in items():
        raise NotFound.of("inspection item", asked, "item")
    return screen.show("receive_question.html", _question_shown(found, items()[asked]))


def _question_shown(found: InspectionOut, item: Item) -> QuestionShown:
    marks = _marks(found, item)
    return QuestionShown(
        inspection=found,
        item=item,
        answers=[(a, ANSWER_WORDS[a], getattr(item, a)) for a in Answer if item.has(a)],
        said=[said for said in found.answers if said.item == item.code and said.counts],
        marks=marks,
        place=[mark.item for mark in marks].index(item.code) + 1,
    )


def _inspection(screen: Screen, number: int) -> InspectionOut:
    found = queries.inspection_by_id(screen.session, number, by=screen.by)
    return showing.shown(screen.session, [found])[0]


def _at_its_site(screen: Screen, inspection: int) -> Screen:
    found = queries.inspection_by_id(screen.session, inspection, by=screen.by)
    return screen.at_site(found.site_id)


def _next_item(found: InspectionOut) -> str | None:
    """The first question that is open for any lot."""
    still_open = {code for lot in found.lots for code in lot.open_items}
    return next((code for code in items() if code in still_open), None)


def _marks(found: InspectionOut, shown: Item | None = None) -> list[Mark]:
    """Every question that is asked or was answered, in order; and the one that is shown."""
    still_open = {code for lot in found.lots for code in lot.open_items}
    given: dict[str, Answer] = {}
    for lot in found.lots:
        for code, answer in lot.answered.items():
            given[code] = max(given.get(code, answer), answer, key=tuple(Answer).index)
    wanted = still_open | given.keys() | ({shown.code} if shown else set())
    return [
        Mark(
            code,
            "" if code in still_open or code not in given else given[code].value,
            f"/receive/inspections/{found.id}?item={code}",
        )
        for code in items()
        if code in wanted
    ]


def _after_questions(found: InspectionOut) -> str:
    counted = {count.lot for count in found.counts}
    for lot in found.lots:
        if lot.sample is not None and lot.lot not in counted:
            return f"/receive/inspections/{found.id}/cartons/{lot.lot}"
    return f"/receive/inspections/{found.id}/decision"


@router.post("/inspections/{inspection}/answers")
def answer(
    inspection: Number,
    form: Form,
    request: Request,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayReceive,
) -> Response:
    """An answer, a core or a count; a photo is kept with the answer."""
    found = queries.inspection_by_id(screen.session, inspection, by=by)
    screen = screen.at_site(found.site_id)
    said = form.read(AnswersIn, screen.view.zone)
    picture = _photo(form, at)
    if picture is not None and said.answers:
        folder = request.app.state.settings.data_dir
        site = screen.view.code
        kept, _site = photos.keep(session, picture, folder, site=site, taken_at=None, at=at, by=by)
        said.answers[0].photos.append(kept.digest)
    answering.record(session, inspection, said, at=at, by=by)
    if said.cores and said.cores[0].lot:
        return go_to(f"/receive/inspections/{inspection}/cartons/{said.cores[0].lot}")
    return go_to(f"/receive/inspections/{inspection}")


def _photo(form: Entered, at: datetime) -> Kept | None:
    sent = form.files.get("photo")
    if sent is None or not sent.size:
        return None
    return photos.checked(sent.file.read(), sent.content_type or "", taken_at=None, at=at)


@dataclass(frozen=True)
class CartonsShown:
    """The cartons of one lot that are to be opened, and what was counted and measured."""

    inspection: InspectionOut
    lot: InspectedLot
    unit: str
    opened: int | None
    defective: int | None
    marks: Sequence[Mark]
    third_words: dict[Third, str]


@router.get("/inspections/{inspection}/cartons/{lot}")
def cartons(inspection: Number, lot: str, screen: OnScreen, by: MayReceive) -> Response:
    """Which cartons to open, and how many of them are bad."""
    found = _inspection(screen, inspection)
    screen = _at_its_site(screen, inspection)
    chosen = next((each for each in found.lots if each.lot == lot.upper() and each.sample), None)
    if chosen is None:
        raise NotFound.of("lot with cartons to open", lot, "lot")
    if found.signature is not None:
        return go_to(f"/receive/deliveries/{found.delivery}")
    count = next((c for c in found.counts if c.lot == chosen.lot and c.counts), None)
    page = CartonsShown(
        inspection=found,
        lot=chosen,
        unit=screen.view.units.temperature.upper(),
        opened=count.opened if count else None,
        defective=count.defective if count else None,
        marks=_marks(found),
        third_words=THIRD_WORDS,
    )
    return screen.show("receive_cartons.html", page)


@dataclass(frozen=True)
class DecisionShown:
    """What the answers come to, lot by lot, and what was seen."""

    inspection: InspectionOut
    verdicts: Sequence[tuple[Verdict, str]]
    words: dict[Verdict, str]
    answer_words: dict[Answer, str]
    seen: Sequence[AnswerOut]
    """Answers that are not good, or came with a note or photos."""
    marks: Sequence[Mark]


@router.get("/inspections/{inspection}/decision")
def decision(inspection: Number, screen: OnScreen, by: MayReceive) -> Response:
    """Accept, hold or reject?"""
    found = _inspection(screen, inspection)
    screen = _at_its_site(screen, inspection)
    if found.signature is not None:
        return go_to(f"/receive/deliveries/{found.delivery}")
    page = DecisionShown(
        inspection=found,
        verdicts=[(verdict, VERDICT_WORDS[verdict]) for verdict in VERDICTS],
        words=VERDICT_WORDS,
        answer_words=ANSWER_WORDS,
        seen=[
            said
            for said in found.answers
            if said.counts and (said.answer is not Answer.ACCEPT or said.note or said.photos)
        ],
        marks=_marks(found),
    )
    return screen.show("receive_decision.html", page)


@router.post("/inspections/{inspection}/signature")
def sign(
    inspection: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayReceive,
) -> Response:
    """Somebody decides and signs."""
    said = _without_undecided(form).read(SignatureIn, screen.view.zone)
    signed = signing.sign(session, inspection, said, at=at, by=by)
    return go_to(
        f"/receive/deliveries/{signed.delivery_id}", said=screen.write.say("Decided and signed.")
    )


def _without_undecided(form: Entered) -> Entered:
    """Without the lots for which nothing else was chosen than for all."""
    undecided = {
        name.removesuffix("decision")
        for name, value in form.fields
        if name.startswith("lots.") and name.endswith(".decision") and not value
    }
    fields = [(n, v) for n, v in form.fields if not any(n.startswith(u) for u in undecided)]
    return Entered(fields, form.files)


# What was received: the lots, what was decided, the labels to print.


@dataclass(frozen=True)
class LotReceived:
    """A lot that was received: how it stands, why, and its labels."""

    lot: Lot
    product: str
    status: str
    because: Sequence[Finding]
    """What was found on arrival that is not as it should be."""
    copies: int
    places: Sequence[str]
    """Where it lies now."""


@dataclass(frozen=True)
class DeliveryShown:
    """A delivery as it was received, and what was decided on its lots."""

    delivery: Delivery
    supplier: str
    documents: Sequence[DeliveryDocument]
    lots: Sequence[LotReceived]
    inspections: Sequence[InspectionOut]
    open_inspection: int | None
    words: dict[Verdict, str]


@router.get("/deliveries/{delivery}")
def delivery(delivery: Number, screen: OnScreen, by: MayReceive) -> Response:
    """What was received, and the labels to print."""
    session = screen.session
    found, supplier = receiving.delivery_by_id(session, delivery, by=by)
    screen = screen.at_site(found.site_id)
    inspections = showing.shown(session, queries.inspections_of(session, delivery))
    page = DeliveryShown(
        delivery=found,
        supplier=supplier,
        documents=receiving.documents(session, [delivery]).get(delivery, []),
        lots=_lots_received(screen, delivery),
        inspections=inspections,
        open_inspection=next((i.id for i in inspections if i.signature is None), None),
        words=VERDICT_WORDS,
    )
    return screen.show("receive_delivery.html", page)


def _lots_received(screen: Screen, delivery: int) -> list[LotReceived]:
    session = screen.session
    rows = receiving.lots_received(session, [delivery]).get(delivery, [])
    ids = [lot.id or 0 for lot, _found in rows]
    products = catalogue.products_by_id(session, [lot.product_id for lot, _found in rows])
    held = lots.held_ids(session, ids)
    there = whereabouts.on_hand(session, ids)
    places = whereabouts.place_codes(session, [e.place_id for at in there.values() for e in at])
    return [
        LotReceived(
            lot=lot,
            product=product_words(screen, products[lot.product_id]),
            status=_status(lot, held=lot.id in held),
            because=[each for each in found if each.outcome != "pass"],
            copies=_copies(lot, products[lot.product_id]),
            places=sorted({places[each.place_id] for each in there.get(lot.id or 0, ())}),
        )
        for lot, found in rows
    ]


def _status(lot: Lot, *, held: bool) -> str:
    if lot.rejected_at is not None:
        return _("rejected")
    return _("on hold") if held else _("may be used")


def _copies(lot: Lot, product: Product) -> int:
    """One label a carton."""
    return min(MOST_COPIES, lot.cartons or ceil(lot.grams / product.carton_g))


@router.post("/deliveries/{delivery}/inspections")
def look_through(
    delivery: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayReceive
) -> Response:
    """Begin to look through a delivery that nobody has looked through."""
    order = form.read(InspectionIn, screen.view.zone)
    opened = opening.open_inspection(session, delivery, order, at=at, by=by)
    return go_to(f"/receive/inspections/{opened.id}")
