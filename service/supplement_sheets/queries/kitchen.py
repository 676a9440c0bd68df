"""What the kitchen puts into fish on a day: by buckets where they are made, else by orders."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal
from service.buckets.queries import views as buckets
from service.buckets.queries.views import Asked, BucketView, Piece
from service.buckets.rules.pieces import PieceKind
from service.buckets.rules.states import BucketState
from service.catalogue.rules import species_facts
from service.database import rows_where_in
from service.diets.queries.day_of_site import not_fed
from service.diets.queries.need import Share, shares_of
from service.security.actor import Actor
from service.site.models import Site
from service.site.queries import SiteView
from service.supplement_sheets.rules import (
    Due,
    in_reading_order,
    left_of,
    same_pieces,
    still_due,
    time_of,
)
from service.supplement_sheets.schemas import (
    BlockOut,
    FishOut,
    KitchenSheetOut,
    PieceOut,
    WaitingOut,
    WaitingPieceOut,
)
from service.supplements.actions.writing import plan_out
from service.supplements.models import SupplementPlan
from service.supplements.queries import standing
from service.supplements.rules import CAUTIONS
from service.supplements.schemas import PlannedSupplement, PlanOut

MOST_BUCKETS = 10_000
_GONE = (BucketState.CANCELLED, BucketState.DISCARDED)


@dataclass(frozen=True)
class Order:
    """A plan with whom it is for."""

    stored: SupplementPlan
    plan: PlanOut
    animal: Animal

    @property
    def pieces(self) -> dict[str, float]:
        """How many of each product."""
        return {each.product: each.count for each in self.plan.supplements}


def orders_on(
    session: Session, view: SiteView, day: date, *, at: datetime, animal: Animal | None = None
) -> tuple[list[Order], list[Order]]:
    """Orders in force on a day, and proposals of other pieces that nobody has signed.

    Of animals that are here and fed on that day. Five queries.
    """
    here = [animal] if animal else animals.present(session, view.id, day)
    fasting = not_fed(session, view, day)
    fed = {a.id: a for a in here if a.id not in fasting}
    signed = [
        Order(plan, plan_out(plan), fed[plan.animal_id])
        for plan in standing.in_force(session, view.id, day)
        if plan.animal_id in fed
    ]
    pieces = {order.animal.id: order.pieces for order in signed}
    proposed = [
        Order(plan, plan_out(plan), fed[plan.animal_id])
        for plan in standing.proposed(session, view.id, day, since=at - standing.SHOWN_FOR)
        if plan.animal_id in fed and plan.day <= day
    ]
    return signed, [o for o in proposed if not same_pieces(o.pieces, pieces.get(o.animal.id, {}))]


def kitchen_sheet(
    session: Session, site: Site, view: SiteView, day: date, *, at: datetime, by: Actor
) -> KitchenSheetOut:
    """A day's pieces in the order of feeding. About twenty queries, whatever the animals."""
    signed, waiting = orders_on(session, view, day, at=at)
    of_day = _Day(session, view, day, signed)
    blocks = sorted(of_day.blocks(), key=_place)
    _mark_done(blocks, of_day.recorded)
    return KitchenSheetOut(
        site=site.code,
        site_name=site.name,
        day=day,
        printed_at=at,
        printed_by=by.name,
        cautions=list(CAUTIONS),
        blocks=blocks,
        not_signed=sorted(map(_waiting, waiting), key=lambda w: w.animal_name.casefold()),
    )


def _place(block: BlockOut) -> tuple[bool, float, str, str]:
    return in_reading_order(block.at, block.name, block.animal or block.group or "")


def _mark_done(blocks: Sequence[BlockOut], recorded: "_Recorded") -> None:
    """Pieces of which it was said what became of them, the earliest of each product first.

    Of a portion that was given in part what waits is left: nobody is to read the whole of it.
    """
    by_product: dict[tuple[str, str], list[PieceOut]] = defaultdict(list)
    for piece in (piece for block in blocks for piece in block.pieces):
        by_product[piece.animal, piece.product].append(piece)
    for key, pieces in by_product.items():
        told = sum(piece.count for piece in pieces if piece.outcome is not None)
        rest = [piece for piece in pieces if piece.outcome is None]
        elsewhere = recorded.counts.get(key, 0.0) - told
        waiting = left_of([piece.count for piece in rest], elsewhere)
        for piece, left in zip(rest, waiting, strict=True):
            piece.done = not left
            piece.count = left or piece.count
        for piece in pieces:
            piece.done = piece.done or piece.outcome is not None


def _waiting(order: Order) -> WaitingOut:
    return WaitingOut(
        animal=order.animal.code,
        animal_name=order.animal.name,
        plan=order.plan.id,
        proposed_by=order.stored.by,
        pieces=[
            WaitingPieceOut(product=s.product, name=s.name, count=s.count, counted_in=s.counted_in)
            for s in order.plan.supplements
        ],
    )


class _Day:
    """A day's orders, feeds and buckets, to be put together."""

    def __init__(
        self, session: Session, view: SiteView, day: date, signed: Sequence[Order]
    ) -> None:
        self.view, self.day, self.signed = view, day, signed
        self.by_plan = {order.plan.id: order for order in signed}
        found = buckets.buckets(session, Asked([view.id], day), limit=MOST_BUCKETS)
        self.buckets = [it for it in buckets.views(session, found) if it.state not in _GONE]
        fasting = not_fed(session, view, day)
        self.inside = {
            it.bucket.id: [
                p
                for p in it.pieces
                if p.kind is PieceKind.SUPPLEMENT and p.piece.animal_id not in fasting
            ]
            for it in self.buckets
        }
        ids = {p.piece.animal_id for pieces in self.inside.values() for p in pieces}
        ids |= {order.stored.animal_id for order in signed}
        self.animals = standing.animals_by_id(session, ids)
        self.recorded = _recorded(session, view, day, self.animals)
        eaters = [order.animal for order in signed]
        self.shares = shares_of(session, view, day, eaters) if eaters else {}
        self.names = _names_of_plans(session, self.inside, self.by_plan)

    def blocks(self) -> Iterator[BlockOut]:
        """Buckets with pieces in them, then what is in no bucket yet."""
        for it in self.buckets:
            if self.inside[it.bucket.id]:
                yield self._bucket(it, self.inside[it.bucket.id])
        placed: dict[tuple[int, str], float] = defaultdict(float)
        for pieces in self.inside.values():
            for p in pieces:
                placed[p.piece.animal_id, p.piece.item] += p.piece.count
        for order in self.signed:
            yield from self._not_in_buckets(order, placed)

    def _bucket(self, it: BucketView, pieces: Sequence[Piece]) -> BlockOut:
        bucket = it.bucket
        return BlockOut(
            at=bucket.feed_at,
            feed=bucket.number,
            bucket=bucket.code,
            state=it.state,
            animal=it.animal,
            group=it.group,
            name=it.whose if it.group else self.animals[bucket.animal_id or 0].name,
            apart=False,
            medicated=it.medicated,
            fish=[self._fish(f.species, f.grams) for f in it.fish],
            pieces=[self._in_bucket(p) for p in pieces],
        )

    def _in_bucket(self, p: Piece) -> PieceOut:
        piece = p.piece
        order = self.by_plan.get(piece.plan_id or 0)
        supplement = self.names.get((piece.plan_id or 0, piece.item))
        # What the order says of this fish, else of pieces apart from feeds: signed words first.
        givings = supplement.givings if supplement else []
        hows = [g.how for g in givings if g.fish == piece.fish]
        hows += [g.how for g in givings if g.fish is None]
        where = f"in the {_name(piece.fish)}, by hand" if piece.fish else "by hand"
        return self._piece(
            self.animals[piece.animal_id],
            piece.item,
            supplement,
            order,
            count=piece.count,
            how=next(iter(hows), where),
            fish=piece.fish,
            batch=piece.batch,
            plan=piece.plan_id or 0,
            outcome=p.outcome,
        )

    def _piece(
        self,
        animal: Animal,
        product: str,
        supplement: PlannedSupplement | None,
        order: Order | None,
        **rest: object,
    ) -> PieceOut:
        batch = rest.pop("batch") or (supplement.batch if supplement else None)
        return PieceOut.model_validate(
            {
                "animal": animal.code,
                "animal_name": animal.name,
                "product": product,
                "name": supplement.name if supplement else product,
                "counted_in": supplement.counted_in if supplement else "piece",
                "batch": batch,
                "signed_by": order.plan.signed_by if order else None,
                "in_force": order is not None,
                "recorded": self.recorded.words.get((animal.code, product), []),
                **rest,
            }
        )

    def _not_in_buckets(
        self, order: Order, placed: Mapping[tuple[int, str], float]
    ) -> Iterator[BlockOut]:
        """A block for each time at which something of an order is due and in no bucket."""
        animal = order.animal
        shares = self.shares.get(animal.id or 0, [])
        feeds = {share.number: share.feed_at for share in reversed(shares)}
        at_once: dict[tuple[datetime | None, int | None], list[PieceOut]] = defaultdict(list)
        for supplement in order.plan.supplements:
            due = [Due(g.count, g.how, g.feed, g.at, g.fish) for g in supplement.givings]
            due = due or [Due(supplement.count, supplement.placement, None, None, None)]
            for each in still_due(due, placed.get((animal.id or 0, supplement.product), 0.0)):
                time = time_of(each, feeds, self.day, self.view.zone)
                number = next((n for n, feed_at in feeds.items() if feed_at == time), None)
                at_once[time, number].append(
                    self._piece(
                        animal,
                        supplement.product,
                        supplement,
                        order,
                        count=each.count,
                        how=each.how,
                        fish=each.fish,
                        batch=None,
                        plan=order.plan.id,
                        outcome=None,
                    )
                )
        for (time, number), pieces in at_once.items():
            yield BlockOut(
                at=time,
                feed=number,
                bucket=None,
                state=None,
                animal=animal.code,
                group=None,
                name=animal.name,
                apart=number is None and time is not None,
                medicated=False,
                fish=self._shares(shares, number),
                pieces=pieces,
            )

    def _shares(self, shares: Sequence[Share], number: int | None) -> list[FishOut]:
        return [self._fish(s.species, s.grams) for s in shares if s.number == number]

    def _fish(self, species: str, grams: int) -> FishOut:
        return FishOut(species=species, name=_name(species), mass=self.view.units.mass_out(grams))


def _name(species: str) -> str:
    facts = species_facts().get(species)
    return facts.name if facts else species


def _names_of_plans(
    session: Session,
    inside: Mapping[int | None, Sequence[Piece]],
    known: Mapping[int, Order],
) -> Mapping[tuple[int, str], PlannedSupplement]:
    """What pieces are called, by plan and product; of orders that have ended too."""
    wanted = {p.piece.plan_id for pieces in inside.values() for p in pieces} - {None}
    ended = [number for number in wanted if number is not None and number not in known]
    plans = [order.plan for order in known.values()]
    if ended:
        rows = session.execute(rows_where_in(SupplementPlan.id), {"keys": ended}).scalars()
        plans += [plan_out(row) for row in rows]
    return {(plan.id, each.product): each for plan in plans for each in plan.supplements}


@dataclass(frozen=True)
class _Recorded:
    """What was recorded of a day already, by codes of animal and product: counts, and words."""

    counts: Mapping[tuple[str, str], float]
    words: Mapping[tuple[str, str], list[str]]


def _recorded(
    session: Session, view: SiteView, day: date, animals_by_id: Mapping[int, Animal]
) -> _Recorded:
    counts: dict[tuple[str, str], float] = defaultdict(float)
    words: dict[tuple[str, str], list[str]] = defaultdict(list)
    for given, product in standing.recorded_on(session, day, animals_by_id):
        key = animals_by_id[given.animal_id].code, product.code
        time = f"{given.occurred_at.astimezone(view.zone):%H:%M}"
        counts[key] += given.count
        words[key].append(
            f"{given.count:g} {given.outcome.replace('_', ' ')} at {time} by {given.by}"
        )
    return _Recorded(counts, words)
