"""Planning a thaw: by a day's diets or by hand, and the plan that came of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from fastapi import Response

from service.catalogue import queries as catalogue
from service.catalogue.rules import species_facts
from service.errors import NotFound
from service.http.bodies import Day, Number
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.frame import WHO_DECIDES
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.thaw import THAW_KINDS, places_of
from service.pages.words import _
from service.security.guard import MayLook, MayPlanThaw, MaySubstitute
from service.security.rules import Action
from service.thawing import queries
from service.thawing.actions import planning, replanning, showing
from service.thawing.schemas import (
    AcceptIn,
    CancelIn,
    PlanChangeOut,
    PlannedPull,
    ReplanIn,
    ThawRequestIn,
    ThawRequestOut,
)

router = page_router("/thaw")

LINES_BY_HAND = 4
MOST_CHANGES = 10


@dataclass(frozen=True)
class AskForThaw:
    """What a form to ask for a day's thaw offers."""

    day: date
    places: Sequence[tuple[str, str]]
    species: Sequence[tuple[str, str]]
    lines: range
    first_feed_at: datetime
    last_feed_at: datetime
    unit: str


@dataclass(frozen=True)
class PlanShown:
    """A plan as it stands now."""

    plan: ThawRequestOut
    names: dict[str, str]
    """Of the species in it."""
    day: date
    open: bool
    """Neither cancelled nor over."""
    changes: Sequence[PlanChangeOut]
    """The newest first."""
    ranges: bool
    may_plan: bool
    may_substitute: bool


@router.get("/new")
def new_plan(screen: OnScreen, by: MayPlanThaw, day: Day | None = None) -> Response:
    """Ask for a day's thaw; left out: tomorrow's."""
    view = screen.view
    asked = day or view.day_of(screen.at) + timedelta(days=1)
    start = view.start_of(asked)
    known = {product.species_code for product, _supplier in catalogue.products(screen.session)}
    return screen.show(
        "thaw_new.html",
        AskForThaw(
            day=asked,
            places=places_of(screen, *THAW_KINDS),
            species=sorted(_named(known).items(), key=lambda pair: pair[1]),
            lines=range(LINES_BY_HAND),
            first_feed_at=start + timedelta(hours=view.policy.feed_day_from),
            last_feed_at=start + timedelta(hours=view.policy.feed_day_to),
            unit=view.units.mass,
        ),
    )


def _named(codes: set[str]) -> dict[str, str]:
    names = species_facts()
    return {code: names[code].name if code in names else code for code in codes}


@router.post("/plans")
def plan(form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayPlanThaw) -> Response:
    """Plan it; the fish is reserved. A plan that fails a clock is shown with what would work."""
    order = form.read(ThawRequestIn, screen.view.zone)
    made = planning.plan(session, order, at=at, by=by)
    return go_to(f"/thaw/plans/{made.id}", said=screen.write.say(_("Planned; the fish is kept.")))


@router.get("/plans/{number}")
def show_plan(number: Number, screen: OnScreen, by: MayLook) -> Response:
    """Which lot from which freezer, when, where it thaws, and what fails."""
    screen = at_its_site(screen, number)
    found = plan_of(screen, number)
    codes = {pull.species for pull in found.pulls} | {each.species for each in found.need}
    codes |= {each.species for each in found.shared}
    codes |= {code for each in found.substitutions for code in (each.species, each.substitute)}
    return screen.show(
        "thaw_plan.html",
        PlanShown(
            plan=found,
            names=_named(codes),
            day=screen.view.day_of(found.first_feed_at),
            open=found.cancelled_at is None and found.last_feed_at > screen.at,
            changes=found.changes[: -MOST_CHANGES - 1 : -1],
            ranges=screen.by.role in WHO_DECIDES,
            may_plan=screen.may(Action.PLAN_THAW),
            may_substitute=screen.may(Action.SUBSTITUTE),
        ),
    )


def at_its_site(screen: Screen, number: int) -> Screen:
    """The screen at the site of a plan. Raises NotFound."""
    request = queries.request_by_id(screen.session, number, by=screen.by, field="plan")
    return screen.at_site(request.site_id)


def plan_of(screen: Screen, number: int) -> ThawRequestOut:
    """A plan with what of it was pulled. Raises NotFound. Five queries."""
    request = queries.request_by_id(screen.session, number, by=screen.by, field="plan")
    return showing.current(screen.session, request)


def pull_of(plan: ThawRequestOut, number: int) -> PlannedPull:
    """One pull of a plan. Raises NotFound."""
    for pull in plan.pulls:
        if pull.number == number:
            return pull
    raise NotFound.of("pull", number, "pull")


@router.post("/plans/{number}/replan")
def replan(
    number: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayPlanThaw,
) -> Response:
    """Plan what is not pulled again, from fish and diets as they are now."""
    screen = at_its_site(screen, number)
    order = form.read(ReplanIn, screen.view.zone)
    replanning.replan(session, number, order, at=at, by=by)
    return go_to(f"/thaw/plans/{number}", said=screen.write.say(_("Planned again.")))


@router.post("/plans/{number}/cancel")
def cancel(
    number: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MayPlanThaw,
) -> Response:
    """Give a plan up: its fish is free again."""
    screen = at_its_site(screen, number)
    order = form.read(CancelIn, screen.view.zone)
    replanning.cancel(session, number, at=at, by=by, said=order.occurred_at)
    return go_to(f"/thaw/plans/{number}", said=screen.write.say(_("Cancelled; its fish is free.")))


@router.post("/plans/{number}/substitutions")
def accept(
    number: Number,
    form: Form,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MaySubstitute,
) -> Response:
    """Let the proposed fish stand in."""
    order = form.read(AcceptIn, screen.view.zone)
    replanning.accept(session, number, order, at=at, by=by)
    said = screen.write.say(_("The other fish stands in; planned again."))
    return go_to(f"/thaw/plans/{number}", said=said)
