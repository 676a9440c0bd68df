"""Planning: which lots are thawed for a day, when to pull them; the fish is reserved."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlmodel import Session

from service.assessments.queries.taking import held_back
from service.catalogue.queries import lock_species, species_by_code
from service.decisions import Finding, Outcome
from service.diets.queries.need import need_grams
from service.errors import Conflict, Invalid
from service.ledger import queries as ledger
from service.ledger.actions import reserving
from service.lots import queries as lots
from service.science.estimate import Estimate
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind
from service.thawing import queries
from service.thawing.models import ThawRequest
from service.thawing.rules.choosing import Chosen, choose
from service.thawing.rules.clocks import ThawFacts, discard_after
from service.thawing.rules.times import Pack, ThawTime, thaw_time, ways
from service.thawing.rules.windows import (
    Window,
    alternatives,
    minute_after,
    minute_before,
    pull_window,
    window_findings,
)
from service.thawing.schemas import (
    AlternativeOut,
    PlannedPull,
    Shortage,
    StageOut,
    ThawRequestIn,
    ThawRequestOut,
    ThawTimeOut,
)


@dataclass(frozen=True)
class _Job:
    """When and where fish must be thawed."""

    place: Place
    view: SiteView
    first_feed: datetime
    last_feed: datetime
    now: datetime

    @property
    def kind(self) -> PlaceKind:
        return PlaceKind(self.place.kind)


def plan(session: Session, order: ThawRequestIn, *, at: datetime, by: Actor) -> ThawRequestOut:
    """Plan a thaw and reserve its fish, oldest first, whole cartons of blocks.

    A plan that cannot be met is stored too, with what fails and what would work.
    Raises Invalid, NotFound. Cost: grows with the lots it needs, not with the stock.
    """
    place = sites.place_by_code(session, order.thaw_place, by=by, field="thaw_place")
    if place.kind == PlaceKind.FREEZER:
        raise Invalid.at("thaw_place", "is a freezer: fish does not thaw there")
    view = sites.view(session, place.site_id, at=at)
    sites.happened_at(session, view.id, order.occurred_at, now=at)
    need = _need(session, order, view)
    job = _Job(place, view, *_feeds(order, view), now=at)
    if job.last_feed <= at:
        raise Invalid.at("last_feed_at", "lies in the past")
    lock_species(session, need)
    request = ThawRequest(
        site_id=view.id,
        place_id=place.id or 0,
        day=order.day,
        first_feed_at=job.first_feed,
        last_feed_at=job.last_feed,
        recorded_at=at,
        by=by.name,
        plan={},
        policy_version=view.policy_version,
    )
    session.add(request)
    session.flush()
    answer = _plan(session, request, need, job)
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
        detail=dict(need),
    )
    return answer


def _need(session: Session, order: ThawRequestIn, view: SiteView) -> dict[str, int]:
    """Grams by species, from the lines or from the day's diets."""
    need: dict[str, int] = {}
    if order.lines is None:
        assert order.day is not None
        need = dict(need_grams(session, view, order.day))
        if not need:
            raise Conflict(
                f"no diet is in force on {order.day}",
                kind="no-diet",
                advice="Set diets, or give lines.",
            )
        return need
    for number, line in enumerate(order.lines):
        species = species_by_code(session, line.species, field=f"lines.{number}.species").code
        need[species] = need.get(species, 0) + line.mass.grams
    return need


def _feeds(order: ThawRequestIn, view: SiteView) -> tuple[datetime, datetime]:
    if order.day is None:
        assert order.first_feed_at and order.last_feed_at
        return order.first_feed_at, order.last_feed_at
    start, policy = view.start_of(order.day), view.policy
    first = order.first_feed_at or start + timedelta(hours=policy.feed_day_from)
    last = order.last_feed_at or start + timedelta(hours=policy.feed_day_to)
    return first.astimezone(UTC), last.astimezone(UTC)


def _plan(
    session: Session, request: ThawRequest, need: dict[str, int], job: _Job
) -> ThawRequestOut:
    units = job.view.units
    chosen: list[Chosen] = []
    shortages: list[Shortage] = []
    for species, wanted in sorted(need.items()):
        taken, missing = _chosen(session, request, species, wanted, job)
        chosen += taken
        if missing:
            shortages.append(Shortage(species=species, mass=units.mass_out(missing)))
    planned = _planned_lots(session, chosen, job)
    packs = {each.pack: each for each in planned.values()}
    findings = [f for each in packs.values() for f in _findings(each, job)]
    feasible = not any(f.outcome is Outcome.BLOCK or f.rule == "thaw-in-time" for f in findings)
    others = [] if feasible else [a for pack in packs for a in _alternatives(job, pack)]
    return ThawRequestOut(
        id=request.id or 0,
        thaw_place=job.place.code,
        first_feed_at=job.first_feed,
        last_feed_at=job.last_feed,
        pulls=[_pull(each, planned[each.parcel.lot_id], job) for each in chosen],
        shortages=shortages,
        feasible=feasible,
        method=", ".join(sorted({each.time.method for each in packs.values()})),
        findings=findings,
        alternatives=others,
    )


def _chosen(
    session: Session, request: ThawRequest, species: str, wanted: int, job: _Job
) -> tuple[list[Chosen], int]:
    """What is taken of a species, reserved at once, and what is short.

    Without fish that waits for somebody to decide on its excursion.
    """
    policy = job.view.policy
    stock = ledger.freezer_stock(
        session, species, site_id=job.view.id, now=job.now, order=policy.use_order
    )
    waiting = held_back(session, job.view, at=job.now)
    usable = (parcel for parcel in stock if parcel.holding.parcel_id not in waiting)
    chosen, missing = choose(usable, wanted, policy, job.view.day_of(job.first_feed))
    reserving.reserve(
        session, [c.take for c in chosen], request_id=request.id or 0, until=job.last_feed
    )
    return chosen, missing


@dataclass(frozen=True)
class _Planned:
    """A lot's pack, how long it takes to thaw there, and when to pull it."""

    pack: Pack
    time: ThawTime
    window: Window


def _planned_lots(session: Session, chosen: Sequence[Chosen], job: _Job) -> dict[int, _Planned]:
    """How long each chosen lot takes, by lot. Eight queries for any number."""
    if not chosen:
        return {}
    policy = job.view.policy
    found = lots.lots_by_id(session, [each.parcel.lot_id for each in chosen])
    packs = queries.packs_of(session, found.values())
    medium = queries.medium_at(session, job.place, policy, job.now)
    factors = queries.learned(session, job.view.id, packs, job.kind)
    planned = {}
    for id_, lot in found.items():
        pack = packs[lot.product_id]
        time = thaw_time(pack, medium, policy, learned=factors.get(lot.product_id))
        window = pull_window(
            time, job.kind, policy, first_feed=job.first_feed, last_feed=job.last_feed
        )
        planned[id_] = _Planned(pack, time, window)
    return planned


def _findings(planned: _Planned, job: _Job) -> Iterator[Finding]:
    return window_findings(
        planned.window,
        planned.time,
        job.kind,
        job.view.policy,
        form=planned.pack.form,
        now=job.now,
    )


def _pull(each: Chosen, planned: _Planned, job: _Job) -> PlannedPull:
    units, time, window = job.view.units, planned.time, planned.window
    pulled = max(window.not_after, job.now)
    earliest = minute_before(pulled + timedelta(hours=time.low))
    facts = ThawFacts(pulled, None, earliest, refrigerated=job.kind is PlaceKind.REFRIGERATOR)
    return PlannedPull(
        lot=each.parcel.lot.code,
        species=each.parcel.lot.species,
        parcel=each.take.parcel_id,
        from_place=each.parcel.place,
        to_place=job.place.code,
        form=each.parcel.form,
        mass=units.mass_out(each.take.grams),
        cartons=each.take.cartons,
        surplus=units.mass_out(each.surplus_g),
        pull_not_before=window.not_before,
        pull_not_after=window.not_after,
        thawed_expected=minute_before(pulled + timedelta(hours=time.value)),
        thawed_range=(earliest, minute_after(pulled + timedelta(hours=time.high))),
        discard_after=discard_after(facts, job.view.policy),
        thaw=ThawTimeOut(
            hours=round(time.value, 2),
            range=_hours_range(time),
            method=time.method,
            steps=list(time.steps),
            sources=list(time.sources),
        ),
    )


def _alternatives(job: _Job, pack: Pack) -> list[AlternativeOut]:
    found = alternatives(
        ways(pack, job.view.policy),
        job.kind,
        job.view.policy,
        first_feed=job.first_feed,
        last_feed=job.last_feed,
        now=job.now,
    )
    return [
        AlternativeOut(
            form=pack.form,
            method=a.method,
            place_kind=a.way.kind,
            pulls=a.pulls,
            feasible=a.feasible,
            short_by_h=a.short_by_h,
            hours=round(a.way.time.value, 2),
            range=_hours_range(a.way.time),
            stages=[
                StageOut(
                    place_kind=stage.kind,
                    until=stage.until,
                    hours=round(stage.hours.value, 2),
                    range=_hours_range(stage.hours),
                )
                for stage in a.way.stages
            ],
        )
        for a in found
    ]


def _hours_range(hours: Estimate) -> tuple[float, float]:
    return round(hours.low, 2), round(hours.high, 2)


def cancel(
    session: Session,
    number: int,
    *,
    at: datetime,
    by: Actor,
    said: datetime | None = None,
) -> ThawRequestOut:
    """Give a plan up: its fish is available again. Raises Conflict if it was before."""
    request = queries.request_by_id(session, number, by=by, field="thaw_request")
    cancelled_at = sites.happened_at(session, request.site_id, said, now=at)
    stored = ThawRequestOut.model_validate(request.plan)
    lock_species(session, {pull.species for pull in stored.pulls})
    session.refresh(request)
    if request.cancelled_at is not None:
        raise Conflict("this thaw request was cancelled before", kind="already-cancelled")
    reserving.release(session, number, at=at)
    request.cancelled_at = cancelled_at
    session.add(request)
    session.flush()
    audit.note(session, by, "thaw cancelled", number, at=at, site_id=request.site_id)
    return stored.model_copy(update={"cancelled_at": cancelled_at})


def shown(request: ThawRequest) -> ThawRequestOut:
    """A stored plan as it was made."""
    plan_ = ThawRequestOut.model_validate(request.plan)
    return plan_.model_copy(update={"cancelled_at": request.cancelled_at})
