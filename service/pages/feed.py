"""Feed: the round, one card an animal or group, in the order of feeding; works without a network.

A card is a plain form. Where scripts run (feed.js, queue.js), what is entered is kept on the
tablet first and sent to the API from there, once; the form's own address is for a browser
without scripts, or one that cannot keep anything.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal, InvalidOperation
from typing import Annotated, Any

from fastapi import Query, Response
from sqlmodel import Session

from service.buckets.actions import making, weighing
from service.buckets.queries.views import fed_from_buckets, spoken_for
from service.buckets.rules.sharing import Thawed, Wanted, share_out
from service.buckets.schemas import BucketsIn, WeighBackIn
from service.catalogue.rules import species_facts
from service.errors import Invalid
from service.fallback.actions.making import due_on
from service.fallback.rules.lines import ByHand, FishDue, Line, PieceDue
from service.feeding import queries as feeds
from service.feeding.actions import recording, undoing
from service.feeding.queries import Asked, FeedView
from service.feeding.schemas import FeedCorrectionIn, FeedIn, FeedReversalIn
from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.ledger import queries as ledger
from service.lots import queries as lots
from service.pages.forms import Entered, Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.words import _
from service.security.guard import MayFeed, MayReverse
from service.security.rules import Action
from service.thawing import queries as thawing

router = page_router("/feed")
MOST_CARDS, MOST_FEEDS, MOST_OF_A_DAY = 40, 50, 1000


@dataclass(frozen=True)
class AtHand:
    """A thaw batch that still holds fish; against: why it should not be fed, None where it may.

    free_g: what no open bucket holds.
    """

    id: int
    code: str
    species: str
    free_g: int
    discard_after: datetime
    against: str | None


@dataclass(frozen=True)
class Fish:
    """Fish on a card, of one thaw batch; batch None: the keeper chooses among `batches`.

    mass: the number that stands in the field, in the site's unit.
    """

    species: str
    name: str
    grams: int
    mass: str
    batch: str | None
    until: datetime | None
    batches: Sequence[AtHand]


@dataclass(frozen=True)
class Card:
    """One feed that is still to be recorded. key: the same however often the page is read."""

    key: str
    line: Line
    fish: Sequence[Fish]

    @property
    def pieces(self) -> Sequence[PieceDue]:
        """What is in its fish, or is to go in."""
        return self.line.pieces


@dataclass(frozen=True)
class RoundShown:
    """A stretch of a day's cards. more: where the next stretch begins."""

    day: date
    cards: Sequence[Card]
    done: int
    first: int
    total: int
    more: int | None
    by_hand: Sequence[ByHand]
    fasting: Mapping[str, str]
    batches: Sequence[AtHand]
    unmade: bool
    """Whether some of the day's feeds have no bucket."""
    may_correct: bool


@router.get("")
def feed(
    screen: OnScreen, by: MayFeed, first: Annotated[int, Query(alias="from", ge=0, le=10_000)] = 0
) -> Response:
    """The round: who is fed next, with what, from which thaw batch."""
    day = screen.view.day_of(screen.at)
    due = due_on(screen.session, screen.view, day)
    fed = standing_of_day(screen.session, screen.site.id or 0, day)
    lines = not_yet_fed(due.lines, loose(screen.session, fed))
    batches = at_hand(screen)
    shown = lines[first : first + MOST_CARDS]
    page = RoundShown(
        day=day,
        cards=cards(screen, day, shown, batches),
        done=len(fed),
        first=first,
        total=len(lines),
        more=first + MOST_CARDS if len(lines) > first + MOST_CARDS else None,
        by_hand=due.by_hand,
        fasting=due.fasting,
        batches=batches,
        unmade=any(line.bucket is None for line in lines),
        may_correct=screen.may(Action.REVERSE),
    )
    return screen.show("feed.html", page)


def standing_of_day(session: Session, site_id: int, day: date) -> list[FeedView]:
    """The feeds of a day that stand, oldest first."""
    asked = Asked(from_day=day, to_day=day)
    found = feeds.feeds(session, [site_id], asked, limit=MOST_OF_A_DAY, before_id=None)
    return [each for each in reversed(found) if not each.taken_back]


def loose(session: Session, fed: Sequence[FeedView]) -> list[FeedView]:
    """Feeds that came from no bucket; one that puts another right came from where that did."""
    ids = [number for each in fed for number in (each.id, each.corrects) if number is not None]
    known = fed_from_buckets(session, ids)
    return [each for each in fed if known.isdisjoint((each.id, each.corrects))]


def not_yet_fed(lines: Sequence[Line], fed: Sequence[FeedView]) -> list[Line]:
    """Lines less those without a bucket that a feed was recorded for: of an eater the nearest
    in time."""
    left = list(lines)
    for each in fed:
        mine = [
            line
            for line in left
            if line.bucket is None
            and line.kind == each.kind
            and line.whose == (each.animal if line.animal_id is not None else each.group)
        ]
        if mine:
            left.remove(min(mine, key=lambda line: abs(line.feed_at - each.occurred_at)))
    return left


def at_hand(screen: Screen) -> list[AtHand]:
    """Open thaw batches, what must be fed first in front; what may not be fed comes last."""
    policy, at = screen.view.policy, screen.at
    open_ = ledger.batches(
        screen.session, [screen.site.id or 0], open_only=True, limit=None, after_id=0
    )
    views = thawing.batch_views(screen.session, open_, policy, at=at)
    facts = lots.facts(screen.session, [each.lot for each in views]) if views else {}
    held = spoken_for(screen.session, [batch.id for batch in open_]) if open_ else {}
    found = []
    for each in views:
        of_lot, until = facts[each.lot.id or 0], each.discard_after(policy)
        against = None
        if of_lot.held or of_lot.rejected:
            against = _("on hold")
        elif until < at:
            against = _("its time has run out")
        elif each.facts.thawed_at is None and each.facts.earliest_thawed_at > at:
            against = _("not thawed yet")
        free = max(0, each.remaining_g - held.get(each.batch.id, 0))
        found.append(
            AtHand(each.batch.id, each.batch.code, each.lot.species_code, free, until, against)
        )
    return sorted(found, key=lambda it: (it.against is not None, it.discard_after, it.code))


def cards(
    screen: Screen, day: date, lines: Sequence[Line], batches: Sequence[AtHand]
) -> list[Card]:
    """Cards of these lines, filled from what must be fed first."""
    by_id, by_code = {it.id: it for it in batches}, {it.code: it for it in batches}
    loose_fish = {
        (n, m): fish
        for n, line in enumerate(lines)
        for m, fish in enumerate(line.fish)
        if fish.thaw_batch is None
    }
    keys = list(loose_fish)
    wanted = [
        Wanted(k, loose_fish[key].species, loose_fish[key].grams, screen.at)
        for k, key in enumerate(keys)
    ]
    usable = [
        Thawed(it.id, it.species, it.free_g, it.discard_after)
        for it in batches
        if it.against is None
    ]
    parts: dict[tuple[int, int], list[tuple[AtHand | None, int]]] = {}
    shared = share_out(wanted, usable)
    for share in shared.shares:
        parts.setdefault(keys[share.key], []).append((by_id[share.batch_id], share.grams))
    for short in shared.short:
        parts.setdefault(keys[short.key], []).append((None, short.grams))
    found = []
    for n, line in enumerate(lines):
        fish: list[Fish] = []
        for m, each in enumerate(line.fish):
            if each.thaw_batch is not None:
                fish.append(_fish(screen, each, by_code.get(each.thaw_batch), each.grams, ()))
                continue
            same = [it for it in batches if it.species == each.species]
            fish += [_fish(screen, each, it, grams, same) for it, grams in parts.get((n, m), ())]
        whose = ("a" if line.animal_id is not None else "g") + line.whose
        which = line.bucket or str(line.number)
        found.append(Card(f"{day} {whose} {which}", line, fish))
    return found


def _fish(
    screen: Screen, due: FishDue, batch: AtHand | None, grams: int, batches: Sequence[AtHand]
) -> Fish:
    return Fish(
        due.species,
        species_facts()[due.species].name,
        grams,
        screen.write.amount(grams),
        due.thaw_batch or (batch.code if batch else None),
        batch.discard_after if batch else None,
        batches,
    )


# Entering without a script.


@router.post("")
def record(form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayFeed) -> Response:
    """A feed from a card's form."""
    bucket = form.text("_bucket")
    if bucket:
        order = _weighed_back(form, screen)
        done = weighing.weigh_back(session, bucket, order, at=at, by=by)
        whose, breaches = done.bucket.whose, done.breaches
    else:
        fed = recording.feed(session, _fed(form, screen), at=at, by=by)
        whose, breaches = fed.feed.animal or fed.feed.group or "", fed.breaches
    said = screen.write.say("Stored: %(whose)s.", whose=whose)
    if breaches:
        said += " " + ". ".join(breach.because for breach in breaches) + "."
    return go_to("/feed", said=said[:900])


def _fed(form: Entered, screen: Screen) -> FeedIn:
    """A card without a bucket as a feed: what was eaten is what is not left."""
    how, zone = form.text("_how"), screen.view.zone
    if how == "not_offered":
        return form.read(FeedIn, zone, items=[], outcome="not_offered", note=_why(form))
    said = form.nested(zone).get("items")
    items = said if isinstance(said, list) else []
    more = {"appetite": "none"} if how == "refused" else {}
    return form.read(FeedIn, zone, items=[_with_eaten(item, how) for item in items], **more)


def _with_eaten(item: Any, how: str) -> Any:
    """eaten = offered − left − cold − lost; all of it, or nothing, where that was said."""
    if not isinstance(item, dict) or not isinstance(item.get("offered"), dict):
        return item
    offered = item["offered"]
    parts = ("cold", "lost", "left") if how == "some" else ("cold", "lost")
    spent = [item[part] for part in parts if part in item]
    try:
        spent_of_it = sum((Decimal(each["value"]) for each in spent), Decimal())
        eaten = Decimal(offered["value"]) - spent_of_it if how != "refused" else Decimal()
    except (InvalidOperation, KeyError, TypeError):
        return item
    kept = {name: value for name, value in item.items() if name != "left"}
    return kept | {"eaten": offered | {"value": str(eaten)}}


def _weighed_back(form: Entered, screen: Screen) -> WeighBackIn:
    """A card with a bucket: what of it was left."""
    how, zone = form.text("_how"), screen.view.zone
    if how == "not_offered":
        return WeighBackIn.model_validate({"not_fed": _why(form)})
    tree = form.nested(zone)
    left, carries = tree.get("left"), tree.get("carries", [])
    if isinstance(left, list):
        unit = str(screen.view.units.mass)
        left = [_left_of(each, form.text(f"_full.{n}"), unit, how) for n, each in enumerate(left)]
    if how == "refused" and isinstance(carries, list):
        carries = [{"outcome": "refused"} | each for each in carries if isinstance(each, dict)]
    more = {"appetite": "none"} if how == "refused" else {}
    return form.read(WeighBackIn, zone, left=left, carries=carries, **more)


def _left_of(each: Any, full: str, unit: str, how: str) -> Any:
    """What was left of a fish; of one that nothing is said of, nothing."""
    if not isinstance(each, dict) or (how == "some" and "left" in each):
        return each
    return each | {"left": {"value": full if how == "refused" else "0", "unit": unit}}


def _why(form: Entered) -> str:
    note = form.text("note").strip()
    if not note:
        raise Invalid.at("note", "say why nothing was offered")
    return note


@router.post("/buckets")
def make_buckets(screen: OnScreen, session: WriteSession, at: Now, by: MayFeed) -> Response:
    """The buckets of today that are not made yet."""
    order = BucketsIn(site=screen.site.code, day=screen.view.day_of(at))
    made = making.make(session, order, at=at, by=by)
    said = screen.write.say("%(count)s buckets made.", count=len(made.buckets))
    return go_to("/feed", said=said)


# What was recorded today, to put it right.


@dataclass(frozen=True)
class TodayShown:
    """The feeds recorded last, of today. before: where the next stretch begins."""

    day: date
    feeds: Sequence[FeedView]
    before: int | None
    may_correct: bool


@router.get("/today")
def today(screen: OnScreen, by: MayFeed, before: Number | None = None) -> Response:
    """What was fed today, newest first."""
    day = screen.view.day_of(screen.at)
    found = feeds.feeds(
        screen.session,
        [screen.site.id or 0],
        Asked(from_day=day, to_day=day),
        limit=MOST_FEEDS + 1,
        before_id=before,
    )
    shown = found[:MOST_FEEDS]
    more = shown[-1].id if len(found) > MOST_FEEDS else None
    page = TodayShown(day, shown, more, screen.may(Action.REVERSE))
    return screen.show("feed_today.html", page)


@dataclass(frozen=True)
class OneFeed:
    """A feed that was recorded, to be put right or taken back."""

    feed: FeedView
    masses: Sequence[tuple[str, str]]
    """Offered and eaten of each item, as they stand in the fields."""


@router.get("/today/{feed}")
def one_feed(feed: Number, screen: OnScreen, by: MayReverse) -> Response:
    """One feed: what really happened?"""
    feeds.feed_by_id(screen.session, feed, by=by)
    found = feeds.feed_view(screen.session, feed)
    amount = screen.write.amount
    masses = [
        (amount(item.portion.offered_g), amount(item.portion.eaten_g)) for item in found.items
    ]
    return screen.show("feed_one.html", OneFeed(found, masses))


@router.post("/today/{feed}/correction")
def correct(
    feed: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayReverse
) -> Response:
    """What really happened, in place of what was recorded."""
    said = form.nested(screen.view.zone).get("feed")
    whole: Any = {"items": []} | said if isinstance(said, dict) else said
    order = form.read(FeedCorrectionIn, screen.view.zone, feed=whole)
    undoing.correct(session, feed, order, at=at, by=by)
    return go_to("/feed/today", said=screen.write.say("Put right."))


@router.post("/today/{feed}/reversal")
def reverse(
    feed: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayReverse
) -> Response:
    """It never was: its fish is in its thaw batch again."""
    order = form.read(FeedReversalIn, screen.view.zone)
    undoing.reverse_feed(session, feed, order.reason, at=at, by=by, said=order.occurred_at)
    return go_to("/feed/today", said=screen.write.say("Taken back."))
