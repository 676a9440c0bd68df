"""Asking what if: nothing is stored."""

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from urllib.parse import quote

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal
from service.science.residual import LOSS_RATES
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.supplements.actions.working import Worked, WorkedOut, facts_of, work_out_by
from service.supplements.schemas import LeftOut
from service.what_if.actions.changing import changed, changed_view
from service.what_if.actions.comparing import DAYS, compared, short
from service.what_if.schemas import SeriesLink, WhatIfIn, WhatIfOut


def what_if(session: Session, order: WhatIfIn, *, at: datetime, by: Actor) -> WhatIfOut:
    """The day of an animal, group or site beside the day as it would be; nothing is stored.

    Raises NotFound, Invalid naming the field. Who cannot be worked out, as it stands or as it
    would be, is told with the reason. Queries as for plans, and of what is changed; then two
    searches for pieces for each animal.
    """
    view, chosen = _chosen(session, order, at, by)
    day = order.day or view.day_of(at)
    facts = facts_of(session, view, day, chosen, order.basis, at=at)
    now = work_out_by(facts, session, view, day, chosen, order.basis)
    otherwise = changed_view(view, order)
    would_be = changed(facts, order, session, otherwise, day, chosen, at=at, by=by)
    then = work_out_by(would_be, session, otherwise, day, chosen, order.basis)
    after = {worked.animal.id: worked for worked in then.plans}
    items = [
        compared(worked, after[worked.animal.id], view, otherwise, alone=len(chosen) == 1)
        for worked in now.plans
        if worked.animal.id in after
    ]
    today = sum(each.now.cost_per_day for each in items)
    would_cost = sum(each.then.cost_per_day for each in items)
    return WhatIfOut(
        day=day,
        basis=order.basis,
        items=items,
        left_out=list(_left_out(now, then, day)),
        cost_per_day_now=short(today),
        cost_per_day_then=short(would_cost),
        cost_per_30_days_now=short(today * DAYS),
        cost_per_30_days_then=short(would_cost * DAYS),
        series=list(_series(then.plans, order)),
    )


def _chosen(
    session: Session, order: WhatIfIn, at: datetime, by: Actor
) -> tuple[SiteView, Sequence[Animal]]:
    if order.animal is not None:
        animal = animals.animal_by_code(session, order.animal, by=by)
        return sites.view(session, animal.site_id, at=at), [animal]
    if order.group is not None:
        group = animals.group_by_code(session, order.group, by=by)
        view = sites.view(session, group.site_id, at=at)
        return view, animals.members(session, group.id or 0, at=at)
    view = sites.view_of(session, sites.site_or_only(session, order.site, by=by), at=at)
    return view, animals.present(session, view.id, order.day or view.day_of(at))


def _left_out(now: WorkedOut, then: WorkedOut, day: date) -> Iterator[LeftOut]:
    """Each animal once, as it stands before as it would be."""
    told = {animal.code: problem for animal, problem in (*then.left_out, *now.left_out)}
    for code, problem in sorted(told.items()):
        yield LeftOut(animal=code, day=day, kind=problem.kind, why=problem.detail)


def _series(worked: Sequence[Worked], order: WhatIfIn) -> Iterator[SeriesLink]:
    """What is asked for and falls in storage, of each lot once."""
    asked = {line.nutrient for each in worked for line in each.lines} & LOSS_RATES.keys()
    of_lots = {food.lot: food for each in worked for food in each.fed.food if food.lot}
    query = ""
    if order.storage is not None:
        degrees = quote(f"{order.storage.temperature.c:.4g} °C")
        query = f"?days={order.storage.days}&storage={degrees}"
    for lot, food in sorted(of_lots.items()):
        for tag in sorted(asked & food.content.keys()):
            yield SeriesLink(
                lot=lot,
                nutrient=tag,
                path=f"/v1/lots/{quote(lot)}/nutrients/{tag}/over-time{query}",
            )
