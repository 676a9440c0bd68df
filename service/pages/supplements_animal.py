"""The supplements of one animal: the order, why, what was given, and what there is to decide."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated
from urllib.parse import quote

from fastapi import Query, Response

from service.animals import queries as animals
from service.animals.models import Animal
from service.catalogue.rules import COUNTED_IN, DoseForm
from service.decisions import Finding
from service.errors import NotFound
from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.frame import WHO_SEES_REASONS
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.supplements_shown import (
    OrderShown,
    PieceShown,
    amount_of,
    fish_name,
    nutrient_name,
    orders_shown,
    pieces_shown,
    unmet_of,
)
from service.pages.supplements_why import Why, why_of
from service.pages.words import _
from service.science.residual import LOSS_RATES
from service.security.guard import (
    MayGiveSupplements,
    MayLook,
    MayPlanSupplements,
    MaySignSupplements,
)
from service.security.rules import Action
from service.site.queries import SiteView
from service.supplements.actions import giving, planning, showing, standing
from service.supplements.actions.explaining import explanation_of
from service.supplements.actions.showing import Standing
from service.supplements.actions.writing import plan_out
from service.supplements.models import SupplementPlan
from service.supplements.queries.plans import plan_by_id
from service.supplements.queries.standing import in_buckets, recorded_of
from service.supplements.rules import CAUTIONS
from service.supplements.rules.standing import GivenOutcome, OrderState
from service.supplements.rules.steps import said
from service.supplements.schemas import (
    GivenIn,
    GivenReversalIn,
    OrderWithdrawalIn,
    PlanIn,
    PlanOut,
    RoundLine,
    SuggestionOut,
)

router = page_router("/supplements")
DAYS_BACK = timedelta(days=7)
MOST_RECORDED = 50
AHEAD_DAYS = 180

OUTCOMES = {
    GivenOutcome.GIVEN: _("Given"),
    GivenOutcome.OMITTED: _("Omitted"),
    GivenOutcome.REFUSED: _("Refused"),
    GivenOutcome.SPAT_OUT: _("Spat out"),
    GivenOutcome.UNKNOWN: _("Nobody saw"),
}
ASKED_FIRST = (OrderState.PROPOSED, OrderState.IN_FORCE, OrderState.TO_COME)


@dataclass(frozen=True)
class DueShown:
    """What is due of one product today, and how far that is."""

    line: RoundLine
    due: str
    waiting: str
    count: str
    """The same without a unit, for a field."""
    told: Sequence[tuple[str, str]]
    """How much, and what became of it."""


@dataclass(frozen=True)
class RecordedShown:
    """Something that was recorded of this animal's supplements."""

    id: int
    name: str
    amount: str
    outcome: str
    batch: str | None
    reason: str | None
    when: str
    by: str
    taken_back: str | None


@dataclass(frozen=True)
class ChartShown:
    """A picture of what a lot holds of a nutrient over time."""

    fish: str
    lot: str
    nutrient: str
    path: str


@dataclass(frozen=True)
class PlanShown:
    """One plan in full: its pieces, what stays short, and why for those who see reasons."""

    stands: bool
    """Whether it is one of the orders above; if not, its pieces are shown with the figures."""
    plan: PlanOut
    pieces: Sequence[PieceShown]
    unmet: Sequence[str]
    why: Sequence[Why]
    remarks: Sequence[str]
    placed: Sequence[str]
    findings: Sequence[Finding]
    suggestions: Sequence[SuggestionOut]
    charts: Sequence[ChartShown]


@dataclass(frozen=True)
class AnimalPage:
    """What the page of one animal shows."""

    code: str
    name: str
    taxon: str
    day: date
    orders: Sequence[OrderShown]
    shown: PlanShown | None
    due: Sequence[DueShown]
    waiting: Sequence[RoundLine]
    """Of what is due, what nothing was said of yet."""
    in_buckets: Sequence[str]
    recorded: Sequence[RecordedShown]
    outcomes: Sequence[tuple[str, str]]
    reasons: bool
    may_sign: bool
    may_plan: bool
    may_give: bool
    may_ask: bool
    cautions: Sequence[str]


@router.get("/{animal}")
def animal_page(
    animal: str,
    screen: OnScreen,
    by: MayLook,
    plan: Annotated[Number | None, Query(description="Left out: what is to be decided.")] = None,
) -> Response:
    """The order of an animal, why it is so, and what was given."""
    found = animals.animal_by_code(screen.session, animal, by=by)
    screen = screen.at_site(found.site_id)
    view = screen.view
    standings = _standings(screen, view, found)
    chosen = _chosen(screen, found, standings, plan)
    due = _due(screen, view, found)
    return screen.show(
        "supplements_animal.html",
        AnimalPage(
            code=found.code,
            name=found.name,
            taxon=found.taxon,
            day=view.day_of(screen.at),
            orders=orders_shown(standings),
            shown=None if chosen is None else _plan_shown(screen, chosen, standings),
            due=due,
            waiting=[each.line for each in due if each.line.waiting],
            in_buckets=_in_buckets(screen, view, found),
            recorded=list(_recorded(screen, view, found)),
            outcomes=[(str(key), word) for key, word in OUTCOMES.items()],
            reasons=_sees_reasons(screen),
            may_sign=screen.may(Action.SIGN_SUPPLEMENTS),
            may_plan=screen.may(Action.PLAN_SUPPLEMENTS),
            may_give=screen.may(Action.GIVE_SUPPLEMENTS),
            may_ask=screen.may(Action.SET_REQUIREMENTS),
            cautions=CAUTIONS,
        ),
    )


@router.post("/{animal}/plan")
def plan_again(
    animal: str,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayPlanSupplements,
) -> Response:
    """Work out what this animal needs by today's figures, and propose it."""
    order = form.read(PlanIn, screen.view.zone, animal=animal)
    planned = planning.plan(session, order, at=at, by=by)
    said = screen.write.say("Proposed. Nothing is given until it is signed.")
    return go_to(f"{_address(planned.animal)}?plan={planned.id}", said=said)


@router.post("/{animal}/{plan}/withdrawal")
def withdraw(
    animal: str,
    plan: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MaySignSupplements,
) -> Response:
    """The order is not to be given any more, from today on."""
    found = _of_animal(session, animal, plan, screen)
    screen = screen.at_site(found.site_id)
    said = form.read(OrderWithdrawalIn, screen.view.zone)
    standing.withdraw(session, plan, said, at=at, by=by)
    told = screen.write.say("Withdrawn. Nothing is given any more.")
    return go_to(_address(found.code), said=told)


@router.post("/{animal}/{plan}/given")
def give(
    animal: str,
    plan: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayGiveSupplements,
) -> Response:
    """What this animal was given under its order, and what it was not."""
    found = _of_animal(session, animal, plan, screen)
    screen = screen.at_site(found.site_id)
    order = form.read(GivenIn, screen.view.zone)
    given = giving.give(session, plan, order, at=at, by=by)
    said = screen.write.say("Recorded.")
    if given.breaches:
        said += " " + "; ".join(breach.because for breach in given.breaches)
    return go_to(_address(found.code), said=said)


@router.post("/{animal}/taken-back/{given}")
def take_back(
    animal: str,
    given: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayGiveSupplements,
) -> Response:
    """What was recorded was not so."""
    found = animals.animal_by_code(session, animal, by=by)
    screen = screen.at_site(found.site_id)
    said = form.read(GivenReversalIn, screen.view.zone)
    giving.take_back(session, given, said, at=at, by=by)
    return go_to(_address(found.code), said=screen.write.say("Taken back. It counts no more."))


def _address(code: str) -> str:
    return f"/supplements/{quote(code, safe='')}"


def _of_animal(session: WriteSession, code: str, plan: int, screen: Screen) -> Animal:
    """The animal. Raises NotFound where the plan is another animal's."""
    found = animals.animal_by_code(session, code, by=screen.by)
    if plan_by_id(session, plan, by=screen.by).animal_id != found.id:
        raise NotFound.of("supplement plan", plan, "plan")
    return found


def _sees_reasons(screen: Screen) -> bool:
    return screen.by.role in WHO_SEES_REASONS


def _standings(screen: Screen, view: SiteView, animal: Animal) -> list[Standing]:
    """Where an animal stands; beside today's figures for those who see reasons.

    Whoever gives is told by the giving itself if an order does not hold any more.
    """
    found = showing.standings(screen.session, view, at=screen.at, animal_ids=[animal.id or 0])
    if _sees_reasons(screen):
        found = showing.against_today(screen.session, view, found, at=screen.at)
    return _in_order(found)


def _in_order(standings: Sequence[Standing]) -> list[Standing]:
    """What is to be signed first, then what is to be given."""
    places = [*ASKED_FIRST, *OrderState]
    return sorted(standings, key=lambda each: (places.index(each.state), each.plan.id))


def _chosen(
    screen: Screen, animal: Animal, standings: Sequence[Standing], number: int | None
) -> SupplementPlan | None:
    """The plan that was asked for; else what is to be signed, to be given, or was last."""
    if number is None:
        return standings[0].plan if standings else None
    plan = plan_by_id(screen.session, number, by=screen.by)
    if plan.animal_id != animal.id:
        raise NotFound.of("supplement plan", number, "plan")
    return plan


def _plan_shown(screen: Screen, stored: SupplementPlan, standings: Sequence[Standing]) -> PlanShown:
    plan = plan_out(stored)
    explained = explanation_of(stored) if _sees_reasons(screen) else None
    return PlanShown(
        stands=any(each.plan.id == plan.id for each in standings),
        plan=plan,
        pieces=pieces_shown(plan.supplements),
        unmet=unmet_of(plan.unmet),
        why=why_of(plan, explained),
        remarks=explained.remarks if explained else (),
        placed=[word for each in explained.placed for word in each.words] if explained else (),
        findings=plan.findings if explained else (),
        suggestions=plan.suggestions if explained else (),
        charts=list(_charts(stored.document)) if explained else (),
    )


def _charts(document: Mapping[str, object]) -> Iterator[ChartShown]:
    """Of each lot that the plan was worked out from, what falls in storage."""
    worked = document.get("worked_from")
    food = worked.get("food", ()) if isinstance(worked, Mapping) else ()
    seen: set[str] = set()
    for each in food:
        lot = each.get("lot")
        if lot is None or lot in seen:
            continue
        seen.add(lot)
        for tag in each["content"]:
            if tag in LOSS_RATES:
                path = f"/v1/lots/{quote(lot, safe='')}/nutrients/{tag}/over-time?days={AHEAD_DAYS}"
                yield ChartShown(fish_name(each["species"]), lot, nutrient_name(tag), path)


def _due(screen: Screen, view: SiteView, animal: Animal) -> list[DueShown]:
    day = view.day_of(screen.at)
    lines = showing.round_of(screen.session, view, day, [animal.id or 0])
    return [
        DueShown(
            line=line,
            due=amount_of(line.due, line.counted_in),
            waiting=amount_of(line.waiting, line.counted_in),
            count=said(line.waiting),
            told=[
                (amount_of(count, line.counted_in), word)
                for key, word in OUTCOMES.items()
                if (count := getattr(line, key))
            ],
        )
        for line in lines
    ]


def _in_buckets(screen: Screen, view: SiteView, animal: Animal) -> list[str]:
    found = in_buckets(screen.session, view.day_of(screen.at), animal.id or 0)
    return [
        screen.write.say(
            "%(amount)s %(name)s in bucket %(bucket)s",
            amount=amount_of(each.count, COUNTED_IN[DoseForm(each.product.form)]),
            name=each.product.name,
            bucket=each.bucket,
        )
        for each in found
    ]


def _recorded(screen: Screen, view: SiteView, animal: Animal) -> Iterator[RecordedShown]:
    first = view.day_of(screen.at) - DAYS_BACK
    rows = recorded_of(
        screen.session,
        animal.id or 0,
        first=first,
        last=None,
        limit=MOST_RECORDED,
        before_id=None,
    )
    for row in rows:
        given = row.given
        yield RecordedShown(
            id=given.id or 0,
            name=row.product.name,
            amount=amount_of(given.count, COUNTED_IN[DoseForm(row.product.form)]),
            outcome=OUTCOMES[GivenOutcome(given.outcome)],
            batch=given.batch,
            reason=given.reason,
            when=screen.write.when(given.occurred_at),
            by=given.by,
            taken_back=row.reversal.reason if row.reversal else None,
        )
