"""Buckets: what goes to each animal at each feed, weighed out and weighed back."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from fastapi import Response

from service.buckets.actions import making, weighing
from service.buckets.actions.handling import Done
from service.buckets.actions.making import Made, NoFish
from service.buckets.models import Bucket
from service.buckets.queries import shown
from service.buckets.queries import views as queries
from service.buckets.queries.views import Asked
from service.buckets.rules.pieces import PieceOutcome
from service.buckets.rules.states import BucketState, Where
from service.buckets.schemas import (
    BucketOut,
    BucketsIn,
    EndIn,
    StayIn,
    WeighBackIn,
    WeighOutIn,
)
from service.catalogue.rules import species_facts
from service.feeding.queries import batches_by_code
from service.http.bodies import Code, Cursor, Day
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.thaw import barred, tabs, told
from service.pages.words import _
from service.security.guard import MayFeed, MayLook, MayTendThaw
from service.security.rules import Action
from service.thawing import queries as thawing

router = page_router("/thaw/buckets")

MOST_BUCKETS = 50
MOST_SHORT = 5  # said at once where fish is missing
STATES = {
    BucketState.PLANNED: _("to weigh out"),
    BucketState.WEIGHED_OUT: _("weighed out"),
    BucketState.FED: _("fed"),
    BucketState.NOT_FED: _("not fed"),
    BucketState.DISCARDED: _("discarded"),
    BucketState.CANCELLED: _("cancelled"),
}
WHERE = {
    Where.COLD: _("In the cold"),
    Where.ICED: _("Under ice"),
    Where.OUT: _("Out of the cold"),
}
OUTCOMES = {
    PieceOutcome.TAKEN: _("Taken"),
    PieceOutcome.SPAT_OUT: _("Spat out"),
    PieceOutcome.REFUSED: _("Refused"),
    PieceOutcome.UNKNOWN: _("Not seen"),
}


@dataclass(frozen=True)
class BucketCard:
    """A bucket as a card shows it."""

    bucket: BucketOut
    whose: str
    state: str
    """Its state's word, to be translated."""
    open: bool
    names: dict[str, str]
    """Of the species in it."""


@dataclass(frozen=True)
class BucketsOfDay:
    """The buckets of a day, by feed."""

    day: date
    tabs: Sequence[tuple[date, str]]
    cards: Sequence[BucketCard]
    more: str | None
    """Where the list goes on."""
    may_feed: bool
    open: bool
    """Some of them are open: there are labels to print."""


@dataclass(frozen=True)
class OneBucket:
    """A bucket, and what may be done with it now."""

    card: BucketCard
    where: Sequence[tuple[str, str]]
    outcomes: Sequence[tuple[str, str]]
    stands: str | None
    feed_by: datetime | None
    against: Sequence[str]
    """What speaks against feeding it, in words: a batch past its time, a lot on hold."""
    may_feed: bool
    may_discard: bool


@router.get("")
def buckets_of_day(
    screen: OnScreen, by: MayLook, day: Day | None = None, cursor: Cursor = None
) -> Response:
    """What goes to whom on a day; left out: today."""
    asked = day or screen.view.day_of(screen.at)
    after = shown.after_cursor(cursor) if cursor is not None else None
    found = queries.buckets(
        screen.session, Asked([screen.view.id], asked), limit=MOST_BUCKETS + 1, after=after
    )
    here = found[:MOST_BUCKETS]
    cards = _cards(screen, here)
    return screen.show(
        "thaw_buckets.html",
        BucketsOfDay(
            day=asked,
            tabs=tabs(screen, asked),
            cards=cards,
            more=shown.cursor_after(here[-1]) if len(found) > MOST_BUCKETS else None,
            may_feed=screen.may(Action.FEED),
            open=any(card.open for card in cards),
        ),
    )


def _cards(screen: Screen, found: Sequence[Bucket]) -> list[BucketCard]:
    views = queries.views(screen.session, found)
    whose = shown.names_of(screen.session, views)
    names = species_facts()
    return [
        BucketCard(
            bucket=shown.bucket_out(it, screen.view, screen.at),
            whose=whose[it.bucket.code],
            state=STATES[it.state],
            open=it.ended_at is None,
            names={fish.species: names[fish.species].name for fish in it.fish},
        )
        for it in views
    ]


@router.post("")
def make(form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayFeed) -> Response:
    """Make the buckets of a day that are not made yet."""
    order = form.read(BucketsIn, screen.view.zone, site=screen.site.code)
    made = making.make(session, order, at=at, by=by)
    return go_to(
        f"/thaw/buckets?day={order.day or screen.view.day_of(at)}", said=_made(screen, made)
    )


def _made(screen: Screen, made: Made) -> str:
    say = screen.write.say
    sentence = say(_("Buckets made: %(count)s."), count=len(made.buckets))
    short = [_short(screen, each) for each in made.shortages[:MOST_SHORT]]
    if short:
        sentence += " " + say(_("No fish for %(what)s."), what="; ".join(short))
    if len(made.shortages) > MOST_SHORT:
        sentence += " " + say(_("and %(n)s more"), n=len(made.shortages) - MOST_SHORT)
    return told(screen, sentence, (*made.breaches, *made.findings))


def _short(screen: Screen, each: NoFish) -> str:
    animal, group = queries.whose(screen.session, each.animal_id, each.group_id)
    name = species_facts()[each.species].name
    when, mass = screen.write.time(each.feed_at), screen.write.mass(each.grams)
    return f"{animal or group} {when} {mass} {name}"


@router.get("/{code}")
def one_bucket(code: str, screen: OnScreen, by: MayLook) -> Response:
    """One bucket: what goes into it, where it stands, until when."""
    found = queries.bucket_by_code(screen.session, code, by=by)
    screen = screen.at_site(found.site_id)
    (card,) = _cards(screen, [found])
    stands = card.bucket.out_of_cold.where
    say = screen.write.say
    return screen.show(
        "thaw_bucket.html",
        OneBucket(
            card=card,
            where=[(key.value, say(word)) for key, word in WHERE.items()],
            outcomes=[(key.value, say(word)) for key, word in OUTCOMES.items()],
            stands=WHERE[stands] if stands else None,
            feed_by=card.bucket.out_of_cold.feed_by,
            against=_against(screen, card.bucket) if card.open else (),
            may_feed=card.open and screen.may(Action.FEED),
            may_discard=card.open and screen.may(Action.TEND_THAW),
        ),
    )


def _against(screen: Screen, bucket: BucketOut) -> list[str]:
    """Why fish in a bucket must not be fed as things stand now. Some ten queries."""
    codes = {fish.thaw_batch for fish in bucket.items}
    batches = list(batches_by_code(screen.session, codes).values())
    views = thawing.batch_views(screen.session, batches, screen.view.policy, at=screen.at)
    held = barred(screen, views)
    say, write = screen.write.say, screen.write
    found = []
    for each in views:
        code, until = each.batch.code, each.discard_after(screen.view.policy)
        if until <= screen.at:
            past = _("%(batch)s is past its time since %(until)s: do not feed it, discard it.")
            found.append(say(past, batch=code, until=write.when(until)))
        if each.lot.id in held:
            on_hold = _("%(batch)s is of a lot on hold: do not feed it; ask the vet.")
            found.append(say(on_hold, batch=code))
    return found


@router.post("/{code}/weigh-out")
def weigh_out(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayFeed
) -> Response:
    """What is in it, by the scale."""
    screen = _at_its_site(screen, code)
    order = form.read(WeighOutIn, screen.view.zone)
    done = weighing.weigh_out(session, code, order, at=at, by=by)
    return _done(screen, done, screen.write.say(_("Weighed out.")))


@router.post("/{code}/stays")
def put(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayFeed
) -> Response:
    """Where it stands from now on."""
    screen = _at_its_site(screen, code)
    order = form.read(StayIn, screen.view.zone)
    done = weighing.put(session, code, order, at=at, by=by)
    return _done(screen, done, screen.write.say(WHERE[order.where]) + ".")


@router.post("/{code}/weigh-back")
def weigh_back(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayFeed
) -> Response:
    """It has been fed: what was eaten is what was in it less what is left."""
    screen = _at_its_site(screen, code)
    order = form.read(WeighBackIn, screen.view.zone)
    done = weighing.weigh_back(session, code, order, at=at, by=by)
    return _done(screen, done, screen.write.say(_("The feed is recorded.")))


@router.post("/{code}/cancel")
def cancel(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayFeed
) -> Response:
    """It is not needed: its fish is free for others."""
    screen = _at_its_site(screen, code)
    order = form.read(EndIn, screen.view.zone)
    done = weighing.cancel(session, code, order, at=at, by=by)
    return _done(screen, done, screen.write.say(_("Cancelled; its fish is free.")))


@router.post("/{code}/discard")
def discard(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayTendThaw
) -> Response:
    """All of it is thrown away."""
    screen = _at_its_site(screen, code)
    order = form.read(EndIn, screen.view.zone)
    done = weighing.discard(session, code, order, at=at, by=by)
    return _done(screen, done, screen.write.say(_("Discarded.")))


def _at_its_site(screen: Screen, code: str) -> Screen:
    bucket = queries.bucket_by_code(screen.session, code, by=screen.by)
    return screen.at_site(bucket.site_id)


def _done(screen: Screen, done: Done, said: str) -> Response:
    noted = {each.rule: each for each in (*done.breaches, *done.findings)}
    return go_to(
        f"/thaw/buckets/{done.bucket.bucket.code}", said=told(screen, said, noted.values())
    )
