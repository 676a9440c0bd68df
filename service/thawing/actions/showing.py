"""A plan as it is answered and kept; a thaw batch as it is shown."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlmodel import Session

from service.quantities import Units
from service.science.estimate import Estimate
from service.site.queries import SiteView
from service.thawing import queries
from service.thawing.actions.drafting import Draft, Job, Line, Product, other_ways
from service.thawing.actions.sharing import Standing, standings
from service.thawing.models import ThawRequest
from service.thawing.queries import BatchView
from service.thawing.rules.clocks import ThawFacts, discard_after
from service.thawing.rules.looks import Look, part_thawed_at
from service.thawing.rules.placing import Room, place_findings
from service.thawing.rules.sharing import Shared, Spare
from service.thawing.rules.wanting import Wanted
from service.thawing.rules.windows import alternatives, minute_after, minute_before
from service.thawing.schemas import (
    AlternativeOut,
    ExtraOut,
    LookOut,
    PlanChangeOut,
    PlannedPull,
    PlannedStage,
    SharedOut,
    Shortage,
    StageOut,
    ThawBatchOut,
    ThawRequestOut,
    ThawTimeOut,
    WantedOut,
)


def plan_out(
    request: ThawRequest,
    job: Job,
    made: Draft,
    *,
    wanted: Sequence[Wanted],
    extras: Sequence[ExtraOut],
    rooms: Sequence[Room],
    others: Sequence[Standing] = (),
    pulled: Sequence[PlannedPull] = (),
) -> ThawRequestOut:
    """A plan with its reasons. others: whose surplus it uses. pulled: what is pulled already."""
    units = job.view.units
    extra_g = {each.species: 0 for each in wanted}
    for each in extras:
        extra_g[each.species] = extra_g.get(each.species, 0) + each.mass.g
    kinds = made.kinds
    return ThawRequestOut(
        id=request.id or 0,
        thaw_place=job.place.code,
        first_feed_at=job.first_feed,
        last_feed_at=job.last_feed,
        day=request.day,
        way=job.way,
        need=[
            WantedOut(
                species=each.species,
                mass=units.mass_out(each.grams),
                extra=units.mass_out(extra_g[each.species]),
            )
            for each in wanted
        ],
        extras=list(extras),
        pulls=[*pulled, *(_pull(line, job) for line in made.lines)],
        shared=[_shared(one, job, made, others) for one in made.shared],
        shortages=[
            Shortage(species=species, mass=units.mass_out(grams))
            for species, grams in made.shortages.items()
        ],
        feasible=made.feasible,
        method=", ".join(sorted({each.route.way.time.method for each in kinds})),
        findings=[
            *(found for each in kinds for found in each.route.findings),
            *place_findings(made.too_much_g, rooms, units),
        ],
        alternatives=[] if made.feasible else [a for each in kinds for a in _others(job, each)],
    )


def _pull(line: Line, job: Job) -> PlannedPull:
    units, policy, window = job.view.units, job.policy, line.window
    way, time, parcel = line.way, line.way.time, line.chosen.parcel
    pulled = max(window.not_after, job.now)
    earliest = minute_before(pulled + timedelta(hours=time.low))
    facts = ThawFacts(pulled, None, earliest, refrigerated=way.refrigerated)
    return PlannedPull(
        number=line.number,
        lot=parcel.lot.code,
        species=parcel.lot.species,
        parcel=line.chosen.take.parcel_id,
        from_place=parcel.place,
        to_place=line.places[0],
        form=parcel.form,
        mass=units.mass_out(line.chosen.take.grams),
        cartons=line.chosen.take.cartons,
        surplus=units.mass_out(line.chosen.surplus_g),
        pull_not_before=window.not_before,
        pull_not_after=window.not_after,
        thawed_expected=minute_before(pulled + timedelta(hours=time.value)),
        thawed_range=(earliest, minute_after(pulled + timedelta(hours=time.high))),
        discard_after=discard_after(facts, policy),
        serves_from=line.part.first,
        serves_until=line.part.last,
        way=str(way),
        stages=_stages(line, pulled),
        clock="clock-from-thawed" if way.refrigerated else "clock-from-freezer",
        clock_hours=policy.clock_thawed_refrigerated_h
        if way.refrigerated
        else policy.clock_freezer_out_h,
        late=window.not_after < job.now,
        thaw=ThawTimeOut(
            hours=round(time.value, 2),
            range=_hours_range(time),
            method=time.method,
            steps=list(time.steps),
            sources=list(time.sources),
        ),
    )


def _stages(line: Line, pulled: datetime) -> list[PlannedStage]:
    """One after the other, each from when the one before should be over."""
    found = []
    begins = pulled
    done: Estimate | None = None
    for stage, place in zip(line.way.stages, line.places, strict=True):
        done = stage.hours if done is None else done.plus(stage.hours)
        ends = minute_before(pulled + timedelta(hours=done.value))
        found.append(
            PlannedStage(
                place=place,
                place_kind=stage.kind,
                until=stage.until,
                begins_at=begins,
                ends_at=ends,
                ends_range=(
                    minute_before(pulled + timedelta(hours=done.low)),
                    minute_after(pulled + timedelta(hours=done.high)),
                ),
            )
        )
        begins = ends
    return found


def _shared(shared: Shared, job: Job, made: Draft, others: Sequence[Standing]) -> SharedOut:
    """What serves this request of another one's surplus; of its own pulls, of the earlier one."""
    spare = shared.spare
    own = [_pull(line, job) for line in made.lines if line.number == spare.number]
    their = [
        (each, pull)
        for each in others
        for pull in each.plan.pulls
        if (each.request.id, pull.number) == (spare.request, spare.number)
    ]
    pull = own[0] if spare.request == job.request else their[0][1]
    pulled = () if spare.request == job.request else their[0][0].pulled.get(pull.number, ())
    return SharedOut(
        thaw_request=spare.request,
        pull=spare.number,
        lot=spare.lot,
        species=spare.species,
        mass=job.view.units.mass_out(shared.grams),
        place=pull.stages[-1].place if pull.stages else pull.to_place,
        thaw_batches=[each.batch.code for each in pulled],
        discard_after=spare.serves_until if pulled else pull.discard_after,
    )


def _others(job: Job, product: Product) -> list[AlternativeOut]:
    found = alternatives(
        other_ways(product.pack, product.asked, job.policy),
        job.kind,
        job.policy,
        first_feed=job.first_feed,
        last_feed=job.last_feed,
        now=job.now,
    )
    return [
        AlternativeOut(
            form=product.pack.form,
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


def moved(pull: PlannedPull, rest: Spare, *, now: datetime) -> PlannedPull:
    """A pull whose surplus serves more feeds, with everything that follows from it.

    rest: what is left over of it then, still in its freezer.
    """
    window = rest.window
    assert window is not None
    by = max(window.not_after, now) - max(pull.pull_not_after, now)
    low, high = pull.thawed_range
    return pull.model_copy(
        update={
            "pull_not_before": window.not_before,
            "pull_not_after": window.not_after,
            "serves_from": rest.serves_from,
            "serves_until": rest.serves_until,
            "thawed_expected": pull.thawed_expected + by,
            "thawed_range": (low + by, high + by),
            "discard_after": pull.discard_after + by,
            "stages": [
                stage.model_copy(
                    update={
                        "begins_at": stage.begins_at + by,
                        "ends_at": stage.ends_at + by,
                        "ends_range": (stage.ends_range[0] + by, stage.ends_range[1] + by),
                    }
                )
                for stage in pull.stages
            ],
        }
    )


def current(session: Session, request: ThawRequest) -> ThawRequestOut:
    """A stored plan, what of it was pulled, who uses its surplus, and how it has changed.

    Four queries.
    """
    (standing,) = standings(session, [request])
    changes = queries.changes_of(session, request.id or 0)
    given: dict[int, int] = {}
    for share in queries.shares_of(session, [request.id or 0]):
        if share.from_request_id == request.id:
            given[share.pull_number] = given.get(share.pull_number, 0) + share.grams
    pulls = [_with_state(standing, pull, given.get(pull.number, 0)) for pull in standing.plan.pulls]
    return standing.plan.model_copy(
        update={
            "pulls": pulls,
            "cancelled_at": request.cancelled_at,
            "changes": [PlanChangeOut.model_validate(change) for change in changes],
        }
    )


def _with_state(standing: Standing, pull: PlannedPull, shared_g: int) -> PlannedPull:
    units = Units(mass=pull.mass.unit)
    return pull.model_copy(
        update={
            "pulled": units.mass_out(standing.pulled_g(pull.number)),
            "thaw_batches": [each.batch.code for each in standing.pulled.get(pull.number, ())],
            "surplus_shared": units.mass_out(shared_g),
        }
    )


def batch_out(each: BatchView, view: SiteView, at: datetime) -> ThawBatchOut:
    """A thaw batch as it is shown at an instant."""
    facts = each.facts
    forecast = each.forecast if facts.thawed_at is None else None
    return ThawBatchOut(
        code=each.batch.code,
        lot=each.lot.code,
        species=each.lot.species_code,
        place=each.place.code if each.place else None,
        mass=view.units.mass_out(each.pulled_g),
        remaining=view.units.mass_out(each.remaining_g),
        left_freezer_at=facts.left_freezer_at,
        thawed_at=facts.thawed_at,
        thawed_expected=each.thawed_after(forecast.hours) if forecast else None,
        thawed_range=(
            (each.thawed_after(forecast.low_h), each.thawed_after(forecast.high_h))
            if forecast
            else None
        ),
        discard_after=each.discard_after(view.policy),
        discard_after_estimated=facts.refrigerated and facts.thawed_at is None,
        clock="clock-from-thawed" if facts.refrigerated else "clock-from-freezer",
        state=each.state,
        to_discard=each.remaining_g > 0 and at > each.discard_after(view.policy),
        split_from=each.split_from,
        part_thawed_at=part_thawed_at(each.looks),
        looks=[_look_out(look, view) for look in sorted(each.looks, key=lambda x: x.seen_at)],
    )


def _look_out(look: Look, view: SiteView) -> LookOut:
    measured = look.measured_c
    return LookOut(
        seen_at=look.seen_at,
        found=look.found,
        method=look.method,
        part=look.part,
        temperature=None if measured is None else view.units.temperature_out(measured),
    )
