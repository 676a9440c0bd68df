"""Plans of what to add for animals on a day: proposed, not ordered."""

from collections.abc import Iterator, Sequence
from datetime import date, datetime, timedelta
from itertools import groupby

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal
from service.errors import Invalid
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.supplements.actions.working import Worked, work_out
from service.supplements.actions.writing import document_of, plan_out, with_changes
from service.supplements.models import SupplementPlan
from service.supplements.rules import PlanStatus
from service.supplements.schemas import LeftOut, ManyPlansIn, ManyPlansOut, PlanIn, PlanOut

LONGEST_DAYS = 31


def plan(session: Session, order: PlanIn, *, at: datetime, by: Actor) -> PlanOut:
    """What to add for an animal on a day, and which pieces give it; proposed, not ordered.

    Raises NotFound, Conflict where no diet is in force or a body mass is missing.
    """
    animal = animals.animal_by_code(session, order.animal, by=by)
    view = sites.view(session, animal.site_id, at=at)
    sites.happened_at(session, view.id, order.occurred_at, now=at)
    found = work_out(session, view, order.day, [animal], order.basis, at=at)
    for _, problem in found.left_out:
        raise problem
    (stored,) = propose(session, view, [(found.plans[0], None)], at=at, by=by)
    return with_changes(plan_out(stored), stored.document)


def plan_many(session: Session, order: ManyPlansIn, *, at: datetime, by: Actor) -> ManyPlansOut:
    """Plans for the animals of a site, of a group or by name, for a day or a range of days.

    Of a range one plan for each run of days with the same pieces. Who cannot be planned for
    is told with the reason, and stops nobody else. Raises NotFound, Invalid for a range that
    is too long or ends before it begins. Work grows with days times animals.
    """
    view, chosen = _chosen(session, order, at, by)
    sites.happened_at(session, view.id, order.occurred_at, now=at)
    last = order.until or order.day
    if not order.day <= last < order.day + timedelta(days=LONGEST_DAYS):
        raise Invalid.at("until", f"plans are for 1 to {LONGEST_DAYS} days")
    days = [order.day + timedelta(days=n) for n in range((last - order.day).days + 1)]
    found = [work_out(session, view, day, chosen, order.basis, at=at) for day in days]
    runs = list(_runs([each for day in found for each in day.plans], one_day=len(days) == 1))
    stored = propose(session, view, runs, at=at, by=by)
    return ManyPlansOut(
        items=[plan_out(each) for each in stored],
        left_out=[
            LeftOut(animal=animal.code, day=day, kind=problem.kind, why=problem.detail)
            for day, of_day in zip(days, found, strict=True)
            for animal, problem in of_day.left_out
        ]
        + _unnamed(session, order, by),
    )


def _unnamed(session: Session, order: ManyPlansIn, by: Actor) -> list[LeftOut]:
    """Animals of a group that have no record of their own: nobody can plan for them."""
    if order.group is None:
        return []
    group = animals.group_by_code(session, order.group, by=by)
    if not group.unnamed:
        return []
    why = f"{group.unnamed} of {group.code} have no record of their own: no plan is made for them"
    return [LeftOut(animal=group.code, day=order.day, kind="no-record", why=why)]


def _chosen(
    session: Session, order: ManyPlansIn, at: datetime, by: Actor
) -> tuple[SiteView, Sequence[Animal]]:
    if order.group is not None:
        group = animals.group_by_code(session, order.group, by=by)
        return sites.view(session, group.site_id, at=at), animals.members(
            session, group.id or 0, at=at
        )
    if order.animals is not None:
        named = [
            animals.animal_by_code(session, code, by=by, field=f"animals.{n}")
            for n, code in enumerate(order.animals)
        ]
        if len({animal.site_id for animal in named}) > 1:
            raise Invalid.at("animals", "are of several sites: ask for one site at a time")
        return sites.view(session, named[0].site_id, at=at), named
    site = sites.site_or_only(session, order.site, by=by)
    here = animals.present(session, site.id or 0, order.day)
    return sites.view_of(session, site, at=at), here


def _runs(found: Sequence[Worked], *, one_day: bool) -> Iterator[tuple[Worked, date | None]]:
    """The first of each run of days on which an animal gets the same, and the run's last day.

    Of a range every run ends; what was asked for one day may stand from that day on.
    """
    by_animal = sorted(found, key=lambda w: (w.animal.code, w.day))
    for _, days in groupby(by_animal, key=lambda w: w.animal.code):
        run: list[Worked] = []
        for worked in days:
            if run and not _same(run[-1], worked):
                yield run[0], run[-1].day
                run = []
            run.append(worked)
        yield run[0], None if one_day else run[-1].day


def _same(one: Worked, other: Worked) -> bool:
    return (
        other.day - one.day == timedelta(days=1)
        and one.dose.pieces == other.dose.pieces
        and [u.nutrient for u in one.dose.unmet] == [u.nutrient for u in other.dose.unmet]
    )


def propose(
    session: Session,
    view: SiteView,
    worked: Sequence[tuple[Worked, date | None]],
    *,
    at: datetime,
    by: Actor,
) -> list[SupplementPlan]:
    """Store plans as proposed, each with the last day of its run. Two statements for all."""
    stored = [
        SupplementPlan(
            site_id=view.id,
            animal_id=each.animal.id or 0,
            day=each.day,
            until_day=until,
            basis=each.basis,
            status=PlanStatus.PROPOSED,
            document=document_of(each, view),
            recorded_at=at,
            by=by.name,
        )
        for each, until in worked
    ]
    session.add_all(stored)
    session.flush()
    audit.note(
        session,
        by,
        "supplements planned",
        ", ".join(each.animal.code for each, _ in worked)[:200],
        at=at,
        site_id=view.id,
        after=[plan.document for plan in stored],
        detail={"plans": [plan.id for plan in stored]},
    )
    return stored
