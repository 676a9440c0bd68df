"""Buckets and medication orders as they are shown, and the words of a bucket's label."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from sqlmodel import Session

from service.animals.models import Animal, AnimalGroup
from service.buckets.models import Bucket, MedicationOrder
from service.buckets.queries.views import BucketView
from service.buckets.rules.states import OutOfCold, feed_by, out_of_cold, where_at
from service.buckets.schemas import (
    BucketItemOut,
    BucketOut,
    MedicationOut,
    OutOfColdOut,
    PieceOut,
)
from service.catalogue.rules import species_facts
from service.database import rows_where_in
from service.errors import Invalid
from service.feeding.rules import FeedKind
from service.http.bodies import decode_cursor, encode_cursor
from service.labels.rules.printing import LabelText, Last
from service.ledger import queries as ledger
from service.ledger.models import ThawBatch
from service.site.queries import SiteView
from service.thawing import queries as thawing

MOST_PIECES = 2  # on a label; more are counted


def bucket_out(it: BucketView, view: SiteView, at: datetime) -> BucketOut:
    """A bucket as it is shown."""
    bucket, units = it.bucket, view.units
    return BucketOut(
        code=bucket.code,
        animal=it.animal,
        group=it.group,
        day=bucket.day,
        number=bucket.number,
        feed_at=bucket.feed_at,
        kind=FeedKind(bucket.kind),
        state=it.state,
        items=[
            BucketItemOut(
                thaw_batch=f.thaw_batch,
                lot=f.lot,
                species=f.species,
                planned=units.mass_out(f.item.planned_g),
                weighed=None if f.item.weighed_g is None else units.mass_out(f.item.weighed_g),
            )
            for f in it.fish
        ],
        mass=units.mass_out(sum(f.grams for f in it.fish)),
        tare=None if bucket.tare_g is None else units.mass_out(bucket.tare_g),
        carries=[
            PieceOut(
                number=p.piece.number,
                animal=p.animal,
                kind=p.kind,
                item=p.piece.item,
                count=p.piece.count,
                batch=p.piece.batch,
                fish=p.piece.fish,
                plan=p.piece.plan_id,
                order=p.piece.order_id,
                outcome=p.outcome,
            )
            for p in it.pieces
        ],
        medicated=it.medicated,
        out_of_cold=_out_of_cold(it, view, at),
        feed=it.feed_id,
        by=bucket.by,
    )


def _out_of_cold(it: BucketView, view: SiteView, at: datetime) -> OutOfColdOut:
    until = it.ended_at or at
    spent: OutOfCold = out_of_cold(it.events, until)
    hour = timedelta(hours=1)
    return OutOfColdOut(
        where=where_at(it.events, until),
        out_h=round(spent.out / hour, 3),
        iced_h=round(spent.iced / hour, 3),
        used=round(spent.used(view.policy), 3),
        feed_by=None if it.ended_at else feed_by(it.events, at, view.policy),
    )


def cursor_after(bucket: Bucket) -> str:
    """Where a list of buckets goes on after this one."""
    return encode_cursor(bucket.feed_at.isoformat(), bucket.id or 0)


def after_cursor(cursor: str) -> tuple[datetime, int]:
    """What `cursor_after` stands for. Raises Invalid for a cursor that no list has given."""
    said, number = decode_cursor(cursor, str, int)
    try:
        at = datetime.fromisoformat(str(said))
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise Invalid.at("cursor", "this is not a cursor that this list has given")
    return at, int(number)


def order_out(order: MedicationOrder, animal: str) -> MedicationOut:
    """A vet's order as it is shown."""
    return MedicationOut(
        id=order.id or 0,
        animal=animal,
        item=order.item,
        count=order.count,
        feeds_per_day=order.feeds_per_day,
        fish=order.fish,
        from_day=order.from_day,
        until_day=order.until_day,
        instructions=order.instructions,
        ordered_by=order.by,
        ordered_at=order.recorded_at,
        stopped_at=order.stopped_at,
        stopped_by=order.stopped_by,
        stopped_reason=order.stopped_reason,
    )


def labels(
    session: Session, found: Sequence[BucketView], view: SiteView, at: datetime
) -> list[LabelText]:
    """A label of each bucket of a site. About fourteen queries for any number."""
    ids = {f.item.thaw_batch_id for it in found for f in it.fish}
    rows = session.execute(rows_where_in(ThawBatch.id), {"keys": list(ids)}).scalars()
    batches = [ledger.batch_of(row) for row in rows]
    ends = {
        b.batch.id: b.discard_after(view.policy)
        for b in thawing.batch_views(session, batches, view.policy, at=at)
    }
    names = names_of(session, found)
    return [
        _label(
            it,
            view,
            min((ends[f.item.thaw_batch_id] for f in it.fish), default=None),
            names[it.bucket.code],
        )
        for it in found
    ]


def names_of(session: Session, found: Sequence[BucketView]) -> Mapping[str, str]:
    """Whose these buckets are, by name, for each bucket's code. Two queries for any number."""
    names = {
        (model, row.id): row.name
        for model, ids in (
            (Animal, {it.bucket.animal_id for it in found}),
            (AnimalGroup, {it.bucket.group_id for it in found}),
        )
        for row in session.execute(rows_where_in(model.id), {"keys": list(ids - {None})}).scalars()
    }
    return {
        it.bucket.code: names[
            (AnimalGroup, it.bucket.group_id)
            if it.bucket.animal_id is None
            else (Animal, it.bucket.animal_id)
        ]
        for it in found
    }


def _label(it: BucketView, view: SiteView, ends_at: datetime | None, name: str) -> LabelText:
    feed_at = it.bucket.feed_at.astimezone(view.zone)
    rows = [("Feed", f"{feed_at:%a %Y-%m-%d %H:%M}")]
    for fish in it.fish:
        shown = view.units.mass_out(fish.grams)
        kind = species_facts()[fish.species].name
        rows.append((fish.species, f"{shown.value:g} {shown.unit} {kind}"))
    rows += [(p.animal, f"{p.piece.count:g} × {p.piece.item}") for p in it.pieces[:MOST_PIECES]]
    if len(it.pieces) > MOST_PIECES:
        rows.append(("and", f"{len(it.pieces) - MOST_PIECES} more: see the sheet"))
    ends = "not known" if ends_at is None else f"{ends_at.astimezone(view.zone):%a %Y-%m-%d %H:%M}"
    return LabelText(
        kind="Bucket",
        code=it.bucket.code,
        name=f"{name} ({it.whose})",
        rows=tuple(rows),
        last=Last("Feed by", ends, "leftovers are discarded"),
        warning=f"MEDICATION – for {_only(it)} only" if it.medicated else None,
    )


def _only(it: BucketView) -> str:
    """For whom the medicine is."""
    return ", ".join(dict.fromkeys(p.animal for p in it.pieces if p.piece.order_id is not None))
