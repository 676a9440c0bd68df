"""What animals were given of what was ordered for them, and what they were not."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

from sqlmodel import Session

from service.animals.models import Animal
from service.catalogue.models import SupplementProduct
from service.catalogue.rules import nutrients, smallest_piece
from service.decisions import Finding, decide
from service.errors import Conflict, Invalid, NotFound
from service.http.bodies import instant_of, refuse_future
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.queries import SiteView
from service.site.rules import finding
from service.supplement_stock.actions.taking import give_back, take
from service.supplement_stock.queries import batch_by_code, batches_by_id, kept
from service.supplement_stock.rules import (
    Batch,
    Kind,
    Taken,
    in_milli,
    same_strength,
    usable,
)
from service.supplements.actions.standing import Compared
from service.supplements.actions.working import limits_on, work_out
from service.supplements.actions.writing import plan_out
from service.supplements.models import (
    SupplementGiven,
    SupplementGivenReversal,
    SupplementPlan,
)
from service.supplements.queries import standing as queries
from service.supplements.queries.plans import offered, plan_by_id, products_by_code
from service.supplements.queries.standing import InBucket, Recorded
from service.supplements.rules import PlanBasis, PlanStatus
from service.supplements.rules import standing as rules
from service.supplements.rules.needs import Line
from service.supplements.rules.standing import HANDLED, SWALLOWED, GivenOutcome
from service.supplements.schemas import GivenIn, GivenItem, GivenReversalIn

Strengths = Mapping[str, Mapping[str, float]]
"""What a piece of each product contains, by code."""


@dataclass(frozen=True)
class FromBucket:
    """The bucket that pieces come from, and which of its pieces each item that was sent is."""

    id: int
    pieces: Sequence[int]


@dataclass(frozen=True)
class Part:
    """Pieces of one product from one batch, and what became of them. place: in what was sent."""

    place: int
    product: SupplementProduct
    count: float
    outcome: GivenOutcome
    reason: str | None
    batch: Batch | None
    printed: str | None

    @property
    def number(self) -> int:
        """Of the product."""
        return self.product.id or 0


@dataclass(frozen=True)
class Today:
    """What binds on the day: room under limits, strengths, and why the order does not hold.

    planned: the strengths that pieces may have been counted by; a batch is of one of them.
    """

    limits: Sequence[Line]
    strengths: Strengths
    planned: Sequence[Strengths]
    against: str | None = None


@dataclass(frozen=True)
class Before:
    """What an animal has had on the day, whatever became of it, and what waits in buckets."""

    recorded: Sequence[Recorded]
    waiting: Sequence[InBucket]

    @property
    def begun(self) -> bool:
        """Whether it may have swallowed any of it."""
        return any(row.outcome in SWALLOWED for row, _ in self.recorded)


@dataclass(frozen=True)
class Given:
    """What was recorded under a plan."""

    plan: SupplementPlan
    rows: Sequence[SupplementGiven]
    parts: Sequence[Part]
    breaches: tuple[Finding, ...]


def give(
    session: Session,
    number: int,
    order: GivenIn,
    *,
    at: datetime,
    by: Actor,
    bucket: FromBucket | None = None,
) -> Given:
    """Record what an animal was given under an order, and what it was not, with its reason.

    What was handled is booked out of its batch in the same transaction. bucket: out of which
    it comes; what else is in it does not count as waiting. Raises RuleRefused: no order in
    force, given already or waiting in a bucket, over a limit, an expired batch, another
    strength; Invalid for a part of a piece that cannot be given.
    """
    refuse_future(order.occurred_at, now=at)
    stored = plan_by_id(session, number, by=by)
    queries.lock_animals(session, [stored.animal_id])
    stored = plan_by_id(session, number, by=by, lock=True)
    view = sites.view(session, stored.site_id, at=at)
    occurred_at = instant_of(order.occurred_at, now=at, skew=view.policy.skew)
    day = order.day or view.day_of(occurred_at)
    if day > view.day_of(at + view.policy.skew):
        raise Invalid.at("day", "lies in the future")
    parts = _parts(session, view, stored, order, day)
    before = Before(
        queries.recorded_on(session, day, [stored.animal_id]),
        queries.in_buckets(session, day, stored.animal_id, but=bucket.id if bucket else None),
    )
    animal = session.get_one(Animal, stored.animal_id)
    breaches = site_actions.allow(
        session,
        decide(_judged(session, view, stored, animal, day, before, parts, at)),
        order,
        site=view,
        subject=f"animal {animal.code}",
        occurred_at=occurred_at,
        at=at,
        by=by,
    )
    rows = [
        SupplementGiven(
            plan_id=number,
            animal_id=stored.animal_id,
            product_id=part.number,
            day=day,
            count=part.count,
            outcome=part.outcome,
            reason=part.reason,
            batch=part.printed,
            batch_id=part.batch.id if part.batch else None,
            bucket_id=bucket.id if bucket else None,
            piece=bucket.pieces[part.place] if bucket else None,
            occurred_at=occurred_at,
            recorded_at=at,
            by=by.name,
        )
        for part in parts
    ]
    session.add_all(rows)
    session.flush()
    _book(session, rows, day, at, by)
    if breaches:
        _tell(session, view.id, number, f"{animal.name} ({animal.code})", day, breaches, at)
    audit.note(
        session,
        by,
        "supplements given",
        animal.code,
        at=at,
        site_id=view.id,
        after=rows,
        detail={
            "plan": number,
            "day": str(day),
            "breaches": [b.rule for b in breaches],
            "pieces": [[p.product.code, p.count, p.outcome, p.printed] for p in parts],
        },
    )
    return Given(stored, rows, parts, breaches)


def _tell(
    session: Session,
    site_id: int,
    plan: int,
    whom: str,
    day: date,
    breaches: Sequence[Finding],
    at: datetime,
) -> None:
    """What has happened against a rule is the vet's to know: at once where it was too much."""
    too_much = any(found.rule in ("over-limit", "already-given") for found in breaches)
    tell(
        session,
        site_id=site_id,
        subject=Subject.SUPPLEMENT,
        number=plan,
        title=f"{whom}: supplements of {day} were given against a rule",
        body="; ".join(found.because for found in breaches)
        + ". It is recorded; the attending veterinarian decides what follows.",
        urgency=Urgency.NOW if too_much else Urgency.TODAY,
        at=at,
    )


def _book(
    session: Session, rows: Sequence[SupplementGiven], day: date, at: datetime, by: Actor
) -> None:
    take(
        session,
        [
            Taken(
                row.batch_id,
                row.count,
                Kind.GIVEN if row.outcome == GivenOutcome.GIVEN else Kind.WASTED,
                _reference(row.id or 0),
                row.occurred_at,
            )
            for row in rows
            if row.batch_id is not None and row.outcome in HANDLED
        ],
        day=day,
        at=at,
        by=by,
    )


def _reference(number: int) -> str:
    """By which supplement stock knows what was recorded."""
    return f"given {number}"


def take_back(
    session: Session, number: int, said: GivenReversalIn, *, at: datetime, by: Actor
) -> SupplementGiven:
    """What was recorded was not so: it counts no more, and stock has its pieces back.

    Raises NotFound, Conflict where it was taken back before.
    """
    row = queries.given_by_id(session, number, by=by)
    stored = plan_by_id(session, row.plan_id, by=by)
    occurred_at = sites.happened_at(session, stored.site_id, said.occurred_at, now=at)
    queries.lock_animals(session, [row.animal_id])
    if queries.taken_back(session, number):
        raise Conflict("this was taken back before", kind="already-reversed")
    session.add(
        SupplementGivenReversal(
            given_id=number, reason=said.reason, occurred_at=occurred_at, recorded_at=at, by=by.name
        )
    )
    session.flush()
    give_back(session, [_reference(number)], reason=said.reason, at=at, by=by)
    audit.note(
        session,
        by,
        "supplements taken back",
        session.get_one(Animal, row.animal_id).code,
        at=at,
        site_id=stored.site_id,
        before=row,
        after=said,
        detail={"given": number},
    )
    return row


def _parts(
    session: Session, view: SiteView, stored: SupplementPlan, order: GivenIn, day: date
) -> list[Part]:
    """What was sent, by batch: where none is named, those in use, the first to expire first."""
    products = products_by_code(session, [item.product for item in order.supplements])
    ids = [product.id or 0 for product in products.values()]
    keeps = kept(session, view.id, ids)
    in_hand = {
        product_id: list(batches)
        for product_id, batches in queries.in_hand(session, view.id, ids).items()
    }
    ordered = {s.product: s.count for s in plan_out(stored).supplements}
    found: list[Part] = []
    for place, item in enumerate(order.supplements):
        product = products[item.product]
        _ensure_countable(item, product, place, fact=order.already_done)
        count = item.count or ordered.get(item.product)
        if count is None:
            raise Invalid.at(f"supplements.{place}.count", "say how many: none were ordered")
        shared: Sequence[tuple[float, Batch | None]] = [(count, None)]
        if item.batch is not None and product.id in keeps:
            named = _named(session, view, product, item.batch, place, fact=order.already_done)
            shared = [(count, named)]
        elif item.batch is None and item.outcome in HANDLED:
            shared = _shared(in_hand.get(product.id or 0, []), count, day)
        found += [
            Part(
                place,
                product,
                each,
                item.outcome,
                item.reason,
                batch,
                batch.code if batch else item.batch,
            )
            for each, batch in shared
        ]
    return found


def _ensure_countable(
    item: GivenItem, product: SupplementProduct, place: int, *, fact: bool
) -> None:
    """Whole smallest pieces; what has happened is kept to the thousandth, as stock is: half of
    a whole tablet can have been swallowed."""
    if item.count is None:
        return
    step = smallest_piece(product.form, product.divisible, product.smallest)
    try:
        milli = in_milli(item.count)
    except ValueError as error:
        raise Invalid.at(f"supplements.{place}.count", str(error)) from error
    if milli == 0:
        raise Invalid.at(f"supplements.{place}.count", "must be more than nothing")
    if not fact and milli % in_milli(step):
        raise Invalid.at(
            f"supplements.{place}.count", f"{product.code} is given in steps of {step:g}"
        )


def _named(
    session: Session,
    view: SiteView,
    product: SupplementProduct,
    code: str,
    place: int,
    *,
    fact: bool,
) -> Batch | None:
    """The batch of a code; what has happened is kept, though nobody has booked its batch in."""
    try:
        return batch_by_code(
            session, view.id, product.id or 0, code, field=f"supplements.{place}.batch"
        )
    except NotFound:
        if fact:
            return None
        raise


def _shared(batches: list[Batch], count: float, day: date) -> Sequence[tuple[float, Batch | None]]:
    """A count over batches with something left; over expired ones where there is nothing else.

    The last of them gives what the books did not know of. Takes from `batches`.
    """
    good = [batch for batch in batches if day <= batch.expires_on]
    if not (chosen := good or batches):
        return [(count, None)]
    shared: list[tuple[float, Batch | None]] = []
    for batch in chosen:
        last = batch is chosen[-1]
        part = count if last else min(count, max(0.0, batch.left))
        if part > 0:
            shared.append((part, batch))
            count = round(count - part, 6)
            batches[batches.index(batch)] = replace(batch, left=round(batch.left - part, 6))
    return shared


def _judged(
    session: Session,
    view: SiteView,
    stored: SupplementPlan,
    animal: Animal,
    day: date,
    before: Before,
    parts: Sequence[Part],
    at: datetime,
) -> Iterator[Finding]:
    """Everything that speaks against giving; omitting needs nobody's leave."""
    handled = [part for part in parts if part.outcome in HANDLED]
    if not handled:
        return
    today = _today(session, view, stored, animal, day, before, at)
    ended = _not_in_force(session, view, stored, day)
    yield from _ordered(stored, ended, handled)
    yield from _not_twice(stored, before, handled)
    rows = before.recorded
    batches = batches_by_id(session, [row.batch_id for row, _ in rows if row.batch_id])
    yield from _not_otherwise(stored, today, before, handled, batches)
    yield from _under_limits(today, rows, handled, batches)
    # After a limit that is crossed: where an order lapses by it, that is what must be read first.
    if ended is None and today.against is not None:
        yield finding("not-signed", "block", f"plan {stored.id}: {today.against}")
    for part in handled:
        if part.batch is not None:
            yield from usable(part.batch, day)
            yield from _of_strength(today, part.product, part.batch)


def _of_strength(today: Today, product: SupplementProduct, batch: Batch) -> Iterator[Finding]:
    """Whether a batch is of a strength by which its pieces may have been counted."""
    known = [strengths[product.code] for strengths in today.planned if product.code in strengths]
    differing = [list(same_strength(batch, contents)) for contents in known]
    if differing and all(differing):
        yield from differing[0]


def _today(
    session: Session,
    view: SiteView,
    stored: SupplementPlan,
    animal: Animal,
    day: date,
    before: Before,
    at: datetime,
) -> Today:
    """The figures of the day: of today the order is held against them, unless it was begun.

    Where it is not, its pieces are those that it was written with, so its own strengths bind;
    those of the day too where they call for the same pieces. What cannot be worked out speaks
    against giving, and stops no fact from being recorded.
    """
    own = rules.strengths(stored.document)
    basis = PlanBasis(stored.basis)
    found = work_out(session, view, day, [animal], basis, at=at)
    for worked in found.plans:
        strengths = {p.code: p.contents for p in worked.products}
        compared = Compared(stored, worked, view)
        if day != view.day_of(at) or basis is PlanBasis.FEEDS or before.begun:
            planned = [own] if compared.changed else [own, strengths]
            return Today(worked.lines, strengths, planned)
        against = None
        if compared.changed:
            against = "it has lapsed: " + "; ".join(compared.differences)
        return Today(worked.lines, strengths, [strengths], against)
    ((_, problem),) = found.left_out
    strengths = {p.code: p.contents for p in offered(session, view.id, day)}
    try:
        limits = limits_on(session, view, animal, day, basis, at=at)
    except (Conflict, ValueError):  # as `problem` says
        limits = []
    return Today(limits, strengths, [own], problem.detail)


def _ordered(stored: SupplementPlan, ended: str | None, parts: Sequence[Part]) -> Iterator[Finding]:
    """Whether the plan is the order in force on the day, and how much of each it orders."""
    if ended is not None:
        yield finding("not-signed", "block", f"plan {stored.id}: {ended}")
        if stored.status != PlanStatus.SIGNED:
            return
    ordered = {s.product: s.count for s in plan_out(stored).supplements}
    for code, count in _by_product(parts).items():
        allowed = ordered.get(code, 0.0)
        if count > allowed + 1e-9:
            yield finding(
                "not-signed",
                "block",
                f"{count:g} of {code} were given, {allowed:g} are signed",
                numbers={"given": count, "signed": allowed},
            )


def _not_in_force(
    session: Session, view: SiteView, stored: SupplementPlan, day: date
) -> str | None:
    if stored.status != PlanStatus.SIGNED:
        return "nobody has signed it"
    for end in queries.ends_of(session, [stored.id or 0]).get(stored.id or 0, ()):
        if end.from_day <= day and (end.until_day is None or day <= end.until_day):
            said = end.reason or "; ".join(end.differences)
            return f"it was {end.why} from {end.from_day} on" + (f": {said}" if said else "")
    standing = queries.in_force(session, view.id, day, [stored.animal_id])
    if not standing:
        return f"it is for {stored.day} to {stored.until_day or stored.day}, not for {day}"
    if standing[0].id != stored.id:
        return f"plan {standing[0].id} is in force on {day}"
    return None


def _by_product(parts: Sequence[Part]) -> dict[str, float]:
    total: dict[str, float] = {}
    for part in parts:
        total[part.product.code] = total.get(part.product.code, 0.0) + part.count
    return total


def _not_twice(stored: SupplementPlan, before: Before, parts: Sequence[Part]) -> Iterator[Finding]:
    """No more in a day than is ordered for it, in however many feeds, by hand and in buckets.

    What was spat out, refused or not seen is not given again by itself.
    """
    ordered = rules.pieces(stored.document)
    handled = [(row, product.code) for row, product in before.recorded if row.outcome in HANDLED]
    now = _by_product(parts)
    for code in {part.product.code: part for part in parts if part.outcome in SWALLOWED}:
        rows = [row for row, product in handled if product == code]
        waiting = [each for each in before.waiting if each.product.code == code]
        earlier = sum(row.count for row in rows) + sum(each.count for each in waiting)
        if earlier and earlier + now[code] > ordered.get(code, 0.0) + 1e-9:
            said = [
                f"{row.count:g} {row.outcome.replace('_', ' ')}, recorded by {row.by}"
                for row in rows
            ]
            said += [f"{each.count:g} in bucket {each.bucket}" for each in waiting]
            yield finding(
                "already-given",
                "block",
                f"{code} of that day before: {'; '.join(said)}",
                numbers={"given_before": earlier},
            )


def _not_otherwise(
    stored: SupplementPlan,
    today: Today,
    before: Before,
    parts: Sequence[Part],
    batches: Mapping[int, Batch],
) -> Iterator[Finding]:
    """No second dose of a nutrient in other pieces or under another plan: all of the day
    together is no more than this order gives. What is left of it passes."""
    ordered = rules.pieces(stored.document)
    rows = [(row, product) for row, product in before.recorded if row.outcome in SWALLOWED]
    otherwise = any(row.plan_id != stored.id or p.code not in ordered for row, p in rows)
    otherwise |= any(each.product.code not in ordered for each in before.waiting)
    if not otherwise:
        return
    had = _nutrients(
        [(_strength(today, p, batches.get(row.batch_id or 0)), row.count) for row, p in rows]
        + [(_strength(today, w.product, None), w.count) for w in before.waiting]
    )
    now = _nutrients(
        (_strength(today, part.product, part.batch), part.count)
        for part in parts
        if part.outcome in SWALLOWED
    )
    most = rules.gives(stored.document)
    for tag, amount in now.items():
        earlier, signed = had.get(tag, 0.0), most.get(tag, 0.0)
        # Documents keep six digits: what is signed is known no better than that.
        if earlier > 0 and earlier + amount > signed * (1 + rules.ROUNDED) + 1e-9:
            unit = nutrients()[tag].amount_unit
            yield finding(
                "already-given",
                "block",
                f"{earlier:g} {unit} of {tag} were given or wait in buckets on that day, "
                f"{amount:g} more would be {earlier + amount:g}: {signed:g} are signed",
                numbers={"given_before": earlier, "given": amount, "signed": signed},
            )


def _nutrients(pieces: Iterable[tuple[Mapping[str, float], float]]) -> dict[str, float]:
    """What pieces contain in all, from the contents and the count of each."""
    total: dict[str, float] = {}
    for contents, count in pieces:
        for tag, amount in contents.items():
            total[tag] = total.get(tag, 0.0) + amount * count
    return total


def _strength(today: Today, product: SupplementProduct, batch: Batch | None) -> Mapping[str, float]:
    """Of the batch it is from; else of what is reckoned with today."""
    return batch.contents if batch else today.strengths.get(product.code, product.contents)


def _under_limits(
    today: Today,
    before: Sequence[Recorded],
    parts: Sequence[Part],
    batches: Mapping[int, Batch],
) -> Iterator[Finding]:
    """Pieces of the day together, against the limits in force now: a signature is no shield."""
    swallowed = [
        (_strength(today, product, batches.get(row.batch_id or 0)), row.count)
        for row, product in before
        if row.outcome in SWALLOWED
    ]
    swallowed += [
        (_strength(today, part.product, part.batch), part.count)
        for part in parts
        if part.outcome in SWALLOWED
    ]
    totals = _nutrients(swallowed)
    for line in today.limits:
        given = totals.get(line.nutrient, 0.0)
        if given > line.room * (1 + 1e-9):
            unit = nutrients()[line.nutrient].amount_unit
            yield finding(
                "over-limit",
                "block",
                f"{given:g} {unit} of {line.nutrient} in a day: {line.room:g} may be added",
                numbers={"given": given, "room": line.room, "limit": line.limit},
            )
