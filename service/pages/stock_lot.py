"""One lot: how old, how much, how long still, what it holds, and what happened to it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Annotated

from fastapi import Query, Response
from sqlmodel import Session

from service.assays import queries as assays
from service.assays.models import Assay
from service.assays.rules.due import lot_wants
from service.assessments.queries import taking
from service.catalogue.models import Product
from service.catalogue.rules import nutrients, species_facts
from service.decisions import Finding
from service.http.bodies import Day
from service.inspections import queries as inspections
from service.inspections.models import InspectionAnswer, InspectionSignature
from service.inspections.rules.checklist import items
from service.ledger import queries as ledger
from service.lots import queries as lots
from service.lots.models import Hold, Lot
from service.lots.rules import ReceivedAs
from service.pages.frame import WHO_SEES_REASONS
from service.pages.page import OnScreen, Screen, page_router
from service.pages.stock_marks import LifeBar, Mark, life_bar, marks_of
from service.pages.stock_on_hand import kind_of
from service.pages.stock_story import Line, lines_of
from service.pages.words import _
from service.provenance import queries as provenance
from service.quality.queries.quality import quality_of
from service.quality.schemas import NutrientLeft, QualityOut
from service.receiving import queries as receiving
from service.receiving.models import DeliveryDocument
from service.security.guard import MayLook
from service.security.rules import Action
from service.site.queries import SiteView
from service.traceability.queries import matching
from service.traceability.queries.story import story

router = page_router("/stock")

MOST_PARCELS = 40
MOST_ASSAYS = 10
A_PAGE_OF_STORY = 30
STEADY = 0.97  # of what there was: less than that is worth a bar


@dataclass(frozen=True)
class ParcelShown:
    """Some grams of the lot in one place; life: None where it has left the frozen state."""

    place: str
    thaw_batch: str | None
    grams: int
    reserved: int
    cartons: int | None
    since: datetime
    life: LifeBar


@dataclass(frozen=True)
class NutrientBar:
    """What is left of a nutrient against what there was at first."""

    tag: str
    name: str
    amount: str
    range: str
    unit: str
    note: str | None
    share: float
    low: float
    high: float

    @property
    def steady(self) -> bool:
        """It is hardly lost in storage."""
        return self.low > STEADY


@dataclass(frozen=True)
class Result:
    """One figure of a laboratory, in words."""

    name: str
    says: str
    verdict: str | None = None


@dataclass(frozen=True)
class AssayShown:
    """A laboratory's results of one sample."""

    number: int
    sampled_on: date
    laboratory: str
    by: str
    results: Sequence[Result]
    withdrawn: str | None


@dataclass(frozen=True)
class Due:
    """A laboratory is wanted since a day, for what is missing; nothing: the set again."""

    why: str
    since: date
    missing: str


@dataclass(frozen=True)
class Looked:
    """An inspection of the delivery: who decided what of this lot, and what was amiss."""

    number: int
    at: datetime
    by: str
    decision: str | None
    reason: str | None
    amiss: Sequence[tuple[str, str, str | None]]
    """Question, answer, note: of what was not acceptable."""
    photos: Sequence[str]


@dataclass(frozen=True)
class Act:
    """Something that may be done with a lot."""

    path: str
    name: str


@dataclass(frozen=True)
class LifeLine:
    """The life of a lot from its catch to its end, in percent of the line."""

    arrived: float
    now: float
    end_low: float
    end: float
    end_high: float
    begins: date
    ends: date
    months: Sequence[tuple[float, str]]


@dataclass(frozen=True)
class LotShown:
    """A lot, whole."""

    lot: Lot
    fish: str
    kind: str
    product: str
    supplier: str
    marks: Sequence[Mark]
    on_hand: int
    age_days: int | None
    age_limit: int
    life: LifeBar
    line: LifeLine | None
    quality: QualityOut
    warnings: Sequence[Finding]
    nutrients: Sequence[NutrientBar]
    parcels: Sequence[ParcelShown]
    more_parcels: bool
    open_holds: Sequence[Hold]
    holds: Sequence[Hold]
    may_be: Sequence[str]
    same_code: Sequence[Lot]
    looked: Sequence[Looked]
    papers: Sequence[DeliveryDocument]
    assays: Sequence[AssayShown]
    wanted: Sequence[Due]
    acts: Sequence[Act]
    story: Sequence[Line]
    earlier: date | None
    ranges: bool
    may_release: bool
    may_assay: bool
    may_receive: bool


@dataclass(frozen=True)
class StoryShown:
    """An earlier page of a lot's story."""

    lot: Lot
    fish: str
    story: Sequence[Line]
    earlier: date | None


@router.get("/{lot}")
def one_lot(lot: str, screen: OnScreen, by: MayLook) -> Response:
    """A lot: large figures, where it is, what may be done, and its story."""
    found = lots.lot_by_code(screen.session, lot, by=by)
    screen = screen.at_site(found.site_id)
    return screen.show("stock_lot.html", lot_shown(screen, found))


@router.get("/{lot}/story")
def lot_story(
    lot: str,
    screen: OnScreen,
    by: MayLook,
    before: Annotated[Day | None, Query(description="Left out: from today.")] = None,
) -> Response:
    """What happened to a lot before a day."""
    found = lots.lot_by_code(screen.session, lot, by=by)
    screen = screen.at_site(found.site_id)
    told = story(screen.session, found, screen.view, before=before, most=A_PAGE_OF_STORY)
    fish = species_facts()[found.species_code].name
    lines = lines_of(told.events, screen)
    return screen.show("stock_story.html", StoryShown(found, fish, lines, told.earlier))


def lot_shown(screen: Screen, lot: Lot) -> LotShown:
    """Everything about a lot of the screen's site. Some sixty queries, whatever its history."""
    session, at, view = screen.session, screen.at, screen.view
    quality = quality_of(session, lot, at=at)
    parcels = _parcels(screen, lot, quality)
    holds = lots.holds(session, lot.id or 0)
    told = story(session, lot, view, before=None, most=A_PAGE_OF_STORY)
    signed = list(_looked(session, lot))
    on_hand = sum(each.mass.g for each in quality.parcels)
    return LotShown(
        lot=lot,
        fish=species_facts()[lot.species_code].name,
        kind=kind_of(lot),
        product=session.get_one(Product, lot.product_id).code,
        supplier=provenance.supplier_of(session, lot),
        marks=_marks(session, lot, view, quality, holds, parcels, at=at),
        on_hand=on_hand,
        age_days=quality.age_days,
        age_limit=int(view.policy.age_limit_days(species_facts()[lot.species_code].fat_group)),
        life=life_bar(quality.life),
        line=_life_line(lot, view, quality, at) if on_hand else None,
        quality=quality,
        warnings=[f for f in quality.findings if f.outcome in ("warn", "block")],
        nutrients=sorted(map(_nutrient, quality.nutrients), key=lambda bar: bar.share),
        parcels=parcels[:MOST_PARCELS],
        more_parcels=len(parcels) > MOST_PARCELS,
        open_holds=[hold for hold in holds if hold.released_at is None],
        holds=[hold for hold in holds if hold.released_at is not None],
        may_be=[each.code for each in lots.candidates(session, lot.id or 0)]
        if lot.doubtful
        else [],
        same_code=matching.namesakes(session, lot, by=screen.by),
        looked=signed,
        papers=receiving.documents(session, [lot.delivery_id]).get(lot.delivery_id, []),
        assays=_assays(session, lot),
        wanted=_wanted(session, lot, view, at) if on_hand else [],
        acts=_acts(screen, lot, on_hand),
        story=lines_of(told.events, screen),
        earlier=told.earlier,
        ranges=screen.by.role in WHO_SEES_REASONS,
        may_release=screen.may(Action.RELEASE),
        may_assay=screen.may(Action.ASSAY),
        may_receive=screen.may(Action.RECEIVE),
    )


def _marks(
    session: Session,
    lot: Lot,
    view: SiteView,
    quality: QualityOut,
    holds: Sequence[Hold],
    parcels: Sequence[ParcelShown],
    *,
    at: datetime,
) -> Sequence[Mark]:
    waiting = taking.findings(session, lot, [p.parcel for p in quality.parcels], view, at=at)
    return marks_of(
        rejected=lot.rejected_at is not None,
        held=any(hold.released_at is None for hold in holds),
        too_old=any(f.rule == "past-age-limit" and f.outcome == "block" for f in quality.findings),
        waiting=any(finding.outcome == "block" for finding in waiting),
        used=quality.life.used,
        next_=False,
        reserved=any(parcel.reserved for parcel in parcels),
    )


def _parcels(screen: Screen, lot: Lot, quality: QualityOut) -> list[ParcelShown]:
    rows = ledger.stock_rows(
        screen.session,
        site_ids=[lot.site_id],
        now=screen.at,
        species=None,
        place_id=None,
        lot_id=lot.id,
        after_id=0,
        limit=MOST_PARCELS + 1,
    )
    lives = {each.parcel: each.life for each in quality.parcels}
    return [
        ParcelShown(
            place=row.place,
            thaw_batch=row.thaw_batch,
            grams=row.grams,
            reserved=int(row.reserved),
            cartons=row.cartons,
            since=row.opened_at,
            life=life_bar(lives[row.id]),
        )
        for row in rows
        if row.id in lives
    ]


def _life_line(lot: Lot, view: SiteView, quality: QualityOut, at: datetime) -> LifeLine | None:
    """From the catch (else the arrival) until life is used up, as it is kept now."""
    begin = view.start_of(lot.age_from or view.day_of(lot.arrived_at))
    life = life_bar(quality.life)
    ends = [at + timedelta(days=d) for d in (life.low_days, life.days, life.high_days)]
    length = max(ends[2], at) - begin
    if length < timedelta(days=1):
        return None

    def place(instant: datetime) -> float:
        return round(100 * min(1.0, max(0.0, (instant - begin) / length)), 2)

    return LifeLine(
        arrived=place(lot.arrived_at),
        now=place(at),
        end_low=place(ends[0]),
        end=place(ends[1]),
        end_high=place(ends[2]),
        begins=view.day_of(begin),
        ends=view.day_of(ends[1]),
        months=[(place(view.start_of(day)), f"{day:%m/%y}") for day in _months(begin, length)],
    )


def _months(begin: datetime, length: timedelta) -> Iterator[date]:
    """First days of months, ten at most."""
    months = length / timedelta(days=30.4)
    step = next(s for s in (1, 2, 3, 6, 12, 24, 48, 120, 1200) if months / s <= 10)
    first = begin.date()
    number = first.year * 12 + first.month  # the month after the first
    last = (begin + length).date()
    while (day := date(number // 12, number % 12 + 1, 1)) <= last:
        if number % step == 0:
            yield day
        number += 1


def _nutrient(each: NutrientLeft) -> NutrientBar:
    low, high = each.share_left_range
    return NutrientBar(
        tag=each.nutrient,
        name=nutrients()[each.nutrient].name,
        amount=f"{each.amount:g}",
        range=f"{each.range[0]:g} – {each.range[1]:g}",
        unit=each.unit,
        note=each.note,
        share=min(1.0, each.share_left),
        low=min(1.0, low),
        high=min(1.0, high),
    )


def _looked(session: Session, lot: Lot) -> Iterator[Looked]:
    """The inspections of a lot's delivery that it was part of, newest first."""
    found = inspections.inspections_of(session, lot.delivery_id)
    for state in inspections.states(session, found) if found else ():
        if lot.id not in state.lot_codes:
            continue
        signed: InspectionSignature | None = state.signature
        mine = [
            said
            for said in state.answers
            if said.lot_id in (None, lot.id) and id(said) in state.counting
        ]
        yield Looked(
            number=state.inspection.id or 0,
            at=signed.signed_at if signed else state.inspection.opened_at,
            by=signed.by if signed else state.inspection.by,
            decision=signed.lots.get(lot.code, signed.decision) if signed else None,
            reason=signed.reason if signed else None,
            amiss=[_amiss(said) for said in mine if said.answer != "accept"],
            photos=[photo for said in mine for photo in said.photos][:20],
        )


def _amiss(said: InspectionAnswer) -> tuple[str, str, str | None]:
    item = items().get(said.item)
    return (item.look_at if item else said.item, said.answer, said.note)


def _assays(session: Session, lot: Lot) -> list[AssayShown]:
    found = assays.assays_of(session, lot.id or 0, limit=MOST_ASSAYS)
    parts = assays.parts_of(session, [each.id or 0 for each in found])
    return [_assay(each, parts) for each in found]


def _assay(assay: Assay, parts: assays.Parts) -> AssayShown:
    number = assay.id or 0
    known: Mapping[str, object] = nutrients()
    values = [
        Result(
            nutrients()[v.nutrient].name if v.nutrient in known else v.nutrient,
            f"< {v.limit_as_fed:g} {nutrients()[v.nutrient].unit}"
            if v.limit_as_fed is not None
            else f"{v.as_fed:g} {nutrients()[v.nutrient].unit}",
        )
        for v in parts.values.get(number, [])
    ]
    tests = [
        Result(t.test.replace("_", " "), f"{', '.join(t.reported)} {t.unit}", t.verdict)
        for t in parts.tests.get(number, [])
    ]
    withdrawn = parts.withdrawals.get(number)
    return AssayShown(
        number=number,
        sampled_on=assay.sampled_on,
        laboratory=assay.laboratory,
        by=assay.by,
        results=[*values, *tests],
        withdrawn=withdrawn.reason if withdrawn else None,
    )


def _wanted(session: Session, lot: Lot, view: SiteView, at: datetime) -> list[Due]:
    sampled = assays.sampled(session, [lot.id or 0]).get(lot.id or 0, [])
    facts = species_facts()[lot.species_code]
    return [
        Due(wanted.why.value, wanted.since, ", ".join(map(_test_name, wanted.missing)))
        for wanted in lot_wants(facts, lot.received_on, sampled, view.day_of(at))
    ]


def _test_name(tag: str) -> str:
    known = nutrients().get(tag)
    return known.name if known else tag.replace("_", " ")


def _acts(screen: Screen, lot: Lot, on_hand: int) -> list[Act]:
    """What somebody of this role may do with the lot as it stands."""
    frozen = lot.received_as == ReceivedAs.FROZEN
    offered = (
        (Action.HOLD, True, "hold", _("Put on hold")),
        (Action.MOVE, on_hand > 0, "move", _("Move")),
        (Action.COUNT, True, "count", _("Count")),
        (Action.CORRECT_LOT, True, "correct", _("Correct")),
        (Action.ASSAY, True, "assay", _("Laboratory result")),
        (Action.REJECT, lot.rejected_at is None, "reject", _("Reject")),
        (Action.REJECT, on_hand > 0 and frozen, "return", _("Return to supplier")),
        (Action.CONDEMN, on_hand > 0, "condemn", _("Condemn")),
    )
    return [
        Act(f"/stock/{lot.code}/{path}", name)
        for action, possible, path, name in offered
        if possible and screen.may(action)
    ]
