"""Receive: a truck is here. Who brings it, what it is, how much, how cold, where it goes.

Every step is kept in the database as it is entered, so that somebody who is called away, or a
tablet that is put down, loses nothing: whoever opens the draft stands at the next step.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from fastapi import APIRouter, Response

from service.catalogue import queries as catalogue
from service.catalogue.models import Product, Supplier
from service.catalogue.rules import species_facts
from service.decisions import Decision, Finding
from service.errors import Invalid
from service.http.bodies import Body, Number
from service.http.sessions import Now, WriteSession
from service.inspections import queries as inspections
from service.inspections.actions import opening
from service.inspections.models import Inspection
from service.inspections.schemas import InspectionIn
from service.labels.actions import photos as label_photos
from service.labels.actions import reading
from service.labels.schemas import LabelOut, LabelTexts
from service.lots.models import Hold, Lot
from service.lots.rules import ReceivedAs
from service.pages.forms import Entered, Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.words import _
from service.quantities import Temperature, TemperatureIn
from service.receiving import queries
from service.receiving.actions import drafting
from service.receiving.models import Delivery, DeliveryDraft
from service.receiving.rules import core_findings
from service.receiving.schemas import (
    AmountEntered,
    ArrivalEntered,
    DeliveryEntered,
    FishEntered,
    LotEntered,
)
from service.security.guard import MayReceive
from service.security.rules import Action
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind
from service.traceability.queries import holding

router: APIRouter = page_router("/receive")

MOST_SHOWN = 20
UNSIGNED_FOR = timedelta(days=60)
COLD_FOR: dict[ReceivedAs, frozenset[str]] = {
    ReceivedAs.FROZEN: frozenset({PlaceKind.FREEZER}),
    ReceivedAs.CHILLED: frozenset({PlaceKind.REFRIGERATOR, PlaceKind.ICE}),
}
"""Where fish goes that came like this; live and dry fish may go anywhere."""
RECEIVED_AS = (
    (ReceivedAs.FROZEN, _("frozen")),
    (ReceivedAs.CHILLED, _("chilled")),
    (ReceivedAs.LIVE, _("live")),
    (ReceivedAs.DRY, _("dry")),
)


class Step(StrEnum):
    """What is asked of one lot, in the order in which it is asked."""

    LABEL = "label"
    FISH = "fish"
    AMOUNT = "amount"
    PLACE = "place"
    CORES = "cores"


STEP_WORDS = {
    Step.LABEL: _("Label"),
    Step.FISH: _("Fish"),
    Step.AMOUNT: _("Amount"),
    Step.PLACE: _("Place"),
    Step.CORES: _("Cores"),
}


def draft_path(number: int) -> str:
    """Where a draft stands as a whole."""
    return f"/receive/drafts/{number}"


def step_path(number: int, lot: int, step: Step) -> str:
    """Where one thing is asked of one lot of a draft."""
    return f"{draft_path(number)}/lots/{lot}/{step}"


def next_step(lot: LotEntered) -> Step | None:
    """What is to be asked of a lot next; None where everything was."""
    if lot.fish is None:
        return Step.LABEL if lot.read is None else Step.FISH
    if lot.amount is None:
        return Step.AMOUNT
    if lot.place is None:
        return Step.PLACE
    return None if lot.complete else Step.CORES


def next_path(number: int, entered: DeliveryEntered) -> str:
    """Where whoever goes on with a draft goes on: the truck, an unfinished lot, or the whole."""
    if not entered.arrival.looked_at:
        return f"{draft_path(number)}/arrival"
    for lot, known in entered.taken.items():
        step = next_step(known)
        if step is not None:
            return step_path(number, lot, step)
    return draft_path(number)


# The first page: what is to be gone on with, what came today, what waits for a decision.


@dataclass(frozen=True)
class DraftShown:
    """A delivery that somebody has begun to enter."""

    path: str
    supplier: str
    lots: int
    changed_at: datetime
    changed_by: str


@dataclass(frozen=True)
class CameToday:
    """A delivery that was received today, with how each of its lots arrived."""

    delivery: Delivery
    supplier: str
    lots: Sequence[tuple[Lot, bool]]
    """Each lot, and whether it was held on arrival."""


@dataclass(frozen=True)
class ReceiveShown:
    """All that has to do with receiving at one site now."""

    drafts: Sequence[DraftShown]
    unsigned: Sequence[tuple[Inspection, str]]
    today: Sequence[CameToday]
    held: Sequence[tuple[Hold, Lot]]
    more_held: bool


@router.get("")
def receive(screen: OnScreen, by: MayReceive) -> Response:
    """What is to be gone on with, what came today, what is held. About eight queries."""
    session, site_id = screen.session, screen.view.id
    held = holding.holds(session, [site_id], open_=True, limit=MOST_SHOWN + 1, after_id=0)
    page = ReceiveShown(
        drafts=[_draft_shown(d) for d in queries.open_drafts(session, site_id, limit=MOST_SHOWN)],
        unsigned=inspections.unsigned(
            session, site_id, since=screen.at - UNSIGNED_FOR, limit=MOST_SHOWN
        ),
        today=_today(screen),
        held=held[:MOST_SHOWN],
        more_held=len(held) > MOST_SHOWN,
    )
    return screen.show("receive.html", page)


def _draft_shown(draft: DeliveryDraft) -> DraftShown:
    entered = drafting.entered_of(draft)
    return DraftShown(
        path=next_path(draft.id or 0, entered),
        supplier=entered.arrival.supplier,
        lots=len([lot for lot in entered.taken.values() if lot.fish is not None]),
        changed_at=draft.changed_at,
        changed_by=draft.changed_by,
    )


def _today(screen: Screen) -> list[CameToday]:
    rows = queries.deliveries(screen.session, [screen.view.id], limit=MOST_SHOWN, before_id=None)
    today = screen.view.day_of(screen.at)
    came = [(d, s) for d, s in rows if screen.view.day_of(d.arrived_at) == today]
    lots = queries.lots_received(screen.session, [d.id or 0 for d, _s in came])
    return [
        CameToday(d, s, [(lot, bool(Decision(f).blocking())) for lot, f in lots.get(d.id or 0, [])])
        for d, s in came
    ]


# Who brings it, and how cold the truck is.


@dataclass(frozen=True)
class Suppliers:
    """Whom a truck may come from."""

    suppliers: Sequence[Supplier]
    may_set_up: bool


@router.get("/new")
def who_brings_it(screen: OnScreen, by: MayReceive) -> Response:
    """Who brings it?"""
    found = catalogue.suppliers(screen.session)
    return screen.show("receive_new.html", Suppliers(found, screen.may(Action.SET_UP)))


class SupplierNamed(Body):
    """Who brings it."""

    supplier: str


@router.post("/new")
def begin(form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayReceive) -> Response:
    """Begin a draft; from here on it can be gone on with anywhere."""
    said = form.read(SupplierNamed, screen.view.zone)
    draft = drafting.begin(session, said.supplier, site_id=screen.view.id, at=at, by=by)
    return go_to(f"{draft_path(draft.id or 0)}/arrival")


@dataclass(frozen=True)
class ArrivalShown:
    """The truck: what was entered of it so far."""

    number: int
    arrival: ArrivalEntered
    begun_at: datetime
    unit: str


@router.get("/drafts/{draft}/arrival")
def arrival(draft: Number, screen: OnScreen, by: MayReceive) -> Response:
    """How cold is the truck, and what do the papers say?"""
    screen = _at_its_site(screen, draft)
    found, entered = _opened(screen, draft)
    unit = screen.view.units.temperature.upper()
    page = ArrivalShown(draft, entered.arrival, found.begun_at, unit)
    return screen.show("receive_arrival.html", page)


@router.post("/drafts/{draft}/arrival")
def enter_arrival(
    draft: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayReceive
) -> Response:
    """The truck was looked at."""
    screen = _at_its_site(screen, draft)
    said = form.read(ArrivalEntered, screen.view.zone, looked_at=True)
    entered = drafting.enter_arrival(session, draft, said, at=at, by=by)
    return go_to(next_path(draft, entered))


# One lot after the other.


@dataclass(frozen=True)
class LotShown:
    """One lot of a draft, with the steps that were taken."""

    number: int
    supplier: str
    lot: int
    step: Step
    entered: LotEntered
    steps: Sequence[tuple[str, str, bool]]
    """Word, address, and whether it was taken, of each step."""


@dataclass(frozen=True)
class LabelShown(LotShown):
    """The label of a lot, and what was read of it before."""

    read: LabelOut | None


@router.get("/drafts/{draft}/lots/{lot}/label")
def label(draft: Number, lot: Number, screen: OnScreen, by: MayReceive) -> Response:
    """Scan, photograph or type the label."""
    screen = _at_its_site(screen, draft)
    shown = _lot_shown(screen, draft, lot, Step.LABEL)
    return screen.show("receive_label.html", LabelShown(**vars(shown), read=_read(shown.entered)))


@router.post("/drafts/{draft}/lots/{lot}/label")
def enter_label(
    draft: Number,
    lot: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayReceive,
) -> Response:
    """What a scanner read, somebody typed, or a photo shows."""
    screen = _at_its_site(screen, draft)
    known = drafting.lot_of(_opened(screen, draft)[1], lot)
    photo = form.files.get("photo")
    if photo is not None and photo.size:
        found = reading.read_barcodes(
            screen.session, label_photos.barcodes(photo.file.read()), at=at, by=by
        )
    else:
        found = reading.read_texts(screen.session, _scanned(form, known), at=at, by=by)
    kept = found.model_dump(mode="json")
    drafting.enter_lot(session, draft, lot, at=at, by=by, read=kept, fish=None)
    return go_to(step_path(draft, lot, Step.FISH))


def _scanned(form: Entered, known: LotEntered) -> LabelTexts:
    """The code that was scanned, with those of the same carton that were read before."""
    text = form.text("text").strip()
    if not text:
        raise Invalid.at("text", "scan a code, or type it in")
    before = _read(known) if form.text("same_carton") else None
    texts = [code.text for code in before.codes] if before else []
    return LabelTexts(texts=[*dict.fromkeys([*texts, text])][:20])


def _read(lot: LotEntered) -> LabelOut | None:
    return None if lot.read is None else LabelOut.model_validate(lot.read)


@dataclass(frozen=True)
class FishShown(LotShown):
    """What a lot is: as it was read, to be checked, or to be chosen."""

    read: LabelOut | None
    values: dict[str, str]
    products: Sequence[tuple[str, str]]
    """Code and words of each product, the supplier's first."""
    received_as: Sequence[tuple[str, str]]


@router.get("/drafts/{draft}/lots/{lot}/fish")
def fish(draft: Number, lot: Number, screen: OnScreen, by: MayReceive) -> Response:
    """Is this what the label says?"""
    screen = _at_its_site(screen, draft)
    shown = _lot_shown(screen, draft, lot, Step.FISH)
    read = _read(shown.entered)
    page = FishShown(
        **vars(shown),
        read=read,
        values=_fish_values(shown.entered, read),
        products=_products(screen, shown.supplier),
        received_as=RECEIVED_AS,
    )
    return screen.show("receive_fish.html", page)


def _fish_values(lot: LotEntered, read: LabelOut | None) -> dict[str, str]:
    """What the fields hold: what was entered, else what the label says."""
    if lot.fish is not None:
        said = lot.fish.model_dump(mode="json", exclude_none=True)
    elif read is not None and read.line is not None:
        wanted = set(FishEntered.model_fields)
        said = read.line.model_dump(mode="json", exclude_none=True, include=wanted)
    else:
        said = {}
    return dict.fromkeys(FishEntered.model_fields, "") | {"received_as": "frozen"} | said


def _products(screen: Screen, supplier: str) -> list[tuple[str, str]]:
    rows = catalogue.products(screen.session)
    rows = sorted(rows, key=lambda row: (row[1].code != supplier, row[0].code))
    return [(product.code, product_words(screen, product)) for product, _supplier in rows]


def product_words(screen: Screen, product: Product) -> str:
    """`Atlantic herring, block, 10.0 kg cartons: HER-BLOCK-10`."""
    known = species_facts().get(product.species_code)
    name = known.name if known else product.species_code
    return screen.write.say(
        "%(fish)s, %(form)s, %(mass)s cartons: %(code)s",
        fish=name,
        form=product.form,
        mass=screen.write.mass(product.carton_g),
        code=product.code,
    )


@router.post("/drafts/{draft}/lots/{lot}/fish")
def enter_fish(
    draft: Number,
    lot: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayReceive,
) -> Response:
    """What it is was checked."""
    screen = _at_its_site(screen, draft)
    said = form.read(FishEntered, screen.view.zone)
    changed = drafting.enter_lot(session, draft, lot, at=at, by=by, fish=said)
    return _onward(draft, lot, changed)


@dataclass(frozen=True)
class AmountShown(LotShown):
    """How much came of a lot, with what a carton of its product holds."""

    product: str
    carton_g: int
    unit: str
    cartons: str
    mass: str
    papers_cartons: str
    papers_mass: str


@router.get("/drafts/{draft}/lots/{lot}/amount")
def amount(draft: Number, lot: Number, screen: OnScreen, by: MayReceive) -> Response:
    """How many cartons came?"""
    screen = _at_its_site(screen, draft)
    shown = _lot_shown(screen, draft, lot, Step.AMOUNT)
    if shown.entered.fish is None:
        return go_to(step_path(draft, lot, Step.LABEL))
    code = shown.entered.fish.product
    product = catalogue.product_by_code(screen.session, code, field="product")
    said, read = shown.entered.amount, _read(shown.entered)
    pallet = read.line.cartons if read and read.line else None
    cartons = said.cartons if said else pallet
    page = AmountShown(
        **vars(shown),
        product=product_words(screen, product),
        carton_g=product.carton_g,
        unit=screen.view.units.mass,
        cartons=str(cartons or ""),
        mass=screen.write.amount(said.mass.grams) if said and said.mass else "",
        papers_cartons=str((said and said.papers_cartons) or ""),
        papers_mass=(
            screen.write.amount(said.papers_mass.grams) if said and said.papers_mass else ""
        ),
    )
    return screen.show("receive_amount.html", page)


@router.post("/drafts/{draft}/lots/{lot}/amount")
def enter_amount(
    draft: Number,
    lot: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayReceive,
) -> Response:
    """How much came."""
    screen = _at_its_site(screen, draft)
    said = form.read(AmountEntered, screen.view.zone)
    changed = drafting.enter_lot(session, draft, lot, at=at, by=by, amount=said)
    return _onward(draft, lot, changed)


@dataclass(frozen=True)
class PlacesShown(LotShown):
    """Where a lot may go: the places for fish that came like this, and the others."""

    fitting: Sequence[Place]
    others: Sequence[Place]


@router.get("/drafts/{draft}/lots/{lot}/place")
def place(draft: Number, lot: Number, screen: OnScreen, by: MayReceive) -> Response:
    """Where does it go?"""
    screen = _at_its_site(screen, draft)
    shown = _lot_shown(screen, draft, lot, Step.PLACE)
    found = sites.places_of(screen.session, screen.view.id)
    fish = shown.entered.fish
    kinds = COLD_FOR.get(fish.received_as if fish else ReceivedAs.FROZEN)
    page = PlacesShown(
        **vars(shown),
        fitting=[p for p in found if kinds is None or p.kind in kinds],
        others=[p for p in found if kinds is not None and p.kind not in kinds],
    )
    return screen.show("receive_place.html", page)


class PlaceNamed(Body):
    """Where it goes."""

    place: str


@router.post("/drafts/{draft}/lots/{lot}/place")
def enter_place(
    draft: Number,
    lot: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayReceive,
) -> Response:
    """Where it goes."""
    screen = _at_its_site(screen, draft)
    said = form.read(PlaceNamed, screen.view.zone)
    changed = drafting.enter_lot(session, draft, lot, at=at, by=by, place=said.place.upper())
    return _onward(draft, lot, changed)


@dataclass(frozen=True)
class CoreShown:
    """One core temperature, and what the rule says of it."""

    c: float
    outcome: str
    because: str


@dataclass(frozen=True)
class CoresShown(LotShown):
    """The cores that were measured, each judged as it came, and how many are wanted."""

    cores: Sequence[CoreShown]
    wanted: int
    unit: str
    worst: Finding


@router.get("/drafts/{draft}/lots/{lot}/cores")
def cores(draft: Number, lot: Number, screen: OnScreen, by: MayReceive) -> Response:
    """How cold is the fish inside?"""
    screen = _at_its_site(screen, draft)
    shown = _lot_shown(screen, draft, lot, Step.CORES)
    policy = screen.view.policy
    measured = shown.entered.core_temperatures
    page = CoresShown(
        **vars(shown),
        cores=[_core_shown(core, core_findings([core], policy)[0]) for core in measured],
        wanted=int(policy.receive_cartons_core_n),
        unit=screen.view.units.temperature.upper(),
        worst=core_findings(measured, policy)[0],
    )
    return screen.show("receive_cores.html", page)


def _core_shown(core: Temperature, found: Finding) -> CoreShown:
    return CoreShown(core.c, found.outcome, found.because)


class CoreMeasured(Body):
    """The core temperature of one carton."""

    temperature: TemperatureIn


@router.post("/drafts/{draft}/lots/{lot}/cores")
def enter_core(
    draft: Number,
    lot: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayReceive,
) -> Response:
    """One more carton was measured."""
    screen = _at_its_site(screen, draft)
    said = form.read(CoreMeasured, screen.view.zone)
    drafting.add_core(session, draft, lot, said.temperature, at=at, by=by)
    return go_to(step_path(draft, lot, Step.CORES))


@router.post("/drafts/{draft}/lots/{lot}/cores/take-back")
def take_back_core(
    draft: Number, lot: Number, session: WriteSession, at: Now, by: MayReceive
) -> Response:
    """The last one was mistyped."""
    drafting.take_back_core(session, draft, lot, at=at, by=by)
    return go_to(step_path(draft, lot, Step.CORES))


@router.post("/drafts/{draft}/lots/{lot}/cores/done")
def cores_done(
    draft: Number, lot: Number, session: WriteSession, at: Now, by: MayReceive
) -> Response:
    """No more cartons are measured."""
    changed = drafting.enter_lot(session, draft, lot, at=at, by=by, measured=True)
    return _onward(draft, lot, changed)


# The whole of it.


@dataclass(frozen=True)
class WholeShown:
    """A draft as a whole: the truck, its lots, and whether it can be received."""

    number: int
    arrival: ArrivalEntered
    begun_at: datetime
    lots: Sequence[tuple[int, LotEntered, str | None]]
    """Number, what was entered, and where to go on where it is not complete."""
    complete: bool


@router.get("/drafts/{draft}")
def whole(draft: Number, screen: OnScreen, by: MayReceive) -> Response:
    """Is this all?"""
    screen = _at_its_site(screen, draft)
    found = queries.draft_by_id(screen.session, draft, by=by)
    if found.delivery_id is not None:
        return go_to(f"/receive/deliveries/{found.delivery_id}")
    found, entered = _opened(screen, draft)
    lots = [(i, lot, _unfinished(draft, i, lot)) for i, lot in entered.taken.items()]
    complete = bool(lots) and not any(path for _i, _lot, path in lots)
    page = WholeShown(draft, entered.arrival, found.begun_at, lots, complete)
    return screen.show("receive_whole.html", page)


def _unfinished(draft: int, lot: int, known: LotEntered) -> str | None:
    step = next_step(known)
    return None if step is None else step_path(draft, lot, step)


@router.post("/drafts/{draft}/lots")
def another_lot(draft: Number, session: WriteSession, at: Now, by: MayReceive) -> Response:
    """Another lot from the same truck."""
    lot = drafting.add_lot(session, draft, at=at, by=by)
    return go_to(step_path(draft, lot, Step.LABEL))


@router.post("/drafts/{draft}/lots/{lot}/leave-out")
def leave_out(
    draft: Number, lot: Number, session: WriteSession, at: Now, by: MayReceive
) -> Response:
    """This was no lot of its own."""
    drafting.enter_lot(session, draft, lot, at=at, by=by, left_out=True)
    return go_to(draft_path(draft))


@router.post("/drafts/{draft}/received")
def received(
    draft: Number, screen: OnScreen, session: WriteSession, at: Now, by: MayReceive
) -> Response:
    """This is all: into the books, and on to the checklist."""
    screen = _at_its_site(screen, draft)
    delivery = drafting.receive(session, draft, at=at, by=by)
    inspection = opening.open_inspection(session, delivery.id or 0, InspectionIn(), at=at, by=by)
    said = screen.write.say("Delivery %(number)s is recorded.", number=delivery.id)
    return go_to(f"/receive/inspections/{inspection.id}", said=said)


@router.post("/drafts/{draft}/given-up")
def give_up(
    draft: Number, screen: OnScreen, session: WriteSession, at: Now, by: MayReceive
) -> Response:
    """Nothing comes of it."""
    screen = _at_its_site(screen, draft)
    drafting.give_up(session, draft, at=at, by=by)
    return go_to("/receive", said=screen.write.say("Given up. Nothing was received."))


def _at_its_site(screen: Screen, draft: int) -> Screen:
    """The screen at the site that a draft is for: its places, its policy, its zone."""
    return screen.at_site(queries.draft_by_id(screen.session, draft, by=screen.by).site_id)


def _opened(screen: Screen, number: int) -> tuple[DeliveryDraft, DeliveryEntered]:
    found = queries.draft_by_id(screen.session, number, by=screen.by)
    drafting.refuse_ended(found)
    return found, drafting.entered_of(found)


def _lot_shown(screen: Screen, number: int, lot: int, step: Step) -> LotShown:
    _found, entered = _opened(screen, number)
    known = drafting.lot_of(entered, lot)
    return LotShown(
        number=number,
        supplier=entered.arrival.supplier,
        lot=lot,
        step=step,
        entered=known,
        steps=[
            (STEP_WORDS[each], step_path(number, lot, each), _taken(known, each))
            for each in Step
            if each is not Step.CORES or _is_frozen(known)
        ],
    )


def _taken(lot: LotEntered, step: Step) -> bool:
    return {
        Step.LABEL: lot.read is not None or lot.fish is not None,
        Step.FISH: lot.fish is not None,
        Step.AMOUNT: lot.amount is not None,
        Step.PLACE: lot.place is not None,
        Step.CORES: lot.measured,
    }[step]


def _is_frozen(lot: LotEntered) -> bool:
    return lot.fish is None or lot.fish.received_as is ReceivedAs.FROZEN


def _onward(number: int, lot: int, known: LotEntered) -> Response:
    """To the next step of the same lot, else to the whole."""
    step = next_step(known)
    return go_to(draft_path(number) if step is None else step_path(number, lot, step))
