"""The cards of the board: one for each thing that waits for somebody, with one way to do it."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import IntEnum
from itertools import groupby

from service.chores.queries import Standing as ChoreStanding
from service.chores.rules import ChoreState
from service.excursions.queries.shown import Shown as ShownExcursion
from service.excursions.rules import ExcursionKind, ExcursionState
from service.inspections.models import Inspection
from service.lots.models import Hold, Lot
from service.notifications.rules import Urgency
from service.pages.board_ribbon import ColdPlace, Meal
from service.pages.frame import WHO_DECIDES
from service.pages.page import Screen
from service.pages.words import Writer, _
from service.probes.models import ProbeConcern
from service.security.rules import Action
from service.thawing.queries import BatchView
from service.thawing.schemas import PullLine
from service.welfare.models import WelfareConcern
from service.welfare.rules import ConcernKind, Reason, urgency_of, what_to_do

SOON, TODAY = timedelta(hours=3), timedelta(hours=18)
MOST_LINES = 5


class Level(IntEnum):
    """How soon it must be done."""

    NOW = 0
    SOON = 1
    TODAY = 2
    LATER = 3


@dataclass(frozen=True)
class Clock:
    """A time that runs out: drawn as a bar that shrinks."""

    begin: datetime
    end: datetime
    words: str


@dataclass(frozen=True)
class Card:
    """Something that waits for somebody.

    mark : in one or two words, what it is. due : what cards of a level are sorted by.
    act : what to do, in words; href : where.
    """

    id: str
    level: Level
    due: datetime
    mark: str
    title: str
    says: Sequence[str]
    href: str
    act: str
    clock: Clock | None = None

    @property
    def urgent(self) -> bool:
        """Whether it cannot wait."""
        return self.level is Level.NOW


def level_of(due: datetime, at: datetime) -> Level:
    """By how long there is left."""
    if due <= at:
        return Level.NOW
    if due - at <= SOON:
        return Level.SOON
    return Level.TODAY if due - at <= TODAY else Level.LATER


def of_batch(screen: Screen, each: BatchView, *, held: bool) -> Card:
    """A thaw batch, with the clock from its pull to when it must be discarded. held: its lot is."""
    write, facts, over = screen.write, each.facts, each.discard_after(screen.view.policy)
    past = over < screen.at
    lot, place = each.lot, each.place
    where = f" · {place.code}" if place else ""
    begin = facts.left_freezer_at if facts.thawed_at is None else facts.thawed_at
    about = facts.refrigerated and facts.thawed_at is None
    words = _("Discard after about %(at)s") if about else _("Discard after %(at)s")
    return Card(
        id=f"batch-{each.batch.code}",
        level=level_of(over, screen.at),
        due=over,
        mark=write.say(_mark_of(screen, each, past=past, held=held)),
        title=f"{each.batch.code} · {lot.species_code} {write.mass(each.remaining_g)}{where}",
        says=[_how_far(screen, each)],
        href=f"/thaw/batches/{each.batch.code}",
        act=write.say("Discard what is left") if past else write.say("Thaw batch"),
        clock=Clock(begin, over, write.say(words, at=write.when(over))),
    )


def _mark_of(screen: Screen, each: BatchView, *, past: bool, held: bool) -> str:
    """In a word where a thaw batch stands; one that should be thawed is to be looked at."""
    if past:
        return _("Discard")
    if held:
        return _("On hold")
    forecast = each.forecast if each.facts.thawed_at is None else None
    if forecast is not None and each.thawed_after(forecast.hours) <= screen.at:
        return _("Thawed by now?")
    return BATCH_STATES[each.state]


BATCH_STATES = {"thawing": _("Thawing"), "thawed": _("Thawed"), "finished": _("Finished")}


def _how_far(screen: Screen, each: BatchView) -> str:
    write, facts, forecast = screen.write, each.facts, each.forecast
    if facts.thawed_at is not None:
        return write.say(
            "Thawed since %(at)s, out of the freezer since %(out)s",
            at=write.when(facts.thawed_at),
            out=write.when(facts.left_freezer_at),
        )
    out = write.say("Out of the freezer since %(at)s", at=write.when(facts.left_freezer_at))
    if forecast is None:
        return out
    thawed = write.when(each.thawed_after(forecast.hours))
    if screen.by.role not in WHO_DECIDES:
        return f"{out}; {write.say('thawed about %(at)s', at=thawed)}"
    low = write.when(each.thawed_after(forecast.low_h))
    high = write.when(each.thawed_after(forecast.high_h))
    said = write.say("thawed about %(at)s (%(low)s to %(high)s)", at=thawed, low=low, high=high)
    return f"{out}; {said}"


def of_pulls(screen: Screen, lines: Sequence[PullLine]) -> Iterator[Card]:
    """What is to be pulled in the next hours: one card for each freezer."""
    write = screen.write
    soon = [line for line in lines if line.pull_not_after - screen.at <= TODAY]
    by_place = sorted(soon, key=lambda line: (line.from_place, line.pull_not_after))
    for place, found in groupby(by_place, key=lambda line: line.from_place):
        own = list(found)
        first = own[0]
        late = first.pull_not_after < screen.at
        yield Card(
            id=f"pull-{place}",
            level=level_of(first.pull_not_after, screen.at),
            due=first.pull_not_after,
            mark=write.say("Pull late") if late else write.say("Pull"),
            title=write.say(
                "From %(place)s by %(at)s", place=place, at=write.when(first.pull_not_after)
            ),
            says=_some(write, [_pull_line(write, line) for line in own]),
            href="/thaw/pulls",
            act=write.say("Pull list"),
            clock=Clock(
                min(first.pull_not_before, screen.at), first.pull_not_after, write.say("Pull")
            ),
        )


def _pull_line(write: Writer, line: PullLine) -> str:
    mass = write.mass(max(0, line.mass.g - line.pulled.g))
    return f"{line.species} {mass} · {line.lot} → {line.to_place}"


def of_meals(screen: Screen, meals: Sequence[Meal]) -> Iterator[Card]:
    """The next feed."""
    write = screen.write
    if meals and screen.may(Action.FEED):
        meal = meals[0]
        yield Card(
            id="feed",
            level=max(Level.SOON, level_of(meal.at, screen.at)),
            due=meal.at,
            mark=write.say("Feed"),
            title=write.say("Next feed at %(at)s", at=write.when(meal.at)),
            says=[_few(write, meal.eaters)],
            href="/feed",
            act=write.say("Feed"),
        )


def of_excursion(screen: Screen, shown: ShownExcursion) -> Card:
    """A place that was too warm, or not measured, about which nobody has decided."""
    each, place, probe = shown
    write = screen.write
    kind, state = ExcursionKind(each.kind), ExcursionState(each.state)
    going_on = state is ExcursionState.OPEN
    says = [write.say(EXCURSION_STATES[state])]
    if kind is not ExcursionKind.SILENT:
        says += _how_warm(write, each.peak_c, each.limit_c)
    else:
        says.append(write.say("Probe %(probe)s", probe=probe))
    return Card(
        id=f"excursion-{each.id}",
        level=Level.NOW if going_on else Level.SOON,
        due=each.from_at,
        mark=write.say(EXCURSION_KINDS[kind]),
        title=write.say("%(place)s since %(at)s", place=place, at=write.when(each.from_at))
        if going_on or each.ended_at is None
        else write.say(
            "%(place)s, %(at)s to %(until)s",
            place=place,
            at=write.when(each.from_at),
            until=write.when(each.ended_at),
        ),
        says=says,
        href=f"/rooms/excursions/{each.id}",
        act=write.say("Look and decide")
        if screen.may(Action.DECIDE_EXCURSION)
        else write.say("Look"),
    )


EXCURSION_KINDS = {
    ExcursionKind.WARM: _("Too warm"),
    ExcursionKind.RISING: _("Warming"),
    ExcursionKind.SILENT: _("Not measured"),
}
EXCURSION_STATES = {
    ExcursionState.OPEN: _("It goes on."),
    ExcursionState.ENDED: _("It is over; what it did to the fish is not worked out yet."),
    ExcursionState.ASSESSED: _("It is over; somebody has to decide about the fish."),
}


def _how_warm(write: Writer, peak_c: float | None, limit_c: float | None) -> Iterator[str]:
    if peak_c is not None and limit_c is not None:
        yield write.say(
            "Warmest %(peak)s; the limit is %(limit)s",
            peak=write.temperature(peak_c),
            limit=write.temperature(limit_c),
        )


def of_silent_places(
    screen: Screen, places: Sequence[ColdPlace], known: Collection[str]
) -> Iterator[Card]:
    """Places that nobody measures, before or whether or not the watch has noticed: a missing
    reading never means that all is well. known: what has a card of its own already."""
    write, gap = screen.write, timedelta(minutes=screen.view.policy.gap_minutes)
    for each in places:
        since = each.silent_since(screen.at, gap)
        if since is not None and each.place.code not in known:
            yield Card(
                id=f"silent-{each.place.code}",
                level=Level.NOW,
                due=since,
                mark=write.say(EXCURSION_KINDS[ExcursionKind.SILENT]),
                title=write.say(
                    "%(place)s since %(at)s", place=each.place.code, at=write.when(since)
                ),
                says=[write.say("Read its thermometer by hand.")],
                href=f"/rooms/{each.place.code}",
                act=write.say("Look"),
            )


def of_concern(screen: Screen, row: WelfareConcern, animal: str | None, group: str | None) -> Card:
    """An animal that does not eat, is too light, or loses mass."""
    write = screen.write
    kind, reason = ConcernKind(row.kind), Reason(row.reason) if row.reason else None
    at_once = urgency_of(kind, reason) is Urgency.NOW
    return Card(
        id=f"concern-{row.id}",
        level=Level.NOW if at_once else Level.TODAY,
        due=row.since,
        mark=write.say(CONCERNS[kind]),
        title=write.say("%(who)s since %(at)s", who=animal or group, at=write.when(row.since)),
        says=[row.because, what_to_do(kind, reason)],
        href=f"/animals/{animal}" if animal else "/animals",
        act=write.say("Look at the animal") if animal else write.say("Animals"),
    )


CONCERNS = {
    ConcernKind.OFF_FOOD: _("Off food"),
    ConcernKind.WEIGHT_FLOOR: _("Too light"),
    ConcernKind.NOT_WEIGHED: _("Not weighed"),
    ConcernKind.INTAKE_LOW: _("Eats little"),
    ConcernKind.LOSING_MASS: _("Loses mass"),
    ConcernKind.GAINING_MASS: _("Gains mass"),
    ConcernKind.UNEQUAL_SHARE: _("Unequal share"),
}


def of_holds(screen: Screen, holds: Sequence[tuple[Hold, Lot]], more: bool) -> Iterator[Card]:
    """Lots that nobody may use, in one card: they often wait for days."""
    if not holds:
        return
    write = screen.write
    lines = [f"{lot.code} · {lot.species_code}: {hold.reason}" for hold, lot in holds]
    count = f"{len(holds)}+" if more else str(len(holds))
    yield Card(
        id="holds",
        level=Level.TODAY,
        due=holds[0][0].placed_at,
        mark=write.say("On hold"),
        title=write.say("Lots on hold: %(count)s", count=count),
        says=_some(write, lines),
        href="/stock",
        act=write.say("Lots"),
    )


def of_inspections(
    screen: Screen, unsigned: Sequence[tuple[Inspection, str]], more: bool
) -> Iterator[Card]:
    """Deliveries that were received and that nobody has decided on with a signature."""
    if not unsigned:
        return
    write = screen.write
    lines = [f"{write.when(each.opened_at)} · {supplier}" for each, supplier in unsigned]
    yield Card(
        id="inspections",
        level=Level.TODAY,
        due=unsigned[-1][0].opened_at,
        mark=write.say("Unsigned"),
        title=write.say(
            "Inspections to sign: %(count)s", count=f"{len(unsigned)}{'+' if more else ''}"
        ),
        says=_some(write, lines),
        href="/receive",
        act=write.say("Receive"),
    )


def of_supplements(
    screen: Screen, proposed: Sequence[str], lapsed: Sequence[str]
) -> Iterator[Card]:
    """Animals whose order does not hold any more, and plans that nobody has signed."""
    write = screen.write
    sign = write.say("Sign") if screen.may(Action.SIGN_SUPPLEMENTS) else write.say("Supplements")
    for id_, level, mark, said, animals in (
        ("lapsed", Level.SOON, _("Lapsed"), _("No supplement order holds: %(count)s"), lapsed),
        ("unsigned", Level.TODAY, _("Unsigned"), _("Plans to sign: %(count)s"), proposed),
    ):
        if animals:
            yield Card(
                id=id_,
                level=level,
                due=screen.at,
                mark=write.say(mark),
                title=write.say(said, count=len(animals)),
                says=[_few(write, animals)],
                href="/supplements",
                act=sign,
            )


def of_chores(screen: Screen, found: Sequence[ChoreStanding]) -> Iterator[Card]:
    """What is to be cleaned and measured by hand: what is overdue, and what is due."""
    write = screen.write
    for state, level, mark in (
        (ChoreState.OVERDUE, Level.SOON, _("Overdue")),
        (ChoreState.DUE, Level.TODAY, _("Due")),
        (ChoreState.NOT_KNOWN, Level.TODAY, _("Never recorded")),
    ):
        own = [each for each in found if each.due.state is state]
        if own:
            dues = [each.due.overdue_at or each.due.due_at or screen.at for each in own]
            yield Card(
                id=f"chores-{state}",
                level=level,
                due=min(dues),
                mark=write.say(mark),
                title=write.say("Checks and cleaning: %(count)s", count=len(own)),
                says=_some(write, [each.words for each in own]),
                href="/rooms",
                act=write.say("Cold rooms"),
            )


def of_doubtful_probes(screen: Screen, found: Sequence[tuple[str, ProbeConcern]]) -> Iterator[Card]:
    """Probes whose readings somebody has to judge."""
    if found:
        write = screen.write
        yield Card(
            id="probes",
            level=Level.TODAY,
            due=min(concern.told_at for _code, concern in found),
            mark=write.say("Doubtful"),
            title=write.say("Doubtful probes: %(count)s", count=len(found)),
            says=_some(write, [f"{code}: {concern.because}" for code, concern in found]),
            href="/rooms",
            act=write.say("Cold rooms"),
        )


def _some(write: Writer, lines: Sequence[str]) -> list[str]:
    """The first lines, and how many more there are."""
    if len(lines) <= MOST_LINES + 1:
        return list(lines)
    rest = write.say("and %(count)s more", count=len(lines) - MOST_LINES)
    return [*lines[:MOST_LINES], rest]


def _few(write: Writer, names: Sequence[str]) -> str:
    """Names in a line; of many the first."""
    most = 4 * MOST_LINES
    rest = [write.say("and %(count)s more", count=len(names) - most)] if len(names) > most else []
    return ", ".join([*names[:most], *rest])
