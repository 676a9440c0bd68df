"""What other requests of a day have left over, and who uses it."""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session

from service.ledger import queries as ledger
from service.site.queries import SiteView
from service.thawing import queries
from service.thawing.models import SurplusShare, ThawRequest
from service.thawing.queries import PulledFor
from service.thawing.rules.choosing import may_plan
from service.thawing.rules.placing import Load
from service.thawing.rules.sharing import Shared, Spare
from service.thawing.rules.windows import Window
from service.thawing.schemas import PlannedPull, ThawRequestOut


@dataclass(frozen=True)
class Standing:
    """A request, its plan, and what became of each pull: grams pulled, and into which batches."""

    request: ThawRequest
    plan: ThawRequestOut
    pulled: Mapping[int, Sequence[PulledFor]]

    def pulled_g(self, number: int) -> int:
        """Grams that have left the freezer for a pull."""
        return sum(each.grams for each in self.pulled.get(number, ()))

    def left_g(self, pull: PlannedPull) -> int:
        """Grams of a pull that are still to be pulled."""
        return max(0, pull.mass.g - self.pulled_g(pull.number))


def standings(session: Session, requests: Sequence[ThawRequest]) -> list[Standing]:
    """What became of these plans. Two queries for any number.

    What was pulled of a lot fills that lot's pulls in their order.
    """
    pulled = queries.pulled_for(session, [r.id or 0 for r in requests])
    found = []
    for request in requests:
        plan = ThawRequestOut.model_validate(request.plan)
        found.append(Standing(request, plan, _by_pull(plan.pulls, pulled.get(request.id or 0, []))))
    return found


def _by_pull(
    pulls: Sequence[PlannedPull], pulled: Sequence[PulledFor]
) -> dict[int, list[PulledFor]]:
    """Which pull of a plan each thaw batch was for; what is beyond it counts to the last."""
    filled: dict[int, list[PulledFor]] = {}
    got: Counter[int] = Counter()
    for each in pulled:
        grams = each.grams
        mine = [pull for pull in pulls if pull.lot == each.lot]
        for pull in mine:
            taken = min(grams, pull.mass.g - got[pull.number])
            if pull is mine[-1]:
                taken = grams
            if taken > 0:
                got[pull.number] += taken
                grams -= taken
                filled.setdefault(pull.number, []).append(
                    PulledFor(each.batch, each.lot, each.species, taken)
                )
    return filled


def spares(
    session: Session, others: Sequence[Standing], view: SiteView, *, now: datetime
) -> list[Spare]:
    """What these requests have left over and nobody uses yet. At most eleven queries."""
    leaving = [each for each in others if any(pull.surplus.g for pull in each.plan.pulls)]
    if not leaving:
        return []
    given = Counter[tuple[int, int]]()
    for share in queries.shares_of(session, [each.request.id or 0 for each in leaving]):
        given[share.from_request_id, share.pull_number] += share.grams
    known = queries.lot_facts_of(session, {p.lot for each in leaving for p in each.plan.pulls})
    today = view.day_of(now)
    found = [
        (each, pull, pull.surplus.g - given[each.request.id or 0, pull.number])
        for each in leaving
        for pull in each.plan.pulls
        if may_plan(known[pull.lot], view.policy, today)
    ]
    free = [(each, pull, grams) for each, pull, grams in found if grams > 0]
    frozen = [_in_the_freezer(*one) for one in free if not one[0].pulled_g(one[1].number)]
    pulled = [one for one in free if one[0].pulled_g(one[1].number) >= one[1].mass.g]
    return frozen + list(_pulled(session, pulled, view, now))


def _in_the_freezer(each: Standing, pull: PlannedPull, grams: int) -> Spare:
    return Spare(
        request=each.request.id or 0,
        number=pull.number,
        lot=pull.lot,
        species=pull.species,
        grams=grams,
        serves_from=pull.serves_from or each.request.first_feed_at,
        serves_until=pull.serves_until or each.request.last_feed_at,
        window=Window(pull.pull_not_before, pull.pull_not_after),
    )


def _pulled(
    session: Session,
    found: Sequence[tuple[Standing, PlannedPull, int]],
    view: SiteView,
    now: datetime,
) -> Iterator[Spare]:
    """Surplus that is thawing or thawed: good when the batch it is in is."""
    last = {
        (each.request.id or 0, pull.number): each.pulled[pull.number][-1].batch
        for each, pull, _ in found
    }
    if not last:
        return
    shown = queries.batch_views(session, list(last.values()), view.policy, at=now)
    views = {each.batch.id: each for each in shown}
    prepare = timedelta(minutes=view.policy.preparation_minutes)
    for each, pull, grams in found:
        batch = views[last[each.request.id or 0, pull.number].id]
        ready = batch.facts.thawed_at
        if ready is None:
            high_h = batch.forecast.high_h if batch.forecast else 0.0
            ready = batch.thawed_after(high_h) if high_h else pull.thawed_range[1]
        yield Spare(
            request=each.request.id or 0,
            number=pull.number,
            lot=pull.lot,
            species=pull.species,
            grams=min(grams, batch.remaining_g),
            serves_from=max(now, ready + prepare),
            serves_until=batch.discard_after(view.policy),
        )


def keep(session: Session, shared: Sequence[Shared], request_id: int, *, at: datetime) -> None:
    """Note who uses what is left over of whom; a request's own surplus is its own affair."""
    session.add_all(
        SurplusShare(
            from_request_id=each.spare.request,
            pull_number=each.spare.number,
            to_request_id=request_id,
            grams=each.grams,
            shared_at=at,
        )
        for each in shared
        if each.spare.request != request_id
    )
    session.flush()


def end(session: Session, shares: Sequence[SurplusShare], *, at: datetime) -> None:
    """These shares are used no more."""
    for share in shares:
        share.ended_at = at
        session.add(share)
    session.flush()


def loads(
    session: Session, others: Sequence[Standing], view: SiteView, *, now: datetime
) -> list[Load]:
    """What is in places to thaw, and is planned to be. Eight queries."""
    planned = [load for each in others for pull in each.plan.pulls for load in _planned(each, pull)]
    open_ = ledger.batches(session, [view.id], open_only=True, limit=MOST_BATCHES, after_id=0)
    there = queries.batch_views(session, open_, view.policy, at=now)
    return planned + [
        Load(
            batch.place.code,
            now,
            batch.discard_after(view.policy)
            if batch.facts.thawed_at is not None or batch.forecast is None
            else batch.thawed_after(batch.forecast.high_h),
            batch.remaining_g,
        )
        for batch in there
        if batch.place is not None
    ]


MOST_BATCHES = 500  # that hold fish at once


def _planned(each: Standing, pull: PlannedPull) -> Iterator[Load]:
    left_g = each.left_g(pull)
    if not left_g:
        return
    if not pull.stages:
        yield Load(pull.to_place, pull.pull_not_after, pull.thawed_range[1], left_g)
    for stage in pull.stages:
        yield Load(stage.place, stage.begins_at, stage.ends_range[1], left_g)
