"""Planning: which lots are thawed for a day, when to pull them; the fish is reserved."""

from collections import Counter
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

from sqlmodel import Session

from service.catalogue.queries import lock_species, species_by_code
from service.diets.actions import settling
from service.diets.queries.kept import in_force_on
from service.diets.queries.need import DayNeed, Portion, need_by
from service.diets.queries.substitutes import substitutes_for
from service.errors import Conflict, Invalid
from service.ledger.actions import reserving
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind
from service.thawing import queries
from service.thawing.actions import sharing, showing
from service.thawing.actions.changing import keep_change
from service.thawing.actions.drafting import Draft, Job, draft
from service.thawing.actions.sharing import Standing
from service.thawing.models import ThawRequest
from service.thawing.rules.placing import Room, Rooms
from service.thawing.rules.wanting import Wanted
from service.thawing.schemas import (
    ExtraOut,
    PlannedPull,
    ThawLineIn,
    ThawRequestIn,
    ThawRequestOut,
)


def plan(session: Session, order: ThawRequestIn, *, at: datetime, by: Actor) -> ThawRequestOut:
    """Plan a thaw and reserve its fish: surplus of the day first, then oldest first.

    A plan that cannot be met is stored too, with what fails and what would work.
    Raises Invalid, NotFound. Cost: grows with the lots it needs and the requests of the
    days to come, not with the stock.
    """
    place = sites.place_by_code(session, order.thaw_place, by=by, field="thaw_place")
    if place.kind == PlaceKind.FREEZER:
        raise Invalid.at("thaw_place", "is a freezer: fish does not thaw there")
    view = sites.view(session, place.site_id, at=at)
    sites.happened_at(session, view.id, order.occurred_at, now=at)
    due = DayNeed([]) if order.day is None else _due(session, view, order.day, at)
    wanted = _wanted(session, order, due.portions)
    first, last = _feeds(order, view, due.portions)
    if last <= at:
        raise Invalid.at("last_feed_at", "lies in the past")
    lock_species(session, [each.species for each in wanted])
    request = ThawRequest(
        site_id=view.id,
        place_id=place.id or 0,
        day=order.day,
        first_feed_at=first,
        last_feed_at=last,
        recorded_at=at,
        by=by.name,
        wanted=[each.as_json() for each in wanted],
        plan={},
        policy_version=view.policy_version,
    )
    session.add(request)
    session.flush()
    job = Job(request.id or 0, place, view, first, last, now=at, way=order.way)
    extras = [
        ExtraOut(species=e.species, mass=view.units.mass_out(e.mass.grams), reason=e.reason)
        for e in order.extras
    ]
    answer = make(session, request, job, wanted, wanted=wanted, extras=extras, by=by)
    answer.findings.extend(due.findings)
    request.plan = answer.model_dump(mode="json")
    session.add(request)
    session.flush()
    audit.note(
        session,
        by,
        "thaw planned",
        request.id,
        at=at,
        site_id=view.id,
        after=answer,
        detail={each.species: each.grams for each in wanted},
    )
    return answer


def _due(session: Session, view: SiteView, day: date, at: datetime) -> DayNeed:
    """What the diets ask for, by the fish that is next in use now."""
    diets = in_force_on(session, view.id, day)
    settling.settle(session, view, day, diets, at=at)
    return need_by(session, view, day, diets)


def make(
    session: Session,
    request: ThawRequest,
    job: Job,
    missing: Sequence[Wanted],
    *,
    wanted: Sequence[Wanted],
    extras: Sequence[ExtraOut],
    pulled: Sequence[PlannedPull] = (),
    by: Actor,
) -> ThawRequestOut:
    """Make a request's plan for what is missing and reserve its fish; the species are locked.

    pulled: pulls that have been made, which stay as they are.
    """
    others = _others(session, request, job)
    rooms = _in_order(queries.rooms(session, job.view.id), job.place)
    limited = any(room.capacity_g is not None for room in rooms)
    loads = sharing.loads(session, others, job.view, now=job.now) if limited else []
    day = job.view.day_of(job.first_feed)
    same_day = [each for each in others if job.view.day_of(each.request.first_feed_at) == day]
    made = draft(
        session,
        job,
        missing,
        sharing.spares(session, same_day, job.view, now=job.now),
        Rooms(rooms, loads),
        first_number=max((pull.number for pull in pulled), default=0) + 1,
    )
    reserving.reserve(session, made.takes, request_id=job.request, until=job.last_feed)
    sharing.keep(session, made.shared, job.request, at=job.now)
    _bring_forward(session, made, job, others, by)
    answer = showing.plan_out(
        request,
        job,
        made,
        wanted=wanted,
        extras=extras,
        rooms=rooms,
        others=others,
        pulled=pulled,
    )
    if request.day is None or not made.shortages:
        return answer
    other_fish = substitutes_for(session, job.view, request.day, made.shortages, at=job.now)
    return answer.model_copy(update={"substitutions": other_fish.proposals})


def _others(session: Session, request: ThawRequest, job: Job) -> list[Standing]:
    live = queries.live_requests(session, job.view.id, now=job.now)
    return sharing.standings(session, [each for each in live if each.id != request.id])


def _in_order(rooms: Sequence[Room], asked: Place) -> list[Room]:
    """The place that was asked for is filled first."""
    return sorted(rooms, key=lambda room: room.place != asked.code)


def _bring_forward(
    session: Session, made: Draft, job: Job, others: Sequence[Standing], by: Actor
) -> None:
    """Pulls of other requests that serve this one too, and have to be made in another window."""
    rest = {
        (each.spare.request, each.spare.number): each.rest
        for each in made.shared
        if each.window != each.spare.window
    }
    for other in others:
        mine = {number: spare for (n, number), spare in rest.items() if n == other.request.id}
        if mine:
            pulls = [
                showing.moved(pull, mine[pull.number], now=job.now) if pull.number in mine else pull
                for pull in other.plan.pulls
            ]
            keep_change(
                session,
                other.request,
                other.plan.model_copy(update={"pulls": pulls}),
                view=job.view,
                why=f"its surplus serves thaw request {job.request} too",
                at=job.now,
                by=by,
            )


def _wanted(session: Session, order: ThawRequestIn, due: Sequence[Portion]) -> list[Wanted]:
    """What is needed of each species: lines, or the day's diets feed by feed; and extras."""
    if order.day is not None and not due and not order.extras:
        raise Conflict(
            f"no diet is in force on {order.day}",
            kind="no-diet",
            advice="Set diets, or give lines.",
        )
    anytime: Counter[str] = Counter()
    for field, lines in (("lines", order.lines or []), ("extras", order.extras)):
        for number, line in enumerate(lines):
            anytime[_species(session, line, f"{field}.{number}.species")] += line.mass.grams
    return wanted_of(due, anytime)


def wanted_of(due: Sequence[Portion], anytime: Mapping[str, int]) -> list[Wanted]:
    """Portions by species and feed, and grams of each species for no feed in particular."""
    feeds: dict[str, Counter[datetime]] = {}
    for portion in due:
        of_species = feeds.setdefault(portion.species, Counter())
        of_species[portion.feed_at.astimezone(UTC)] += portion.grams
    return [
        Wanted(species, tuple(sorted(feeds.get(species, {}).items())), anytime.get(species, 0))
        for species in sorted({*feeds, *anytime})
    ]


def _species(session: Session, line: ThawLineIn, field: str) -> str:
    return species_by_code(session, line.species, field=field).code


def _feeds(
    order: ThawRequestIn, view: SiteView, due: Sequence[Portion]
) -> tuple[datetime, datetime]:
    """The feeding day: of the policy, and longer where a diet's feeds are earlier or later."""
    if order.day is None:
        assert order.first_feed_at and order.last_feed_at
        return order.first_feed_at, order.last_feed_at
    start, policy = view.start_of(order.day), view.policy
    times = [portion.feed_at for portion in due]
    first = order.first_feed_at or min([start + timedelta(hours=policy.feed_day_from), *times])
    last = order.last_feed_at or max([start + timedelta(hours=policy.feed_day_to), *times])
    return first.astimezone(UTC), last.astimezone(UTC)
