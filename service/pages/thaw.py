"""Thaw: what to pull, when, and what is on its way.

The day is a ribbon from the noon before to midnight: fish of a day is pulled the afternoon before.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Annotated

from fastapi import Query, Response

from service.catalogue.rules import species_facts
from service.decisions import Finding
from service.http.bodies import Day
from service.ledger import queries as ledger
from service.lots import queries as lots
from service.pages.page import OnScreen, Screen, page_router
from service.pages.ribbon import Band, Notch, Ribbon, Track, ribbon
from service.pages.words import _
from service.security.guard import MayLook
from service.security.rules import Action
from service.site import queries as sites
from service.site.models import Place
from service.site.rules import PlaceKind
from service.thawing import queries
from service.thawing.actions import listing, showing
from service.thawing.actions.sharing import Standing, standings
from service.thawing.queries import BatchView
from service.thawing.rules.clocks import BatchState
from service.thawing.schemas import PullLine, ThawBatchOut

router = page_router("/thaw")

BATCHES_A_PAGE = 24
MOST_TRACKS = 30
LONGEST_SAID = 600  # what is said on the next page travels in a cookie
WORDS_OF_STATE: Mapping[BatchState, str] = {
    BatchState.THAWING: _("thawing"),
    BatchState.THAWED: _("thawed"),
    BatchState.FINISHED: _("nothing left"),
}


@dataclass(frozen=True)
class BatchCard:
    """A thaw batch as a card shows it."""

    batch: ThawBatchOut
    name: str
    """Of its species."""
    state: str
    """Its state's word, to be translated."""
    clock_from: datetime
    """When the clock in force started."""
    held: bool
    """Its lot is on hold or rejected: nobody may feed of it."""


@dataclass(frozen=True)
class PlanLine:
    """A day's thaw request in a line."""

    number: int
    place: str
    first_feed_at: datetime
    last_feed_at: datetime
    feasible: bool
    short: bool
    """Whether fish is missing."""
    left: int
    """Pulls that are still to be made."""


@dataclass(frozen=True)
class ThawDay:
    """A day's thaw: what is under way, what is to be pulled, what was planned."""

    day: date
    tabs: Sequence[tuple[date, str]]
    ribbon: Ribbon
    batches: Sequence[BatchCard]
    page: int
    pages: int
    due: Sequence[PullLine]
    """Pulls that are still to be made."""
    done: int
    plans: Sequence[PlanLine]
    may_plan: bool
    may_pull: bool


@router.get("")
def thaw(
    screen: OnScreen,
    by: MayLook,
    day: Day | None = None,
    page: Annotated[int, Query(ge=1, le=1000)] = 1,
) -> Response:
    """The thaw of a day; left out: today's."""
    asked = day or screen.view.day_of(screen.at)
    batches = on_their_way(screen)
    lines = listing.pull_list(screen.session, screen.view, asked, now=screen.at)
    due = [line for line in lines if not line.done]
    pages = max(1, -(-len(batches) // BATCHES_A_PAGE))
    first = (min(page, pages) - 1) * BATCHES_A_PAGE
    shown = ThawDay(
        day=asked,
        tabs=tabs(screen, asked),
        ribbon=_ribbon(screen, asked, batches, due),
        batches=batches[first : first + BATCHES_A_PAGE],
        page=min(page, pages),
        pages=pages,
        due=due,
        done=len(lines) - len(due),
        plans=_plans(screen, asked),
        may_plan=screen.may(Action.PLAN_THAW),
        may_pull=screen.may(Action.PULL),
    )
    return screen.show("thaw.html", shown)


def tabs(screen: Screen, asked: date) -> Sequence[tuple[date, str]]:
    """Today and tomorrow by name, and the day that was asked for if it is another."""
    today = screen.view.day_of(screen.at)
    named = [
        (today, screen.write.say(_("Today"))),
        (today + timedelta(days=1), screen.write.say(_("Tomorrow"))),
    ]
    if asked in (day for day, _name in named):
        return named
    return sorted([*named, (asked, screen.write.day(asked))])


def on_their_way(screen: Screen) -> list[BatchCard]:
    """Batches that still hold fish, by when they are to be discarded. About eight queries."""
    held = ledger.batches(screen.session, [screen.view.id], open_only=True, limit=None, after_id=0)
    views = queries.batch_views(screen.session, held, screen.view.policy, at=screen.at)
    stopped = barred(screen, views)
    cards = [card_of(screen, each, held=each.lot.id in stopped) for each in views]
    return sorted(cards, key=lambda card: (card.batch.discard_after, card.batch.code))


def barred(screen: Screen, views: Sequence[BatchView]) -> set[int]:
    """The lots among those of batches that are on hold or rejected. One query."""
    ids = {each.lot.id or 0 for each in views}
    rejected = {each.lot.id or 0 for each in views if each.lot.rejected_at is not None}
    return rejected | set(lots.held_ids(screen.session, list(ids)))


def card_of(screen: Screen, each: BatchView, *, held: bool) -> BatchCard:
    """A batch as its card shows it. held: its lot is."""
    return BatchCard(
        batch=showing.batch_out(each, screen.view, screen.at),
        name=species_facts()[each.lot.species_code].name,
        state=WORDS_OF_STATE[each.state],
        clock_from=each.facts.clock_from,
        held=held,
    )


def _ribbon(
    screen: Screen, day: date, batches: Sequence[BatchCard], due: Sequence[PullLine]
) -> Ribbon:
    begin = screen.view.start_of(day) - timedelta(hours=12)
    end = screen.view.end_of(day) + timedelta(hours=12)
    tracks = [
        _track(screen, card)
        for card in batches
        if card.batch.left_freezer_at < end and card.batch.discard_after > begin
    ]
    tracks += [_due_track(screen, line) for line in due]
    return ribbon(begin, end, now=screen.at, zone=screen.view.zone, tracks=tracks[:MOST_TRACKS])


def _track(screen: Screen, card: BatchCard) -> Track:
    """Outlined while it thaws, solid once it is thawed, until it is discarded."""
    batch, say = card.batch, screen.write.say
    thawed_at = batch.thawed_at
    says = say(
        _("%(mass)s of %(name)s in %(place)s, %(state)s, discard after %(until)s"),
        mass=screen.write.mass(batch.remaining.g),
        name=card.name,
        place=batch.place,
        state=say(card.state),
        until=screen.write.when(batch.discard_after),
    )
    bands = [
        Band(batch.left_freezer_at, thawed_at or batch.discard_after, "outlined", says),
    ]
    if thawed_at is not None:
        bands.append(Band(thawed_at, batch.discard_after, "solid", says))
    return Track(batch.code, says, bands, href=f"/thaw/batches/{batch.code}")


def _due_track(screen: Screen, line: PullLine) -> Track:
    """Hatched while it may be pulled; the notch is the last minute."""
    says = screen.write.say(
        _("pull %(mass)s of %(name)s from %(place)s by %(until)s"),
        mass=screen.write.mass(line.mass.g),
        name=line.name,
        place=line.from_place,
        until=screen.write.when(line.pull_not_after),
    )
    begin = min(line.pull_not_before, line.pull_not_after)
    return Track(
        line.lot,
        says,
        [Band(begin, line.pull_not_after, "hatched", says)],
        [Notch(line.pull_not_after, says)],
        href=f"/thaw/plans/{line.thaw_request}/pulls/{line.pull}",
    )


def _plans(screen: Screen, day: date) -> Sequence[PlanLine]:
    view = screen.view
    found = queries.requests_between(screen.session, view.id, view.start_of(day), view.end_of(day))
    mine = [each for each in found if view.day_of(each.first_feed_at) == day]
    return [_plan_line(each) for each in standings(screen.session, mine)]


def _plan_line(each: Standing) -> PlanLine:
    plan = each.plan
    return PlanLine(
        number=plan.id,
        place=plan.thaw_place,
        first_feed_at=plan.first_feed_at,
        last_feed_at=plan.last_feed_at,
        feasible=plan.feasible,
        short=bool(plan.shortages),
        left=sum(1 for pull in plan.pulls if each.left_g(pull)),
    )


def places_of(screen: Screen, *kinds: PlaceKind) -> Sequence[tuple[str, str]]:
    """The site's places of some kinds, as options of a form. One query."""
    return [
        (place.code, _named(place))
        for place in sites.places_of(screen.session, screen.view.id)
        if place.kind in kinds
    ]


THAW_KINDS = tuple(kind for kind in PlaceKind if kind is not PlaceKind.FREEZER)


def _named(place: Place) -> str:
    return place.code if place.name == place.code else f"{place.name} ({place.code})"


def told(screen: Screen, sentence: str, findings: Iterable[Finding]) -> str:
    """What was done, and what the rules have to say about it."""
    why = "; ".join(finding.because for finding in findings)
    if not why:
        return sentence
    return f"{sentence} {screen.write.say(_('Take note'))}: {why}."[:LONGEST_SAID]
