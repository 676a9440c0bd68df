"""A thaw batch: its clocks, what was seen of it, and what is done with it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from fastapi import Response

from service.errors import Invalid
from service.http.bodies import Code
from service.http.sessions import Now, WriteSession
from service.ledger import queries as ledger
from service.pages.forms import Form
from service.pages.frame import WHO_DECIDES
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.thaw import (
    THAW_KINDS,
    BatchCard,
    barred,
    card_of,
    places_of,
    told,
)
from service.pages.words import _
from service.security.guard import MayLook, MayTendThaw
from service.security.rules import Action
from service.site.rules import PlaceKind
from service.thawing import queries
from service.thawing.actions import looking, showing, splitting, tending
from service.thawing.queries import BatchView
from service.thawing.rules.clocks import BatchState
from service.thawing.rules.looks import Method, Part, Thaw
from service.thawing.schemas import (
    BatchTemperatureIn,
    DiscardIn,
    DripIn,
    MoveBatchIn,
    PartThawedIn,
    PlannedStage,
    PutBackIn,
    SplitIn,
    ThawedIn,
)

router = page_router("/thaw/batches")

MOST_LOOKS = 20
FOUND = {Thaw.PART_THAWED: _("part-thawed"), Thaw.THAWED: _("thawed"), Thaw.FROZEN: _("frozen")}
METHODS = {Method.TOUCH: _("By touch"), Method.THERMOMETER: _("By thermometer")}
PARTS = {
    Part.CORE: _("Core"),
    Part.SURFACE: _("Surface"),
    Part.WATER: _("Water"),
    Part.AIR: _("Air"),
}


@dataclass(frozen=True)
class LookLine:
    """What somebody saw or measured."""

    seen_at: datetime
    found: str | None
    method: str | None
    part: str | None
    measured_c: float | None


@dataclass(frozen=True)
class BatchShown:
    """A thaw batch, and what may be done with it now."""

    card: BatchCard
    looks: Sequence[LookLine]
    """The newest first."""
    next_stage: PlannedStage | None
    """Where its plan moves it next."""
    put_back_until: datetime | None
    """Until when it may go back to a freezer; None: not any more."""
    put_back_core_c: float
    remaining: str
    """A number in the site's unit, for a form."""
    places: Sequence[tuple[str, str]]
    """Where it may go next."""
    freezers: Sequence[tuple[str, str]]
    methods: Sequence[tuple[str, str]]
    parts: Sequence[tuple[str, str]]
    warnings: Sequence[str]
    ranges: bool
    may_tend: bool
    """The role may, and there is something left of it."""


@router.get("/{code}")
def show_batch(code: str, screen: OnScreen, by: MayLook) -> Response:
    """A thaw batch and its clocks."""
    batch = ledger.batch_by_code(screen.session, code, by=by, field="code")
    screen = screen.at_site(batch.site_id)
    each = queries.batch_view(screen.session, batch, screen.view.policy, at=screen.at)
    return screen.show("thaw_batch.html", _shown(screen, each))


def _at_its_site(screen: Screen, code: str) -> Screen:
    batch = ledger.batch_by_code(screen.session, code, by=screen.by, field="code")
    return screen.at_site(batch.site_id)


def _shown(screen: Screen, each: BatchView) -> BatchShown:
    here = each.place.code if each.place else None
    left = each.state is not BatchState.FINISHED
    may_tend = left and screen.may(Action.TEND_THAW)
    return BatchShown(
        card=card_of(screen, each, held=bool(barred(screen, [each]))),
        looks=_looks(each),
        next_stage=_next_stage(screen, each, here) if left else None,
        put_back_until=_put_back_until(screen, each) if may_tend else None,
        put_back_core_c=screen.view.policy.put_back_core,
        remaining=screen.write.amount(each.remaining_g),
        places=[one for one in places_of(screen, *THAW_KINDS) if one[0] != here],
        freezers=places_of(screen, PlaceKind.FREEZER),
        methods=[(key.value, screen.write.say(word)) for key, word in METHODS.items()],
        parts=[(key.value, screen.write.say(word)) for key, word in PARTS.items()],
        warnings=[finding.because for finding in each.too_warm(screen.view.policy)],
        ranges=screen.by.role in WHO_DECIDES,
        may_tend=may_tend,
    )


def _looks(each: BatchView) -> Sequence[LookLine]:
    newest = sorted(each.looks, key=lambda look: look.seen_at, reverse=True)
    return [
        LookLine(
            seen_at=look.seen_at,
            found=FOUND[look.found] if look.found else None,
            method=METHODS[look.method] if look.method else None,
            part=PARTS[look.part] if look.part else None,
            measured_c=look.measured_c,
        )
        for look in newest[:MOST_LOOKS]
    ]


def _put_back_until(screen: Screen, each: BatchView) -> datetime | None:
    """Only what nobody has found thawing, within the policy's minutes."""
    until = each.batch.left_freezer_at + timedelta(minutes=screen.view.policy.put_back_minutes)
    found = {Thaw.PART_THAWED, Thaw.THAWED} & {look.found for look in each.looks}
    return None if found or screen.at > until else until


def _next_stage(screen: Screen, each: BatchView, here: str | None) -> PlannedStage | None:
    """The stage of the plan that comes after the place where the fish is."""
    asked = each.forecast.thaw_request_id if each.forecast else None
    if asked is None or each.facts.thawed_at is not None:
        return None
    request = queries.request_by_id(screen.session, asked, by=screen.by, field="plan")
    for pull in showing.current(screen.session, request).pulls:
        if each.batch.code in pull.thaw_batches:
            places = [stage.place for stage in pull.stages]
            after = places.index(here) + 1 if here in places else len(places)
            return pull.stages[after] if after < len(places) else None
    return None


@router.post("/{code}/looks")
def look(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayTendThaw
) -> Response:
    """Somebody looked how far it is: part-thawed, or thawed."""
    screen = _at_its_site(screen, code)
    found = form.text("_found")
    if found == "thawed":
        mark = form.read(ThawedIn, screen.view.zone)
        looking.mark_thawed(session, code, mark, at=at, by=by)
        return _done(code, screen.write.say(_("Thawed: noted.")))
    if found == "part_thawed":
        looking.mark_part_thawed(
            session, code, form.read(PartThawedIn, screen.view.zone), at=at, by=by
        )
        return _done(code, screen.write.say(_("Part-thawed: noted.")))
    raise Invalid.at("found", "say how far it is")


@router.post("/{code}/temperatures")
def measure(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayTendThaw
) -> Response:
    """A temperature was taken by hand."""
    screen = _at_its_site(screen, code)
    order = form.read(BatchTemperatureIn, screen.view.zone)
    _batch, _how_far, findings = looking.measure(session, code, order, at=at, by=by)
    noted = [finding for finding in findings if finding.outcome != "pass"]
    return _done(code, told(screen, screen.write.say(_("Temperature noted.")), noted))


@router.post("/{code}/move")
def move(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayTendThaw
) -> Response:
    """All of it goes to another place."""
    screen = _at_its_site(screen, code)
    order = form.read(MoveBatchIn, screen.view.zone)
    moved = splitting.move(session, code, order, at=at, by=by)
    said = screen.write.say(_("Moved to %(place)s."), place=order.to_place)
    return _done(code, told(screen, said, moved.breaches))


@router.post("/{code}/split")
def split(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayTendThaw
) -> Response:
    """A part of it gets a label of its own; leads to that part."""
    screen = _at_its_site(screen, code)
    order = form.read(SplitIn, screen.view.zone)
    moved = splitting.split(session, code, order, at=at, by=by)
    said = screen.write.say(_("Split off %(code)s: print its label."), code=moved.rest.code)
    return _done(moved.batch.code, told(screen, said, moved.breaches))


@router.post("/{code}/drip")
def drip(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayTendThaw
) -> Response:
    """Water has run off it."""
    screen = _at_its_site(screen, code)
    order = form.read(DripIn, screen.view.zone)
    _batch, _movement, breaches, usual = tending.drip(session, code, order, at=at, by=by)
    noted = [*breaches, *([usual] if usual.outcome != "pass" else [])]
    return _done(code, told(screen, screen.write.say(_("Drip noted.")), noted))


@router.post("/{code}/put-back")
def put_back(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayTendThaw
) -> Response:
    """Still hard frozen: back into a freezer."""
    screen = _at_its_site(screen, code)
    order = form.read(PutBackIn, screen.view.zone)
    _batch, _movement, breaches = tending.put_back(session, code, order, at=at, by=by)
    said = screen.write.say(_("Put back into %(place)s."), place=order.to_place)
    return _done(code, told(screen, said, breaches))


@router.post("/{code}/discard")
def discard(
    code: Code, form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MayTendThaw
) -> Response:
    """Thrown away, with a reason; all of it where no mass is said."""
    screen = _at_its_site(screen, code)
    order = form.read(DiscardIn, screen.view.zone)
    _batch, _movement, breaches = tending.discard(session, code, order, at=at, by=by)
    return _done(code, told(screen, screen.write.say(_("Discarded.")), breaches))


def _done(code: str, said: str) -> Response:
    return go_to(f"/thaw/batches/{code}", said=said)
