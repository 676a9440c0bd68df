"""Now: what must be done in the next hours."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from fastapi import Response

from service.chores import queries as chores
from service.diets.queries.need import portions
from service.excursions.queries.shown import Filter, shown
from service.excursions.queries.shown import Shown as ShownExcursion
from service.excursions.rules import ExcursionKind, ExcursionState
from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.inspections.queries import unsigned
from service.ledger import queries as ledger
from service.notifications import queries as notifications
from service.notifications.actions.acknowledging import acknowledge
from service.notifications.schemas import AcknowledgementIn
from service.pages import board_cards as cards
from service.pages.board_cards import Card, Level
from service.pages.board_ribbon import AFTER, Meal, cold_places, ribbon_of_board
from service.pages.news import Kept
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.receive import UNSIGNED_FOR
from service.pages.ribbon import Ribbon
from service.pages.thaw import barred
from service.pages.words import _
from service.probes import queries as probes
from service.security.guard import MayAcknowledge, MayLook
from service.security.rules import Action
from service.site import queries as sites
from service.site.models import Place
from service.supplements.queries import standing as orders
from service.supplements.rules.standing import EndedWhy
from service.thawing.actions.listing import to_pull
from service.thawing.queries import BatchView, batch_views
from service.traceability.queries.holding import holds
from service.welfare.queries import looking as welfare

router = page_router()

MOST = 20  # of each kind; the sections have the rest
MOST_OPEN = 200  # of what cannot wait
MOST_BATCHES = 40
TOLD_WITHIN = timedelta(hours=24)
STILL_DUE = timedelta(minutes=30)  # a feed whose time has just passed


@dataclass(frozen=True)
class Heap:
    """Cards that are about equally urgent."""

    level: Level
    heading: str
    cards: Sequence[Card]

    @property
    def at_once(self) -> bool:
        """Whether it stands above the ribbon: nobody scrolls down to a freezer that warms."""
        return self.level is Level.NOW


@dataclass(frozen=True)
class Told:
    """An urgent message that nobody has said they know."""

    id: int
    title: str
    at: datetime


@dataclass(frozen=True)
class BoardShown:
    """What the board shows.

    heaps : the most urgent first; none where all is well. told : urgent messages that nobody
    has said they know. more_batches : thaw batches that are not shown here.
    """

    ribbon: Ribbon
    heaps: Sequence[Heap]
    told: Sequence[Told]
    may_acknowledge: bool
    more_batches: int


HEADINGS = {
    Level.NOW: _("At once"),
    Level.SOON: _("In the next hours"),
    Level.TODAY: _("Today"),
    Level.LATER: _("Later"),
}


@router.get("/")
def board(screen: OnScreen, by: MayLook) -> Response:
    """What must be done in the next hours, the most urgent first."""
    return screen.show("board.html", _kept_board(screen))


@router.post("/messages/{message}/known")
def know(
    message: Number, session: WriteSession, at: Now, screen: OnScreen, by: MayAcknowledge
) -> Response:
    """Somebody knows of an urgent message and is at it."""
    acknowledge(session, message, AcknowledgementIn(), at=at, by=by)
    return go_to("/", said=screen.write.say("Kept: you know of it. It is not told again."))


def _kept_board(screen: Screen) -> BoardShown:
    """The board of a few seconds ago, if nothing has happened since."""
    state = screen.request.app.state
    boards: Kept[BoardShown] = state.boards
    key = (screen.view.id, screen.by.role, screen.write.language)
    with boards.lock(key):
        newest = state.news.newest(screen.session, screen.view.id)
        kept = boards.get(key, newest, screen.at)
        return kept or boards.keep(key, newest, screen.at, _board(screen))


def _board(screen: Screen) -> BoardShown:
    """Some forty queries, none of which reads history."""
    places = sites.places_of(screen.session, screen.view.id)
    batches = _batches(screen)
    shown_batches = batches[:MOST_BATCHES]
    held = barred(screen, shown_batches)
    pulls = to_pull(screen.session, screen.view, now=screen.at)
    meals = _meals(screen)
    cold = cold_places(screen, places)
    excursions = _excursions(screen)
    found = [
        *(cards.of_batch(screen, each, held=each.lot.id in held) for each in shown_batches),
        *cards.of_pulls(screen, pulls),
        *cards.of_meals(screen, meals),
        *(cards.of_excursion(screen, row) for row in excursions),
        *cards.of_silent_places(screen, cold, _known_to_be_silent(excursions)),
        *_concerns(screen),
        *_holds(screen),
        *_inspections(screen),
        *_supplements(screen),
        *cards.of_chores(screen, _chores(screen, places)),
        *_doubtful_probes(screen),
    ]
    return BoardShown(
        ribbon=ribbon_of_board(screen, shown_batches, pulls, meals, cold),
        heaps=_heaps(found),
        told=_told(screen),
        may_acknowledge=screen.may(Action.ACKNOWLEDGE),
        more_batches=len(batches) - len(shown_batches),
    )


def _told(screen: Screen) -> list[Told]:
    found = notifications.urgent_unacknowledged(
        screen.session, screen.view.id, since=screen.at - TOLD_WITHIN, limit=MOST
    )
    return [Told(each.id or 0, each.title, each.created_at) for each in found]


def _heaps(found: Sequence[Card]) -> list[Heap]:
    by_level = {
        level: sorted((c for c in found if c.level is level), key=lambda card: card.due)
        for level in Level
    }
    return [Heap(level, HEADINGS[level], own) for level, own in by_level.items() if own]


def _batches(screen: Screen) -> list[BatchView]:
    """Thaw batches that hold fish, those whose time runs out first before the others."""
    policy = screen.view.policy
    open_ = ledger.batches(screen.session, [screen.view.id], open_only=True, limit=None, after_id=0)
    views = batch_views(screen.session, open_, policy, at=screen.at)
    return sorted(views, key=lambda each: each.discard_after(policy))


def _meals(screen: Screen) -> list[Meal]:
    """The feeds of the next hours, by the diets."""
    view, at = screen.view, screen.at
    days = sorted({view.day_of(at), view.day_of(at + AFTER)})
    found = [p for day in days for p in portions(screen.session, view, day)]
    codes = welfare.codes(screen.session, view.id)
    eaters: dict[datetime, set[str]] = {}
    for portion in found:
        if at - STILL_DUE <= portion.feed_at <= at + AFTER:
            code = codes[portion.animal_id, portion.group_id]
            eaters.setdefault(portion.feed_at, set()).add(code)
    return [Meal(when, sorted(who)) for when, who in sorted(eaters.items())]


def _excursions(screen: Screen) -> Sequence[ShownExcursion]:
    """Those that go on, however many wait for a decision since; and the newest of those."""
    site, session = [screen.view.id], screen.session
    open_ = Filter(state=ExcursionState.OPEN)
    going_on = shown(session, site, open_, limit=MOST_OPEN, before_id=None)
    newest = shown(session, site, Filter(unsettled=True), limit=MOST, before_id=None)
    return list({each[0].id: each for each in (*going_on, *newest)}.values())


def _known_to_be_silent(excursions: Sequence[ShownExcursion]) -> set[str]:
    return {
        place
        for row, place, _probe in excursions
        if row.kind == ExcursionKind.SILENT and row.ended_at is None
    }


def _concerns(screen: Screen) -> list[Card]:
    """Every one that cannot wait, and the newest of the others."""
    rows = welfare.concerns(
        screen.session,
        [screen.view.id],
        animal_id=None,
        over=False,
        limit=MOST_OPEN,
        before_id=None,
    )
    found = [cards.of_concern(screen, *row) for row in rows]
    rest = [card for card in found if not card.urgent]
    return [*(card for card in found if card.urgent), *rest[:MOST]]


def _holds(screen: Screen) -> list[Card]:
    rows = holds(screen.session, [screen.view.id], open_=True, limit=MOST + 1, after_id=0)
    return list(cards.of_holds(screen, rows[:MOST], len(rows) > MOST))


def _inspections(screen: Screen) -> list[Card]:
    """For whoever may go on with them."""
    if not screen.may(Action.RECEIVE):
        return []
    since = screen.at - UNSIGNED_FOR
    rows = unsigned(screen.session, screen.view.id, since=since, limit=MOST + 1)
    return list(cards.of_inspections(screen, rows[:MOST], len(rows) > MOST))


def _supplements(screen: Screen) -> list[Card]:
    session, site_id, today = screen.session, screen.view.id, screen.view.day_of(screen.at)
    proposed = orders.proposed(session, site_id, today, since=screen.at - orders.SHOWN_FOR)
    ended = {
        plan.animal_id
        for plan, end in orders.last_ends(session, site_id)
        if end.why == EndedWhy.LAPSED
    }
    if ended:
        ended -= {plan.animal_id for plan in orders.in_force(session, site_id, today, ended)}
    names = orders.animals_by_id(session, [*ended, *(plan.animal_id for plan in proposed)])
    ended = {id_ for id_ in ended if (names[id_].gone_on or date.max) > today}
    return list(
        cards.of_supplements(
            screen,
            [names[plan.animal_id].code for plan in proposed],
            sorted(names[animal_id].code for animal_id in ended),
        )
    )


def _chores(screen: Screen, places: Sequence[Place]) -> list[chores.Standing]:
    return chores.of_site(screen.session, screen.view, places, screen.at)


def _doubtful_probes(screen: Screen) -> list[Card]:
    found = {
        probe.id or 0: probe.code
        for probe, place in probes.probes(screen.session, by=screen.by)
        if place.site_id == screen.view.id
    }
    concerns = probes.open_concerns(screen.session, list(found))
    return list(cards.of_doubtful_probes(screen, [(found[c.probe_id], c) for c in concerns]))
