"""Making a sheet: every feed of a day, from its buckets and from what the animals are to get."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlmodel import Session

from service.animals.models import Animal, AnimalGroup
from service.animals.queries import fasts_on
from service.buckets.actions.making import Pieces, pieces_for
from service.buckets.queries import views as buckets
from service.buckets.queries.views import Asked, BucketView
from service.buckets.rules.pieces import Waits
from service.buckets.rules.states import BucketState
from service.diets.queries.need import Portion, portions
from service.fallback import queries
from service.fallback.models import FallbackSheet
from service.fallback.rules.lines import ByHand, FishDue, Line, PieceDue, as_document, in_order
from service.fallback.schemas import SheetIn
from service.ledger import queries as ledger
from service.lots.actions import next_codes
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.supplements.rules.placement import on_day
from service.thawing import queries as thawing

MOST_BUCKETS = 10_000


def make(session: Session, order: SheetIn, *, at: datetime, by: Actor) -> FallbackSheet:
    """The sheet of a day: the newest, unless something on it has changed since."""
    site = sites.site_or_only(session, order.site, by=by)
    return make_for(session, sites.view_of(session, site, at=at), order.day, at=at, by=by)


def make_for(
    session: Session, view: SiteView, day: date, *, at: datetime, by: Actor
) -> FallbackSheet:
    """The sheet of a day of a site. Some thirty queries, whatever stands on it."""
    document = _document(session, view, day, at)
    last = queries.newest(session, view.id, day)
    if last is not None and last.document == document:
        return last
    sheet = FallbackSheet(
        code=next_codes(session, f"S{day:%y%m%d}", 2, 1)[0],
        site_id=view.id,
        day=day,
        document=document,
        recorded_at=at,
        by=by.name,
    )
    session.add(sheet)
    session.flush()
    audit.note(
        session,
        by,
        "fallback sheet made",
        sheet.code,
        at=at,
        site_id=view.id,
        after=document,
        detail={"day": str(day), "lines": len(document["lines"])},
    )
    return sheet


def _document(session: Session, view: SiteView, day: date, at: datetime) -> dict[str, Any]:
    due = due_on(session, view, day)
    batches = list(_batches(session, view, at))
    return as_document(due.lines, due.by_hand, fasting=due.fasting, batches=batches)


@dataclass(frozen=True)
class Due:
    """What is still to be fed on a day, what is given by hand, and who fasts and why, by code."""

    lines: Sequence[Line]
    by_hand: Sequence[ByHand]
    fasting: Mapping[str, str]


def due_on(session: Session, view: SiteView, day: date) -> Due:
    """What is still to be fed on a day: open buckets, and feeds that have none.

    A feed that was recorded without a bucket stands here still.
    """
    known = _Known(
        queries.animals_of(session, view.id),
        queries.groups_of(session, view.id),
        queries.stations(session, view.id, view.start_of(day)),
    )
    made = _buckets(session, view, day)
    wanted = portions(session, view, day)
    planned = list(_without_bucket(wanted, made))
    # Nobody knows yet which lots these feeds will be of: their species decides.
    fish = {key: [(p.species, None) for p in feed] for key, feed in enumerate(planned)}
    pieces = pieces_for(session, view, day, wanted, planned, fish)
    lines = [known.of_bucket(it, _not_in(it, wanted)) for it in made if it.state in _STILL_DUE]
    for key, feed in enumerate(planned):
        due = [
            PieceDue(
                n,
                put.ordered.animal_id,
                known.animals[put.ordered.animal_id].code,
                put.ordered.kind,
                put.ordered.number,
                put.ordered.item,
                put.count,
                put.fish,
                put.meant,
            )
            for n, put in enumerate(pieces.put.get(key, ()), start=1)
        ]
        lines.append(known.of_portions(feed, due))
    fasting = {
        known.animals[animal].code: fast.reason
        for animal, fast in fasts_on(session, view.id, day).items()
    }
    by_hand = [known.by_hand(each, view, day) for each in _due_by_hand(pieces)]
    return Due(in_order(lines), by_hand, fasting)


def _due_by_hand(pieces: Pieces) -> Iterator[Waits]:
    """What is in no fish, of animals that are fed at all on the day."""
    return (each for each in pieces.waiting if each.ordered.animal_id in pieces.fed)


_STILL_DUE = (BucketState.PLANNED, BucketState.WEIGHED_OUT)


def _buckets(session: Session, view: SiteView, day: date) -> list[BucketView]:
    found = buckets.buckets(session, Asked([view.id], day), limit=MOST_BUCKETS)
    gone = (BucketState.CANCELLED, BucketState.DISCARDED)
    return [it for it in buckets.views(session, found) if it.state not in gone]


def _without_bucket(
    due: Sequence[Portion], made: Sequence[BucketView]
) -> Iterator[Sequence[Portion]]:
    """The portions of each feed that has no bucket yet."""
    served = {(it.bucket.animal_id, it.bucket.group_id, it.bucket.number) for it in made}
    feeds: dict[tuple[datetime, int, int, int], list[Portion]] = defaultdict(list)
    for p in due:
        if (p.animal_id, p.group_id, p.number) not in served:
            feeds[p.feed_at, p.animal_id or 0, p.group_id or 0, p.number].append(p)
    for key in sorted(feeds):
        yield feeds[key]


def _not_in(it: BucketView, wanted: Sequence[Portion]) -> list[FishDue]:
    """Fish that is due at a bucket's feed, of species that are not in it: none was thawed yet."""
    key = (it.bucket.animal_id, it.bucket.group_id, it.bucket.number)
    inside = {fish.species for fish in it.fish}
    return [
        FishDue(p.species, p.grams)
        for p in wanted
        if (p.animal_id, p.group_id, p.number) == key and p.species not in inside
    ]


def _batches(session: Session, view: SiteView, at: datetime) -> Iterator[dict[str, object]]:
    """Thawed fish at hand: a sheet must say until when it may be fed."""
    open_ = ledger.batches(session, [view.id], open_only=True, limit=None, after_id=0)
    for each in thawing.batch_views(session, open_, view.policy, at=at):
        yield {
            "code": each.batch.code,
            "species": each.lot.species_code,
            "lot": each.lot.code,
            "place": each.place.code if each.place else "",
            "grams": each.remaining_g,
            "discard_after": each.discard_after(view.policy).isoformat(),
        }


def _how(each: Waits) -> str:
    """In the plan's words where they hold; else that no fish here is fit for thiamine."""
    part, ordered = each.part, each.ordered
    if part.how is not None and (ordered.apart or not ordered.thiamine):
        return part.how
    if ordered.thiamine:
        return (
            "apart from this fish, which may carry thiaminase: by hand in one small fish, 2 h "
            "before the feed"
        )
    return "in no bucket of this day: by hand"


@dataclass(frozen=True)
class _Known:
    """Animals, groups and stations by number, to put names to lines."""

    animals: Mapping[int, Animal]
    groups: Mapping[int, AnimalGroup]
    stations: Mapping[int, str]

    def of_bucket(self, it: BucketView, missing: Sequence[FishDue]) -> Line:
        """The line of a bucket that is made, with the fish that is not in it yet."""
        bucket = it.bucket
        whose = self._whose(bucket.animal_id, bucket.group_id)
        return Line(
            bucket.feed_at,
            bucket.animal_id,
            bucket.group_id,
            whose.code,
            whose.name,
            self.stations.get(bucket.animal_id or 0),
            bucket.number,
            bucket.kind,
            bucket.code,
            (*(FishDue(f.species, f.grams, f.thaw_batch) for f in it.fish), *missing),
            tuple(
                PieceDue(
                    p.piece.number,
                    p.piece.animal_id,
                    p.animal,
                    p.kind,
                    p.piece.plan_id or p.piece.order_id or 0,
                    p.piece.item,
                    p.piece.count,
                    p.piece.fish,
                )
                for p in it.pieces
            ),
        )

    def of_portions(self, feed: Sequence[Portion], pieces: Sequence[PieceDue]) -> Line:
        """The line of a feed without a bucket."""
        first = feed[0]
        whose = self._whose(first.animal_id, first.group_id)
        return Line(
            first.feed_at,
            first.animal_id,
            first.group_id,
            whose.code,
            whose.name,
            self.stations.get(first.animal_id or 0),
            first.number,
            first.kind,
            None,
            tuple(FishDue(p.species, p.grams) for p in feed),
            tuple(pieces),
        )

    def by_hand(self, each: Waits, view: SiteView, day: date) -> ByHand:
        """Pieces that are in no fish; apart from feeds at the hour of their order's first day."""
        part, ordered = each.part, each.ordered
        animal = self.animals[ordered.animal_id]
        return ByHand(
            animal.code,
            animal.name,
            ordered.number,
            ordered.item,
            each.count,
            on_day(part.at, day, view.zone) if part.at is not None and part.feed is None else None,
            _how(each),
        )

    def _whose(self, animal_id: int | None, group_id: int | None) -> Animal | AnimalGroup:
        return self.animals[animal_id] if animal_id is not None else self.groups[group_id or 0]
