"""Planning again what is not pulled yet: asked for, or because fish or time has been lost."""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session

from service.assessments.queries.taking import held_back
from service.catalogue.queries import lock_species
from service.diets.actions import substituting
from service.diets.queries.need import portions
from service.errors import Conflict
from service.ledger.actions import reserving
from service.security import audit
from service.security.actor import SERVICE, Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.thawing import queries
from service.thawing.actions import sharing, showing
from service.thawing.actions.changing import keep_change
from service.thawing.actions.drafting import Job
from service.thawing.actions.planning import make, wanted_of
from service.thawing.actions.sharing import Standing
from service.thawing.models import SurplusShare, ThawRequest
from service.thawing.queries import Kept
from service.thawing.rules.choosing import unusable
from service.thawing.rules.wanting import Wanted, wanted_from
from service.thawing.schemas import AcceptIn, HowToThaw, PlannedPull, ReplanIn, ThawRequestOut

LATE_AFTER = timedelta(minutes=10)  # a pull is written down a little after it was made


@dataclass(frozen=True)
class Reason:
    """Why a request is planned again, and what may be planned; None: as before."""

    why: str
    way: HowToThaw | None = None


def replan(
    session: Session, number: int, order: ReplanIn, *, at: datetime, by: Actor
) -> ThawRequestOut:
    """Plan what is not pulled yet again, from the fish that is there now.

    Who was to use its surplus is planned again too. Raises Conflict for a request that was
    cancelled or is over.
    """
    request = queries.request_by_id(session, number, by=by, field="thaw_request")
    sites.happened_at(session, request.site_id, order.occurred_at, now=at)
    view = sites.view(session, request.site_id, at=at)
    _lock(session, [request], also=_species_of_day(session, request, view))
    _ensure_open(request, at)
    audit.note(session, by, "thaw replan asked for", number, at=at, site_id=view.id, after=order)
    _look_again(session, request, view)
    _replan(session, {number: Reason(f"{by.name} asked for it", order.way)}, view, at=at, by=by)
    return showing.current(session, request)


def accept(
    session: Session, number: int, order: AcceptIn, *, at: datetime, by: Actor
) -> ThawRequestOut:
    """Make the substitutions that a plan proposes, and plan again with the other fish.

    The day's portions hold it from now on, so supplements are worked out from it. Raises
    Conflict where none are proposed, or a diet does not approve of them any more.
    """
    request = queries.request_by_id(session, number, by=by, field="thaw_request")
    sites.happened_at(session, request.site_id, order.occurred_at, now=at)
    view = sites.view(session, request.site_id, at=at)
    proposed = ThawRequestOut.model_validate(request.plan).substitutions
    others = {each.substitute for each in proposed}
    _lock(session, [request], also=others | _species_of_day(session, request, view))
    _ensure_open(request, at)
    proposed = ThawRequestOut.model_validate(request.plan).substitutions
    if request.day is None or not proposed:
        raise Conflict("this plan proposes no substitutions", kind="nothing-to-substitute")
    substituting.accept(session, view, request.day, proposed, reason=order.reason, at=at, by=by)
    _look_again(session, request, view)
    why = Reason("substitutions were accepted")
    _replan(session, {number: why}, view, at=at, by=by)
    return showing.current(session, request)


def _ensure_open(request: ThawRequest, at: datetime) -> None:
    if request.cancelled_at is not None:
        raise Conflict("this thaw request was cancelled", kind="already-cancelled")
    if request.last_feed_at <= at:
        raise Conflict("the last feed of this thaw request is over", kind="request-over")


def _species_of_day(session: Session, request: ThawRequest, view: SiteView) -> set[str]:
    """What its day needs now: locked with the rest at once, so that nobody deadlocks."""
    if request.day is None:
        return set()
    return {portion.species for portion in portions(session, view, request.day)}


def _look_again(session: Session, request: ThawRequest, view: SiteView) -> None:
    """What a day needs by the diets that are in force now, and its extras as they were."""
    if request.day is None:
        return
    extras: Counter[str] = Counter()
    for each in ThawRequestOut.model_validate(request.plan).extras:
        extras[each.species] += each.mass.g
    wanted = wanted_of(portions(session, view, request.day), extras)
    lock_species(session, {each.species for each in wanted})
    request.wanted = [each.as_json() for each in wanted]
    session.add(request)


def cancel(
    session: Session,
    number: int,
    *,
    at: datetime,
    by: Actor,
    said: datetime | None = None,
) -> ThawRequestOut:
    """Give a plan up: what was not pulled is available again.

    Who was to use its surplus is planned again. Raises Conflict if it was given up before.
    """
    request = queries.request_by_id(session, number, by=by, field="thaw_request")
    cancelled_at = sites.happened_at(session, request.site_id, said, now=at)
    _lock(session, [request])
    if request.cancelled_at is not None:
        raise Conflict("this thaw request was cancelled before", kind="already-cancelled")
    request.cancelled_at = cancelled_at
    session.add(request)
    left_alone = _let_go(session, request, at)
    audit.note(session, by, "thaw cancelled", number, at=at, site_id=request.site_id)
    view = sites.view(session, request.site_id, at=at)
    why = Reason(f"thaw request {number} was cancelled")
    _replan(session, dict.fromkeys(left_alone, why), view, at=at, by=by)
    return showing.current(session, request)


def anything_due(session: Session, at: datetime) -> bool:
    """Whether any request must be planned again. Five queries a site, nothing is written."""
    return any(
        _due(session, live, sites.view(session, site_id, at=at), at)
        for site_id in sites.sites_seen(session, by=SERVICE)
        if (live := queries.live_requests(session, site_id, now=at))
    )


def replan_due(session: Session, at: datetime) -> int:
    """Plan again what can no longer be carried out, at all sites; tell it. Returns how many.

    Fish that was reserved and may not be used any more, or is gone; a pull that was not made
    in time. What nobody can help is told once. Five queries a site while nothing is due.
    """
    done = 0
    for site_id in sites.sites_seen(session, by=SERVICE):
        live = queries.live_requests(session, site_id, now=at)
        view = sites.view(session, site_id, at=at)
        due = _due(session, live, view, at) if live else {}
        if due:
            _lock(session, [each for each in live if each.id in due])
            live = queries.live_requests(session, site_id, now=at)
            due = _due(session, live, view, at)
            _replan(session, due, view, at=at, by=SERVICE)
            done += len(due)
    return done


def _due(
    session: Session, live: Sequence[ThawRequest], view: SiteView, at: datetime
) -> dict[int, Reason]:
    """Which of these must be planned again, and why. Oldest request first."""
    waiting = held_back(session, view, at=at)
    kept = queries.kept_for(session, [each.id or 0 for each in live])
    shared = queries.lot_facts_of(session, _shared_lots(live))
    short = _short(kept)
    due = {}
    for each in sharing.standings(session, live):
        day = view.day_of(each.request.first_feed_at)
        mine = [one for one in kept if one.request == each.request.id]
        fish = [one.lot for one in mine] + [shared[one.lot] for one in each.plan.shared]
        lost = [why for lot in fish if (why := unusable(lot, view.policy, day))]
        lost += [
            f"lot {one.lot.code} in {one.place} waits for a decision on its excursion"
            for one in mine
            if one.parcel_id in waiting
        ]
        lost += [
            f"lot {lot} in {place} holds less than is reserved"
            for request, lot, place in short
            if request == each.request.id
        ]
        lost += _gone(each, mine)
        if lost:
            due[each.request.id or 0] = Reason("; ".join(dict.fromkeys(lost)))
        elif late := _late(each, at):
            due[each.request.id or 0] = Reason(late, HowToThaw.BEST)
    return due


def _shared_lots(live: Iterable[ThawRequest]) -> set[str]:
    return {shared["lot"] for each in live for shared in each.plan.get("shared", [])}


def _short(kept: Sequence[Kept]) -> list[tuple[int, str, str]]:
    """Request, lot and place of what is kept of fish that is not there; the newest gives way."""
    left = {one.parcel_id: one.there_g for one in kept}
    short = []
    for one in kept:
        left[one.parcel_id] -= one.grams
        if left[one.parcel_id] < 0:
            short.append((one.request, one.lot.code, one.place))
    return short


def _gone(each: Standing, kept: Sequence[Kept]) -> list[str]:
    """Lots of which less is kept than is still to be pulled: it was condemned, or taken."""
    left: Counter[tuple[str, int]] = Counter()
    for pull in each.plan.pulls:
        left[pull.lot, pull.parcel] += each.left_g(pull)
    there: Counter[int] = Counter()
    for one in kept:
        there[one.parcel_id] += one.grams
    return [
        f"some of lot {lot} is no longer there"
        for (lot, parcel), grams in left.items()
        if there[parcel] < grams
    ]


def _late(each: Standing, at: datetime) -> str | None:
    """That a pull was not made in time, where that was not known when it was planned."""
    late = [
        pull
        for pull in each.plan.pulls
        if each.left_g(pull) and not pull.late and pull.pull_not_after + LATE_AFTER < at
    ]
    if not late:
        return None
    return "not pulled in time: " + ", ".join(dict.fromkeys(f"lot {pull.lot}" for pull in late))


def _lock(session: Session, requests: Collection[ThawRequest], also: Collection[str] = ()) -> None:
    """The species of these requests, and of all that use surplus with them, in code order."""
    ids = {each.id or 0 for each in requests}
    together = set(ids)
    while True:
        shares = queries.shares_of(session, list(together))
        more = {s.from_request_id for s in shares} | {s.to_request_id for s in shares}
        if more <= together:
            break
        together |= more
    every = queries.requests_by_id(session, together)
    lock_species(session, {one["species"] for each in every for one in each.wanted} | {*also})
    for each in every:
        session.refresh(each)


def _replan(
    session: Session,
    due: Mapping[int, Reason],
    view: SiteView,
    *,
    at: datetime,
    by: Actor,
) -> None:
    """Plan these again, and those who used surplus that is there no more; each once."""
    todo, done = dict(due), set[int]()
    while todo:
        number = min(todo)
        reason = todo.pop(number)
        done.add(number)
        (request,) = queries.requests_by_id(session, [number])
        left_alone = _let_go(session, request, at) - done
        _again(session, request, reason, view, at=at, by=by)
        why = Reason(f"the plan of thaw request {number} has changed")
        todo |= {each: todo.get(each, why) for each in left_alone}


def _let_go(session: Session, request: ThawRequest, at: datetime) -> set[int]:
    """Give up what is kept for a request and what it uses of others.

    Returns the live requests that were to use surplus which is not pulled yet.
    """
    number = request.id or 0
    reserving.release(session, number, at=at)
    (standing,) = sharing.standings(session, [request])
    frozen = {pull.number for pull in standing.plan.pulls if standing.left_g(pull)}
    shares = queries.shares_of(session, [number])
    lost = [s for s in shares if s.to_request_id == number or s.pull_number in frozen]
    sharing.end(session, lost, at=at)
    users = {share.to_request_id for share in lost} - {number}
    found = queries.requests_by_id(session, users)
    return {e.id or 0 for e in found if e.cancelled_at is None and e.last_feed_at > at}


def _again(
    session: Session,
    request: ThawRequest,
    reason: Reason,
    view: SiteView,
    *,
    at: datetime,
    by: Actor,
) -> None:
    """A request whose fish was let go, planned anew; what is pulled stays."""
    (standing,) = sharing.standings(session, [request])
    shares = queries.shares_of(session, [request.id or 0])
    place = session.get_one(Place, request.place_id)
    way = reason.way or standing.plan.way
    job = Job(
        request.id or 0, place, view, request.first_feed_at, request.last_feed_at, now=at, way=way
    )
    wanted = wanted_from(request.wanted)
    after = make(
        session,
        request,
        job,
        _missing(wanted, standing, shares),
        wanted=wanted,
        extras=standing.plan.extras,
        pulled=_pulled(standing, view),
        by=by,
    )
    keep_change(session, request, after, view=view, why=reason.why, at=at, by=by)


def _missing(
    wanted: Sequence[Wanted], standing: Standing, shares: Sequence[SurplusShare]
) -> list[Wanted]:
    """What is wanted without what was pulled, less what others use of that."""
    there: Counter[str] = Counter()
    species = {pull.number: pull.species for pull in standing.plan.pulls}
    for number, pulled in standing.pulled.items():
        there[species[number]] += sum(each.grams for each in pulled)
    for share in shares:
        if share.from_request_id == standing.request.id:
            there[species[share.pull_number]] -= share.grams
    left = [each.less(max(0, there[each.species])) for each in wanted]
    return [each for each in left if each.grams]


def _pulled(standing: Standing, view: SiteView) -> list[PlannedPull]:
    """The pulls that were made, of those made in part the part that was."""
    return [
        _made_part(pull, standing, view) if standing.left_g(pull) else pull
        for pull in standing.plan.pulls
        if standing.pulled_g(pull.number)
    ]


def _made_part(pull: PlannedPull, standing: Standing, view: SiteView) -> PlannedPull:
    left_g = standing.left_g(pull)
    return pull.model_copy(
        update={
            "mass": view.units.mass_out(pull.mass.g - left_g),
            "cartons": None,
            "surplus": view.units.mass_out(max(0, pull.surplus.g - left_g)),
        }
    )
