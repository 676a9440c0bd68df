"""Standing orders held against today's figures: they stay while the pieces stay.

An order whose pieces are not what the facts of the day call for, or would cross a limit, lapses:
another is proposed, and what has changed is told in words.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any

from sqlmodel import Session

from service.animals.models import Animal
from service.errors import Conflict
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import SERVICE, Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.supplements.actions.planning import propose
from service.supplements.actions.working import Worked, WorkedOut, work_out
from service.supplements.actions.writing import document_of
from service.supplements.models import SupplementOrderEnd, SupplementPlan
from service.supplements.queries import standing as queries
from service.supplements.queries.plans import plan_by_id
from service.supplements.rules import PlanBasis, PlanStatus
from service.supplements.rules import standing as rules
from service.supplements.rules.standing import SWALLOWED, EndedWhy, Room
from service.supplements.schemas import LeftOut, OrderWithdrawalIn

DAY = timedelta(days=1)


class Compared:
    """An order, and what is called for on a day instead; written down only where it is shown."""

    def __init__(self, order: SupplementPlan, fresh: Worked, view: SiteView) -> None:
        self.order, self.fresh, self._view = order, fresh, view

    @cached_property
    def document(self) -> Mapping[str, Any]:
        """What is called for, as a plan."""
        return document_of(self.fresh, self._view)

    @property
    def changed(self) -> bool:
        """Whether other pieces are called for, or the ordered ones would cross a limit."""
        chosen = self.fresh.dose.pieces
        now = {p.code: p.count(chosen[p.code]) for p in self.fresh.products if chosen.get(p.code)}
        return not rules.same(rules.pieces(self.order.document), now) or self.dangerous

    @property
    def dangerous(self) -> bool:
        """Whether the ordered pieces would cross a limit."""
        rooms = (Room(line.nutrient, line.room, line.limit) for line in self.fresh.lines)
        strengths = {product.code: product.contents for product in self.fresh.products}
        return bool(rules.crossed(self.order.document, rooms, strengths))

    @cached_property
    def differences(self) -> list[str]:
        """What has changed, in words."""
        return rules.differences(self.order.document, self.document)


@dataclass(frozen=True)
class Lapsing:
    """An order that does not hold from a day on, or on that day only."""

    compared: Compared
    from_day: date
    until_day: date | None


@dataclass(frozen=True)
class Lapsed:
    """An order that has lapsed, its end, and the plan that is proposed instead."""

    order: SupplementPlan
    end: SupplementOrderEnd
    proposal: SupplementPlan


@dataclass(frozen=True)
class Reviewed:
    """Orders that were held against the figures of a day, and which of them lapsed."""

    view: SiteView
    orders: Sequence[SupplementPlan]
    lapsed: Sequence[Lapsed]
    left_out: Sequence[LeftOut]


def review(
    session: Session,
    view: SiteView,
    *,
    at: datetime,
    by: Actor,
    animal_ids: Collection[int] | None = None,
) -> Reviewed:
    """Hold a site's orders against today's figures; those that do not fit lapse.

    For each another plan is proposed, and the nutritionist and the vet are told, once for all
    of them. animal_ids: only theirs. Cost: `work_out` of all animals with an order, and of
    those that differ once more for the day after.
    """
    today = view.day_of(at)
    standing = queries.in_force(session, view.id, today, animal_ids)
    queries.lock_animals(session, {order.animal_id for order in standing})
    # Read again under the lock: somebody may have signed another meanwhile.
    orders = queries.in_force(session, view.id, today, animal_ids)
    lapsing, left_out = find(session, view, orders, at=at)
    lapsed = lapse(session, view, lapsing, at=at, by=by) if lapsing else []
    return Reviewed(view, orders, lapsed, left_out)


def find(
    session: Session, view: SiteView, orders: Sequence[SupplementPlan], *, at: datetime
) -> tuple[list[Lapsing], list[LeftOut]]:
    """Which of the orders in force today do not fit the figures; writes nothing.

    An animal that was given something today is looked at for tomorrow: what it has got is not
    ordered anew. Where the day after calls for what is ordered, the order does not hold on
    that day only: so a substitution for one day unsigns nothing for good. An animal that gets
    no fish keeps its order for the day on which it does.
    """
    today = view.day_of(at)
    standing = [order for order in orders if order.basis == PlanBasis.DIET]
    if not standing:
        return [], []
    recorded = queries.recorded_on(session, today, [o.animal_id for o in standing])
    begun = {given.animal_id for given, _ in recorded if given.outcome in SWALLOWED}
    lapsing: list[Lapsing] = []
    left_out: list[LeftOut] = []
    for day, mine in (
        (today, [o for o in standing if o.animal_id not in begun]),
        (today + DAY, _still(session, view, today + DAY, [o.animal_id for o in standing], begun)),
    ):
        compared, without = compare(session, view, day, mine, at=at)
        left_out += without
        changed = [each for each in compared if each.changed]
        fits = _fits_again(session, view, day + DAY, changed, at)
        lapsing += [Lapsing(each, day, day if each.order.id in fits else None) for each in changed]
    return lapsing, left_out


def _still(
    session: Session, view: SiteView, day: date, animal_ids: Sequence[int], begun: set[int]
) -> Sequence[SupplementPlan]:
    mine = [each for each in animal_ids if each in begun]
    return queries.in_force(session, view.id, day, mine) if mine else []


def _fits_again(
    session: Session, view: SiteView, day: date, changed: Sequence[Compared], at: datetime
) -> set[int]:
    """Orders that stand on a day and fit its figures."""
    if not changed:
        return set()
    orders = queries.in_force(session, view.id, day, [c.order.animal_id for c in changed])
    compared, _ = compare(session, view, day, orders, at=at)
    return {each.order.id or 0 for each in compared if not each.changed}


def compare(
    session: Session,
    view: SiteView,
    day: date,
    orders: Sequence[SupplementPlan],
    *,
    at: datetime,
) -> tuple[list[Compared], list[LeftOut]]:
    """Orders beside what is called for on a day. Who cannot be worked out is told; who gets no
    fish is in neither. Cost: one `work_out`, one query more."""
    if not orders:
        return [], []
    animals = queries.animals_by_id(session, [order.animal_id for order in orders])
    by_animal = {order.animal_id: order for order in orders}
    worked = work_out(session, view, day, list(animals.values()), PlanBasis.DIET, at=at)
    compared = [Compared(by_animal[each.animal.id or 0], each, view) for each in worked.plans]
    return compared, _left_out(worked, day)


def _left_out(worked: WorkedOut, day: date) -> list[LeftOut]:
    return [
        LeftOut(animal=animal.code, day=day, kind=problem.kind, why=problem.detail)
        for animal, problem in worked.left_out
        if problem.kind != "no-diet"
    ]


def lapse(
    session: Session, view: SiteView, lapsing: Sequence[Lapsing], *, at: datetime, by: Actor
) -> list[Lapsed]:
    """Orders do not hold any more, or not for a day; others are proposed, and it is told."""
    proposals = propose(
        session, view, [(each.compared.fresh, each.until_day) for each in lapsing], at=at, by=by
    )
    lapsed = [
        Lapsed(
            each.compared.order,
            SupplementOrderEnd(
                plan_id=each.compared.order.id or 0,
                why=EndedWhy.LAPSED,
                from_day=each.from_day,
                until_day=each.until_day,
                differences=each.compared.differences,
                next_plan_id=proposal.id,
                ended_at=at,
                recorded_at=at,
                by=by.name,
            ),
            proposal,
        )
        for each, proposal in zip(lapsing, proposals, strict=True)
    ]
    session.add_all(each.end for each in lapsed)
    session.flush()
    audit.note(
        session,
        by,
        "supplement orders lapsed",
        f"{len(lapsed)} orders",
        at=at,
        site_id=view.id,
        after=[each.end for each in lapsed],
        detail={"plans": [each.order.id for each in lapsed]},
    )
    _tell(session, view, lapsing, lapsed, at)
    return lapsed


def _tell(
    session: Session,
    view: SiteView,
    lapsing: Sequence[Lapsing],
    lapsed: Sequence[Lapsed],
    at: datetime,
) -> None:
    """One message for all, at once where a limit would be crossed."""
    dangerous = [each for each in lapsing if each.compared.dangerous]
    animals = [each.compared.fresh.animal.code for each in lapsing]
    named = ", ".join(animals[:3]) + (f" and {len(animals) - 3} more" if animals[3:] else "")
    lines = [
        f"{animal} {_when(one.end)}: {'; '.join(one.end.differences)} "
        f"(plan {one.proposal.id} is proposed)"
        for animal, one in zip(animals, lapsed, strict=True)
    ]
    tell(
        session,
        site_id=view.id,
        subject=Subject.SUPPLEMENT,
        number=lapsed[0].proposal.id or 0,
        title=f"Supplements of {named} are to be signed again"
        + (": a limit would be crossed" if dangerous else ""),
        body="What is signed is not given until somebody has signed what is proposed, or plans "
        "again.\n" + "\n".join(lines),
        urgency=Urgency.NOW if dangerous else Urgency.TODAY,
        at=at,
    )


def _stopped_too(
    session: Session, stored: SupplementPlan, end: SupplementOrderEnd
) -> Iterator[SupplementOrderEnd]:
    """The longer orders below one for some days: else they would hold again on those days."""
    until = stored.until_day or end.from_day
    for other in queries.standing_between(session, stored, end.from_day, until):
        yield SupplementOrderEnd(
            plan_id=other.id or 0,
            why=EndedWhy.WITHDRAWN,
            from_day=max(end.from_day, stored.day),
            until_day=until,
            differences=[],
            reason=end.reason,
            ended_at=end.ended_at,
            recorded_at=end.recorded_at,
            by=end.by,
        )


def _when(end: SupplementOrderEnd) -> str:
    return f"on {end.from_day} only" if end.until_day else f"from {end.from_day}"


Found = Mapping[int, Sequence[int]]


def find_lapsing(session: Session, at: datetime) -> Found:
    """Animals by site whose orders do not fit today's figures; writes nothing."""
    found = {}
    for site_id in sites.sites_seen(session, by=SERVICE):
        view = sites.view(session, site_id, at=at)
        orders = queries.in_force(session, site_id, view.day_of(at))
        lapsing, _ = find(session, view, orders, at=at)
        if lapsing:
            found[site_id] = [each.compared.order.animal_id for each in lapsing]
    return found


def review_found(session: Session, found: Found, at: datetime) -> None:
    """Review the orders of these animals, on what they have become meanwhile."""
    for site_id, animal_ids in found.items():
        view = sites.view(session, site_id, at=at)
        review(session, view, at=at, by=SERVICE, animal_ids=animal_ids)


def withdraw(
    session: Session, number: int, said: OrderWithdrawalIn, *, at: datetime, by: Actor
) -> SupplementPlan:
    """An order is not to be given from today on. Raises Conflict if it stands no more."""
    stored = plan_by_id(session, number, by=by)
    ended_at = sites.happened_at(session, stored.site_id, said.occurred_at, now=at)
    view = sites.view(session, stored.site_id, at=at)
    queries.lock_animals(session, [stored.animal_id])
    stored = plan_by_id(session, number, by=by, lock=True)
    if stored.status != PlanStatus.SIGNED:
        raise Conflict("nobody has signed this plan: there is no order", kind="not-signed")
    ends = queries.ends_of(session, [number]).get(number, ())
    last = next((end for end in ends if end.until_day is None), None)
    if last is not None:
        raise Conflict(f"this order was {last.why} from {last.from_day} on", kind="already-ended")
    end = SupplementOrderEnd(
        plan_id=number,
        why=EndedWhy.WITHDRAWN,
        from_day=view.day_of(ended_at),
        differences=[],
        reason=said.reason,
        ended_at=ended_at,
        recorded_at=at,
        by=by.name,
    )
    session.add(end)
    if stored.until_day is not None:
        session.add_all(_stopped_too(session, stored, end))
    session.flush()
    animal = session.get_one(Animal, stored.animal_id).code
    audit.note(
        session,
        by,
        "supplement order withdrawn",
        animal,
        at=at,
        site_id=view.id,
        after=end,
        detail={"plan": number, "reason": said.reason},
    )
    return stored
