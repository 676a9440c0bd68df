"""Who ate of a lot and where the rest of it is; what an animal ate; who is watched since."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Annotated
from urllib.parse import urlencode

from fastapi import Query, Response
from sqlmodel import Session

from service.animals import queries as animals
from service.catalogue.rules import species_facts
from service.errors import Invalid
from service.feeding.rules import Appetite
from service.http.bodies import Day, Number
from service.http.sessions import Now, WriteSession
from service.lots import actions as deciding
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.schemas import HoldIn
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.ribbon import Band, Fill, Ribbon, Track, ribbon
from service.pages.words import _
from service.security.guard import MayDecideWatch, MayHold, MayLook, MayWatch
from service.security.rules import Action
from service.site import queries as sites
from service.traceability import actions
from service.traceability.queries import backward, matching, whereabouts
from service.traceability.queries.backward import LotFed
from service.traceability.queries.matching import Matched
from service.traceability.queries.whereabouts import Batch, Eater, OnHand, Traces
from service.traceability.rules import Match, Whereabouts, says_elsewhere
from service.traceability.schemas import RecallHoldIn
from service.watch_list.actions import observing, opening
from service.watch_list.models import Watch
from service.watch_list.queries.considering import Doubtful, doubtful
from service.watch_list.queries.shown import summary, watch_out
from service.watch_list.queries.standing import standings, watch_by_id, watches
from service.watch_list.rules.hazards import Hazard, Sign
from service.watch_list.rules.rounds import RoundState
from service.watch_list.schemas import (
    CloseIn,
    ObservationIn,
    WatchedOut,
    WatchIn,
    WatchOut,
    WatchSummary,
)

router = page_router("/stock")

A_PAGE = 50
MOST_LOTS = 20
AT_A_LOOK = 40  # animals on one page of a watch
LAST_LOOK = timedelta(hours=2)
LOOK_BACK = timedelta(days=30)
CONSIDERED = timedelta(days=7)
WENT = (
    ("on_hand", _("On hand")),
    ("eaten", _("Eaten")),
    ("left", _("Left by animals")),
    ("public", _("Fed by the public")),
    ("discarded", _("Discarded")),
    ("condemned", _("Condemned")),
    ("returned", _("Returned to supplier")),
    ("lost", _("Lost in the water")),
    ("sampled", _("Sampled")),
    ("drip", _("Drip")),
    ("missing", _("Missing in counts")),
)
FILLS: dict[RoundState, Fill] = {
    RoundState.DONE: "solid",
    RoundState.MISSED: "hatched",
    RoundState.OVERDUE: "hatched",
    RoundState.DUE: "outlined",
    RoundState.COMING: "outlined",
}
MATCHES = {
    Match.EXACT: _("Same code"),
    Match.MAY_BE_OF: _("May be of it: label not readable"),
    Match.LOOK_ALIKE: _("Looks alike: read the label"),
}


@dataclass(frozen=True)
class Went:
    """What became of so many grams."""

    name: str
    grams: int
    share: float


@dataclass(frozen=True)
class LotTraced:
    """One lot of a recall: where all of it is."""

    lot: Lot
    fish: str
    why: str
    supplier: str
    received: int
    went: Sequence[Went]
    there: Sequence[tuple[str, OnHand]]
    """Code of the place, and what is there."""
    batches: Sequence[Batch]
    held: bool
    here: bool
    """It is the lot that was asked for."""


@dataclass(frozen=True)
class RecallShown:
    """The lots that somebody asks about, who ate of them, and who is watched."""

    lot: Lot | None
    supplier_lot: str | None
    lots: Sequence[LotTraced]
    more_lots: int
    eaters: Sequence[Eater]
    codes: Mapping[int, str]
    more_eaters: int
    after: str | None
    elsewhere: str | None
    watches: Sequence[WatchSummary]
    all_held: bool
    may_hold: bool
    may_watch: bool
    hazards: Sequence[Hazard]


@dataclass(frozen=True)
class TraceShown:
    """What an animal ate of which lots."""

    animals: Sequence[tuple[str, str]]
    animal: str | None
    name: str
    from_day: date
    to_day: date
    rows: Sequence[LotFed]
    more: int


@dataclass(frozen=True)
class WatchesShown:
    """Watches, and lots for which one might be needed."""

    watches: Sequence[WatchSummary]
    after: str | None
    doubtful: Sequence[Doubtful]
    may_decide: bool


@dataclass(frozen=True)
class WatchShown:
    """One watch: a page of those in it, and their looks as a ribbon."""

    watch: WatchOut
    watched: Sequence[WatchedOut]
    looks: Ribbon | None
    after: str | None
    signs: Sequence[Sign]
    appetites: Sequence[Appetite]
    may_watch: bool
    may_decide: bool
    whom: str


# Which lots, where, who.


@router.get("/recall")
def recall(
    screen: OnScreen,
    by: MayLook,
    supplier_lot: Annotated[str, Query(max_length=80)] = "",
    page: Annotated[int, Query(ge=1, le=10_000)] = 1,
) -> Response:
    """Every lot of a supplier lot code, where all of it is, and who ate of it."""
    if not supplier_lot.strip():
        return screen.show("stock_recall.html", _recall(screen, None, None, [], None, page))
    found = actions.find(screen.session, supplier_lot, None, by=by)
    elsewhere = says_elsewhere(found.exact_sites_elsewhere + found.look_alike_sites_elsewhere)
    shown = _recall(screen, None, supplier_lot, found.lots, elsewhere, page)
    return screen.show("stock_recall.html", shown)


@router.get("/{lot}/recall")
def recall_of_lot(
    lot: str,
    screen: OnScreen,
    by: MayLook,
    page: Annotated[int, Query(ge=1, le=10_000)] = 1,
) -> Response:
    """Who ate of a lot and where the rest is; with it all lots of its supplier lot code."""
    found = lots.lot_by_code(screen.session, lot, by=by)
    every = [matching.named(screen.session, found)]
    elsewhere = None
    if found.supplier_lot is not None:
        like = actions.find(screen.session, found.supplier_lot, None, by=by)
        every += [each for each in like.lots if each.lot_id != found.id]
        elsewhere = says_elsewhere(like.exact_sites_elsewhere + like.look_alike_sites_elsewhere)
    shown = _recall(screen, found, found.supplier_lot, every, elsewhere, page)
    return screen.show("stock_recall.html", shown)


def _recall(
    screen: Screen,
    lot: Lot | None,
    supplier_lot: str | None,
    every: Sequence[Matched],
    elsewhere: str | None,
    page: int,
) -> RecallShown:
    session, shown = screen.session, every[:MOST_LOTS]
    ids = [each.lot_id for each in shown]
    traces = whereabouts.traces(session, ids, at=screen.at) if ids else Traces({}, (), {})
    sure = {each.lot_id for each in shown if each.match is not Match.LOOK_ALIKE}
    eaters = sorted(
        (e for e in traces.eaters if e.lot_id in sure), key=lambda e: e.last_at, reverse=True
    )
    begin = (page - 1) * A_PAGE
    more = len(eaters) > begin + A_PAGE
    own = f"/stock/{lot.code}/recall?" if lot else f"/stock/recall?{_query(supplier_lot)}&"
    return RecallShown(
        lot=lot,
        supplier_lot=supplier_lot,
        lots=[_traced(each, traces, lot) for each in shown],
        more_lots=len(every) - len(shown),
        eaters=eaters[begin : begin + A_PAGE],
        codes={each.lot_id: each.lot.code for each in shown},
        more_eaters=max(0, len(eaters) - begin - A_PAGE),
        after=f"{own}page={page + 1}" if more else None,
        elsewhere=elsewhere,
        watches=_watches_of(screen, lot) if lot else [],
        all_held=bool(sure) and sure <= lots.held_ids(session, list(sure)),
        may_hold=screen.may(Action.HOLD),
        may_watch=screen.may(Action.DECIDE_WATCH),
        hazards=list(Hazard),
    )


def _query(supplier_lot: str | None) -> str:
    return urlencode({"supplier_lot": supplier_lot or ""})


def _traced(each: Matched, traces: Traces, asked: Lot | None) -> LotTraced:
    trace = traces.by_lot[each.lot_id]
    return LotTraced(
        lot=each.lot,
        fish=species_facts()[each.lot.species_code].name,
        why=MATCHES[each.match],
        supplier=each.supplier,
        received=trace.where.received,
        went=_went(trace.where),
        there=[(traces.places[here.place_id], here) for here in trace.on_hand],
        batches=[batch for batch in trace.batches if batch.remaining_g],
        held=any(hold.released_at is None for hold in trace.holds),
        here=asked is not None and asked.id == each.lot_id,
    )


def _went(where: Whereabouts) -> list[Went]:
    whole = max(1, where.received)
    found = [(name, int(getattr(where, field))) for field, name in WENT]
    return [Went(name, grams, max(0.0, grams / whole)) for name, grams in found if grams]


def _watches_of(screen: Screen, lot: Lot) -> list[WatchSummary]:
    rows = watches(
        screen.session, [lot.site_id], open_=None, lot_id=lot.id, limit=5, before_id=None
    )
    return _summaries(screen, rows)


def _summaries(screen: Screen, rows: Sequence[Watch]) -> list[WatchSummary]:
    if not rows:
        return []
    known = {site.id: site for site in screen.sites}
    found = standings(screen.session, rows, at=screen.at)
    return [summary(each, known[each.watch.site_id]) for each in found]


@router.post("/{lot}/recall/hold")
def hold_all(
    lot: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayHold
) -> Response:
    """Hold this lot, and with it every lot of its supplier lot code."""
    order = form.read(HoldIn, screen.view.zone)
    found = lots.lot_by_code(session, lot, by=by)
    held = _hold_all(session, found, order, at=at, screen=screen)
    said = screen.write.say("On hold: %(lots)s.", lots=", ".join(held))
    return go_to(f"/stock/{found.code}/recall", said=said)


def _hold_all(
    session: Session, lot: Lot, order: HoldIn, *, at: datetime, screen: Screen
) -> list[str]:
    if lot.supplier_lot is None:
        deciding.place_hold(session, lot, order.reason, at=at, by=screen.by, said=order.occurred_at)
        return [lot.code]
    recall = RecallHoldIn(
        supplier_lot=lot.supplier_lot, reason=order.reason, occurred_at=order.occurred_at
    )
    done = actions.hold(session, recall, at=at, by=screen.by)
    return sorted(each.lot.code for _hold, each in done.holds)


# What an animal ate.


@router.get("/trace")
def trace_of_animal(
    screen: OnScreen,
    by: MayLook,
    animal: Annotated[str, Query(max_length=40)] = "",
    from_day: Annotated[Day | None, Query(alias="from")] = None,
    to_day: Annotated[Day | None, Query(alias="to")] = None,
) -> Response:
    """What an animal was fed, by lot: the last thirty days where no others are named."""
    last = to_day or screen.view.day_of(screen.at)
    first = from_day or last - LOOK_BACK
    if last < first:
        raise Invalid.at("to", "lies before from")
    every = [a for a in animals.animals(screen.session, by=by) if a.site_id == screen.site.id]
    rows: Sequence[LotFed] = []
    name = ""
    if animal:
        found = animals.animal_by_code(screen.session, animal, by=by)
        view = sites.view(screen.session, found.site_id, at=screen.at)
        span = view.start_of(first), view.end_of(last)
        rows, name = backward.lots_fed_to(screen.session, found.id or 0, *span), found.name
    shown = TraceShown(
        animals=[(each.code, each.name) for each in every],
        animal=animal.upper() or None,
        name=name,
        from_day=first,
        to_day=last,
        rows=rows[-A_PAGE:][::-1],
        more=max(0, len(rows) - A_PAGE),
    )
    return screen.show("stock_trace.html", shown)


# Watches.


@router.get("/watches")
def list_watches(
    screen: OnScreen,
    by: MayLook,
    before: Annotated[Number | None, Query(description="Older than this one.")] = None,
) -> Response:
    """Who is watched, and lots that somebody may want to watch for."""
    site_ids = [screen.view.id]
    rows = watches(
        screen.session, site_ids, open_=None, lot_id=None, limit=A_PAGE + 1, before_id=before
    )
    more = len(rows) > A_PAGE
    shown = WatchesShown(
        watches=_summaries(screen, rows[:A_PAGE]),
        after=f"/stock/watches?before={rows[A_PAGE - 1].id}" if more else None,
        doubtful=doubtful(screen.session, site_ids, screen.at - CONSIDERED)[:A_PAGE],
        may_decide=screen.may(Action.DECIDE_WATCH),
    )
    return screen.show("stock_watches.html", shown)


@router.post("/{lot}/watch")
def open_watch(
    lot: str, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayDecideWatch
) -> Response:
    """Watch those who ate of a lot."""
    order = form.read(WatchIn, screen.view.zone, lot=lot)
    watch = opening.open_by_hand(session, order, at=at, by=by)
    return go_to(f"/stock/watches/{watch.id}", said=screen.write.say("The watch is open."))


@router.get("/watches/{watch}")
def one_watch(
    watch: Number,
    screen: OnScreen,
    by: MayLook,
    whom: Annotated[str, Query(max_length=40)] = "",
    page: Annotated[int, Query(ge=1, le=10_000)] = 1,
) -> Response:
    """A watch: everybody who ate of it, which looks are due, what to look for."""
    found = watch_by_id(screen.session, watch, by=by)
    out = watch_out(screen.session, found, at=screen.at)
    begin = (page - 1) * AT_A_LOOK
    watched = out.items[begin : begin + AT_A_LOOK]
    more = len(out.items) > begin + AT_A_LOOK
    shown = WatchShown(
        watch=out,
        watched=watched,
        looks=_looks(screen, watched),
        after=f"/stock/watches/{watch}?page={page + 1}" if more else None,
        signs=list(Sign),
        appetites=list(Appetite),
        may_watch=screen.may(Action.WATCH) and found.closed_at is None,
        may_decide=screen.may(Action.DECIDE_WATCH) and found.closed_at is None,
        whom=whom.upper(),
    )
    return screen.show("stock_watch.html", shown)


def _looks(screen: Screen, watched: Sequence[WatchedOut]) -> Ribbon | None:
    """Who is looked at when: a look that was taken is solid, one that was missed hatched."""
    rounds = [each for one in watched for each in one.rounds]
    if not rounds:
        return None
    begin = min(each.due_at for each in rounds)
    end = max(each.due_at for each in rounds) + LAST_LOOK
    tracks = [_track(screen, one, end) for one in watched if one.rounds]
    return ribbon(begin, end, now=screen.at, zone=screen.view.zone, tracks=tracks)


def _track(screen: Screen, one: WatchedOut, end: datetime) -> Track:
    ends = [each.due_at for each in one.rounds[1:]] + [end]
    bands = [
        Band(each.due_at, until, FILLS[each.state], screen.write.when(each.due_at))
        for each, until in zip(one.rounds, ends, strict=True)
    ]
    say = screen.write.say
    says = say("%(done)s of %(all)s looks taken", done=one.done, all=len(one.rounds))
    if one.missed or one.overdue:
        says += ", " + say("%(count)s missed or overdue", count=one.missed + one.overdue)
    return Track(one.name, says, bands=bands, href=f"#who-{one.animal or one.group}")


@router.post("/watches/{watch}/look")
def observe(
    watch: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayWatch
) -> Response:
    """What was seen of one animal, or that nothing was; a sign is told to the vet at once."""
    signs = [value for name, value in form.fields if name == "signs"]
    look = form.read(ObservationIn, screen.view.zone, signs=signs)
    _stored, code = observing.observe(session, watch, look, at=at, by=by)
    said = (
        screen.write.say("%(who)s: recorded, the vet is told.", who=code)
        if look.signs or look.other
        else screen.write.say("%(who)s: nothing seen.", who=code)
    )
    return go_to(f"/stock/watches/{watch}", said=said)


@router.post("/watches/{watch}/close")
def close_watch(
    watch: Number, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayDecideWatch
) -> Response:
    """A vet or manager ends a watch, with a reason."""
    order = form.read(CloseIn, screen.view.zone)
    observing.close(session, watch, order, at=at, by=by)
    return go_to(f"/stock/watches/{watch}", said=screen.write.say("The watch is closed."))
