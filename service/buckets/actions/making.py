"""Making buckets: all of a day from what the animals are to get, or one by hand."""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import chain

from sqlalchemy import insert
from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal, AnimalGroup
from service.buckets.models import Bucket, BucketItem, BucketPiece
from service.buckets.queries import filling
from service.buckets.queries.views import buckets_by_code, spoken_for
from service.buckets.rules import pieces as rules
from service.buckets.rules.pieces import Filled, Key, Ordered, PieceKind, Put, Waits
from service.buckets.rules.sharing import Wanted, share_out
from service.buckets.schemas import BucketsIn, PieceIn
from service.catalogue.queries import lock_species, species_by_code
from service.decisions import Finding, decide
from service.diets.queries.need import Portion, portions
from service.errors import Conflict, Invalid
from service.http.bodies import refuse_future
from service.ledger import queries as ledger
from service.ledger.rules import Batch
from service.lots import queries as lots
from service.lots.actions import next_codes
from service.lots.rules import hold_findings
from service.security import audit
from service.security.actor import Actor
from service.site import actions as site_actions
from service.site import queries as sites
from service.site.queries import SiteView
from service.site.rules import finding
from service.supplements.models import SupplementPlan
from service.supplements.queries.plans import plan_by_id
from service.supplements.queries.standing import in_force as standing_on
from service.supplements.queries.standing import lock_animals
from service.thawing import queries as thawing
from service.thawing.queries import BatchView
from service.thawing.rules.clocks import clock_findings


@dataclass(frozen=True)
class InIt:
    """Pieces that go into the fish of a bucket, and into which."""

    ordered: Ordered
    count: float
    batch: str | None
    fish: str | None


@dataclass(frozen=True)
class Draft:
    """A bucket to be stored. items: grams by thaw batch, in the order they go in."""

    animal_id: int | None
    group_id: int | None
    day: date
    number: int | None
    feed_at: datetime
    kind: str
    items: Mapping[int, int]
    pieces: Sequence[InIt] = ()


@dataclass(frozen=True)
class NoFish:
    """Fish for a bucket that no thaw batch can give."""

    animal_id: int | None
    group_id: int | None
    feed_at: datetime
    species: str
    grams: int


@dataclass(frozen=True)
class Made:
    """Buckets that were made."""

    view: SiteView
    buckets: Sequence[Bucket]
    shortages: Sequence[NoFish] = ()
    breaches: Sequence[Finding] = ()
    findings: Sequence[Finding] = ()


def make(session: Session, order: BucketsIn, *, at: datetime, by: Actor) -> Made:
    """Buckets of a day that are not made yet, or one by hand.

    Raises RuleRefused for a bucket by hand: holds, clocks that end before the feed, too little
    fish that no other bucket holds, pieces that are not ordered or were put in before.
    """
    refuse_future(order.occurred_at, now=at)
    if order.items is None:
        return _of_a_day(session, order, at, by)
    return _by_hand(session, order, at, by)


def _of_a_day(session: Session, order: BucketsIn, at: datetime, by: Actor) -> Made:
    site = sites.site_or_only(session, order.site, by=by)
    view = sites.view_of(session, site, at=at)
    day = order.day
    assert day is not None
    whose = _named(session, order, by)
    due = portions(session, view, day)
    wanted = [
        p
        for p in due
        if order.number in (None, p.number)
        and (whose is None or whose == (p.animal_id, p.group_id))
    ]
    lock_species(session, {p.species for p in wanted})
    served = filling.served_on(session, view.id, day)
    wanted = [p for p in wanted if (p.animal_id, p.group_id, p.number) not in served]
    drafts, shortages, findings = _filled(session, view, day, due, wanted, at)
    made = store(session, view, drafts, at=at, by=by)
    return Made(view, made, shortages, findings=findings)


def _named(session: Session, order: BucketsIn, by: Actor) -> tuple[int | None, int | None] | None:
    if order.animal is not None:
        return animals.animal_by_code(session, order.animal, by=by).id, None
    if order.group is not None:
        return None, animals.group_by_code(session, order.group, by=by).id
    return None


def _filled(
    session: Session,
    view: SiteView,
    day: date,
    due: Sequence[Portion],
    wanted: Sequence[Portion],
    at: datetime,
) -> tuple[list[Draft], list[NoFish], list[Finding]]:
    """Portions shared out, a draft for each feed of an animal or group that gets any fish.

    due: of the whole day. What went elsewhere than ordered is said in findings.
    """
    feeds: dict[tuple[datetime, int, int, int], list[Portion]] = defaultdict(list)
    for p in wanted:
        feeds[p.feed_at, p.animal_id or 0, p.group_id or 0, p.number].append(p)
    by_feed = [feeds[key] for key in sorted(feeds)]
    thawed = filling.thawed(session, view, at)
    by_batch = {batch.batch_id: batch for batch in thawed}
    shared = share_out(
        (
            Wanted(key, p.species, p.grams, p.feed_at)
            for key, feed in enumerate(by_feed)
            for p in feed
        ),
        thawed,
    )
    items: dict[int, dict[int, int]] = defaultdict(dict)
    for share in shared.shares:
        items[share.key][share.batch_id] = share.grams
    shortages = [
        NoFish(first.animal_id, first.group_id, first.feed_at, short.species, short.grams)
        for short in shared.short
        for first in [by_feed[short.key][0]]
    ]
    tested = filling.tested(session, {by_batch[s.batch_id].lot_id for s in shared.shares}, day)
    fish = {
        key: [(b.species, tested.get(b.lot_id)) for b in map(by_batch.__getitem__, inside)]
        for key, inside in items.items()
    }
    pieces = pieces_for(session, view, day, due, by_feed, fish, lock=True)
    drafts = [
        Draft(
            first.animal_id,
            first.group_id,
            day,
            first.number,
            first.feed_at,
            first.kind,
            items[key],
            [InIt(p.ordered, p.count, None, p.fish) for p in pieces.put.get(key, ())],
        )
        for key, (first, *_) in enumerate(by_feed)
        if key in items
    ]
    findings = [
        said
        for put in chain.from_iterable(pieces.put.values())
        if put.meant is not None
        for said in rules.moved(put, session.get_one(Animal, put.ordered.animal_id).code)
    ]
    return drafts, shortages, findings


@dataclass(frozen=True)
class Pieces:
    """What goes into which feed, by the feed's key, and what of supplements into none of them.

    fed: the animals that have any feed on the day.
    """

    put: Mapping[int, Sequence[Put]]
    waiting: Sequence[Waits]
    fed: Collection[int]


def pieces_for(
    session: Session,
    view: SiteView,
    day: date,
    due: Sequence[Portion],
    by_feed: Sequence[Sequence[Portion]],
    fish: Mapping[int, Sequence[tuple[str, bool | None]]],
    *,
    lock: bool = False,
) -> Pieces:
    """What goes into which feed. due: portions of the whole day.

    fish: in those feeds that have any, its species, and whether a laboratory found thiaminase
    in its lot. lock: nobody gives these animals anything meanwhile.
    """
    groups = {p.group_id for p in due if p.group_id is not None}
    members = filling.members_of(session, groups, view.start_of(day)) if groups else {}

    def animals_of(p: Portion) -> frozenset[int]:
        return members[p.group_id] if p.group_id is not None else frozenset({p.animal_id or 0})

    feeds: dict[int, set[int]] = defaultdict(set)
    for p in due:
        for animal in animals_of(p):
            feeds[animal].add(p.number)
    if lock:
        lock_animals(session, feeds)
    buckets = [
        Filled(
            key,
            animals_of(first),
            tuple(dict.fromkeys(species for species, _ in fish[key])),
            first.number,
            rules.free_of_thiaminase(fish[key]),
        )
        for key, (first, *_) in enumerate(by_feed)
        if key in fish
    ]
    found: dict[int, list[Put]] = defaultdict(list)
    waiting: list[Waits] = []
    before = filling.before_on(session, view.id, day, omitted=True)
    for each in rules.put_in(filling.ordered(session, view.id, day), buckets, before, feeds):
        if isinstance(each, Put):
            found[each.bucket].append(each)
        else:
            waiting.append(each)
    return Pieces(found, waiting, feeds.keys())


def _by_hand(session: Session, order: BucketsIn, at: datetime, by: Actor) -> Made:
    whose = _whose(session, order, by)
    assert order.items is not None and order.feed_at is not None
    found = [
        ledger.batch_by_code(session, item.thaw_batch, by=by, field=f"items.{n}.thaw_batch")
        for n, item in enumerate(order.items)
    ]
    if any(batch.site_id != whose.site_id for batch in found):
        raise Conflict("the animal and the fish belong to different sites", kind="another-site")
    occurred_at = sites.happened_at(session, whose.site_id, order.occurred_at, now=at)
    view = sites.view(session, whose.site_id, at=occurred_at)
    day = view.day_of(order.feed_at)
    in_it = {batch.id: item.mass.grams for batch, item in zip(found, order.items, strict=True)}
    judged, batches = judged_fish(session, view, found, in_it, feed_at=order.feed_at, at=at)
    species = [b.lot.species_code for b in batches]
    tested = filling.tested(session, {b.lot.id or 0 for b in batches}, day)
    free = rules.free_of_thiaminase(
        (b.lot.species_code, tested.get(b.lot.id or 0)) for b in batches
    )
    best = rules.best_fish(species, free)
    mine = _animals_of(session, whose, order.feed_at)
    if order.carries:
        lock_animals(session, mine)
    before = filling.before_on(session, view.id, day)
    said = [
        replace(each, fish=each.fish or best)
        for each in _all_said(session, order.carries, before, day, by)
    ]
    decision = decide(judged, _judged(said, species, free, mine, before, day))
    breaches = site_actions.allow(
        session,
        decision,
        order,
        site=view,
        subject=f"bucket for {whose.code}",
        occurred_at=occurred_at,
        at=at,
        by=by,
    )
    draft = Draft(
        whose.id if isinstance(whose, Animal) else None,
        whose.id if isinstance(whose, AnimalGroup) else None,
        day,
        None,
        order.feed_at,
        order.kind,
        in_it,
        [InIt(s.ordered, s.count, s.batch, s.fish) for s in said],
    )
    made = store(session, view, [draft], at=at, by=by)
    return Made(view, made, (), breaches, decision.noteworthy())


def _whose(session: Session, order: BucketsIn, by: Actor) -> Animal | AnimalGroup:
    if order.animal is not None:
        return animals.animal_by_code(session, order.animal, by=by)
    return animals.group_by_code(session, order.group or "", by=by)


def _animals_of(session: Session, whose: Animal | AnimalGroup, at: datetime) -> frozenset[int]:
    if isinstance(whose, Animal):
        return frozenset({whose.id or 0})
    return filling.members_of(session, [whose.id or 0], at)[whose.id or 0]


def judged_fish(
    session: Session,
    view: SiteView,
    found: Sequence[Batch],
    grams: Mapping[int, int],
    *,
    feed_at: datetime,
    at: datetime,
    but: int | None = None,
) -> tuple[list[Finding], list[BatchView]]:
    """Whether so much of thaw batches may go into a bucket: holds, clocks, what others hold.

    Locks their species. but: a bucket whose own fish does not count.
    """
    species = lots.lots_by_id(session, [batch.lot_id for batch in found]).values()
    lock_species(session, {lot.species_code for lot in species})
    batches = thawing.batch_views(session, found, view.policy, at=at)
    facts = lots.facts(session, [b.lot for b in batches])
    taken = spoken_for(session, [batch.id for batch in found], but=but)
    findings: list[Finding] = []
    for each in batches:
        findings += hold_findings(facts[each.lot.id or 0])
        findings.append(clock_findings(each.facts, view.policy, feed_at, batch=each.batch.code))
        free = each.remaining_g - taken.get(each.batch.id, 0)
        findings += _enough(view, each.batch, grams[each.batch.id], free)
    return findings, batches


def _enough(view: SiteView, batch: Batch, wanted: int, free: int) -> Iterator[Finding]:
    if wanted > free:
        shown, there = view.units.mass_out(wanted), view.units.mass_out(max(0, free))
        yield finding(
            "not-enough-stock",
            "block",
            f"thaw batch {batch.code}: {shown.value:g} {shown.unit} are wanted, "
            f"{there.value:g} {there.unit} are in no other bucket",
            numbers={"wanted_g": wanted, "free_g": max(0, free)},
        )


@dataclass(frozen=True)
class _Said:
    """A piece that somebody puts in by hand, and whether what it is by is in force."""

    ordered: Ordered
    in_force: bool
    animal: str
    count: float
    batch: str | None
    fish: str | None


def _all_said(
    session: Session, pieces: Sequence[PieceIn], before: Mapping[Key, float], day: date, by: Actor
) -> Iterator[_Said]:
    """Pieces in turn; where nobody says how many, what is left of the day's."""
    so_far = dict(before)
    for number, piece in enumerate(pieces):
        each = _said(session, number, piece, so_far, day, by)
        key = each.ordered.key
        so_far[key] = so_far.get(key, 0.0) + each.ordered.used(each.count)
        yield each


def _said(
    session: Session,
    number: int,
    piece: PieceIn,
    before: Mapping[Key, float],
    day: date,
    by: Actor,
) -> _Said:
    """Raises NotFound, Invalid for a product that is not in the plan."""
    where = f"carries.{number}"
    if piece.fish is not None:
        species_by_code(session, piece.fish, field=f"{where}.fish")
    if piece.order is not None:
        order = filling.order_by_id(session, piece.order, by=by, field=f"{where}.order")
        ordered = filling.as_ordered(order)
        in_force = order.from_day <= day <= order.until_day and order.stopped_at is None
    else:
        plan = plan_by_id(session, piece.plan or 0, by=by)
        ordered = _of_plan(plan, piece.product, f"{where}.product")
        standing = standing_on(session, plan.site_id, day, [plan.animal_id])
        in_force = plan.id in {each.id for each in standing}
    animal = session.get_one(Animal, ordered.animal_id).code
    count = piece.count or rules.left_of(ordered, before)
    return _Said(ordered, in_force, animal, count, piece.batch, piece.fish or ordered.fish)


def _of_plan(plan: SupplementPlan, named: str | None, field: str) -> Ordered:
    lines = {line["product"]: line for line in plan.document["supplements"]}
    product = named or (next(iter(lines)) if len(lines) == 1 else "")
    if product not in lines:
        raise Invalid.at(field, f"plan {plan.id} has {', '.join(lines) or 'nothing'}: name one")
    return filling.as_supplement(plan, lines[product])


def _judged(
    pieces: Sequence[_Said],
    species: Sequence[str],
    free: frozenset[str],
    mine: frozenset[int],
    before: Mapping[Key, float],
    day: date,
) -> Iterator[Finding]:
    """Whether pieces may go into a bucket for these animals."""
    so_far = dict(before)
    for each in pieces:
        ordered = each.ordered
        yield from rules.as_ordered(
            ordered,
            each.count,
            each.fish,
            inside=species,
            animal=each.animal,
            in_force=each.in_force and ordered.animal_id in mine,
        )
        yield from rules.not_destroyed(ordered, each.fish, free, each.animal)
        yield from rules.not_again(ordered, each.count, so_far, each.animal, day)
        so_far[ordered.key] = so_far.get(ordered.key, 0) + ordered.used(each.count)


def store(
    session: Session, view: SiteView, drafts: Sequence[Draft], *, at: datetime, by: Actor
) -> list[Bucket]:
    """Buckets with their fish and pieces. Six statements and one audit entry for any number."""
    if not drafts:
        return []
    codes: list[str] = []
    for day in dict.fromkeys(draft.day for draft in drafts):
        many = sum(draft.day == day for draft in drafts)
        codes += next_codes(session, f"B{day:%y%m%d}", 3, many)
    rows = [
        {
            "code": code,
            "site_id": view.id,
            "animal_id": draft.animal_id,
            "group_id": draft.group_id,
            "day": draft.day,
            "number": draft.number,
            "feed_at": draft.feed_at,
            "kind": draft.kind,
            "recorded_at": at,
            "by": by.name,
        }
        for code, draft in zip(codes, drafts, strict=True)
    ]
    session.execute(insert(Bucket), rows)
    made = buckets_by_code(session, codes)
    pairs = list(zip(made, drafts, strict=True))
    session.add_all(row for bucket, draft in pairs for row in _contents(bucket, draft))
    session.flush()
    audit.note(
        session,
        by,
        "buckets made",
        made[0].code if len(made) == 1 else f"{len(made)} buckets",
        at=at,
        site_id=view.id,
        after=[[bucket.code, list(draft.items.items())] for bucket, draft in pairs],
        detail={"first": made[0].code, "last": made[-1].code},
    )
    return made


def _contents(bucket: Bucket, draft: Draft) -> Iterator[BucketItem | BucketPiece]:
    for number, (batch_id, grams) in enumerate(draft.items.items(), start=1):
        yield BucketItem(
            bucket_id=bucket.id or 0, thaw_batch_id=batch_id, number=number, planned_g=grams
        )
    for number, piece in enumerate(draft.pieces, start=1):
        supplement = piece.ordered.kind is PieceKind.SUPPLEMENT
        yield BucketPiece(
            bucket_id=bucket.id or 0,
            number=number,
            animal_id=piece.ordered.animal_id,
            plan_id=piece.ordered.number if supplement else None,
            order_id=None if supplement else piece.ordered.number,
            item=piece.ordered.item,
            count=piece.count,
            batch=piece.batch,
            fish=piece.fish,
        )
