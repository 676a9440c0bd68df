"""Buckets, what became of the pieces in them, and medication orders."""

from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from sqlmodel import Session

from service.animals import queries as animals
from service.animals.models import Animal
from service.buckets.actions import making, ordering, outcomes, weighing
from service.buckets.actions.handling import Done
from service.buckets.actions.making import NoFish
from service.buckets.models import Bucket
from service.buckets.queries import filling, shown
from service.buckets.queries import views as queries
from service.buckets.queries.views import Asked
from service.buckets.schemas import (
    BucketDone,
    BucketOut,
    BucketsIn,
    BucketsOut,
    EndIn,
    MedicationIn,
    MedicationOut,
    NoFishOut,
    OutcomesIn,
    StayIn,
    WeighBackIn,
    WeighOutIn,
)
from service.errors import Invalid
from service.http.bodies import (
    Code,
    Cursor,
    Day,
    Limit,
    Number,
    Page,
    decode_cursor,
    encode_cursor,
)
from service.http.sessions import Behind, Now, ReadSession, WriteSession
from service.labels.actions.drawing import draw
from service.labels.rules.printing import LabelText, Paper, Picture, chosen_picture, sheet
from service.security.guard import (
    MayFeed,
    MayGiveSupplements,
    MayLook,
    MayOrderMedication,
    MayTendThaw,
    guarded_router,
)
from service.site import queries as sites
from service.site.queries import SiteView

buckets: APIRouter = guarded_router("/buckets", "buckets")
medication: APIRouter = guarded_router("/medication-orders", "buckets")
routers = (buckets, medication)

_DRAWN: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The label, drawn.",
        "content": {
            picture.media_type: {"schema": {"type": "string", "format": "binary"}}
            for picture in Picture
        },
    }
}
MOST_LABELS = 500
Format = Annotated[
    Picture | None,
    Query(alias="format", description="Left out: what Accept asks for first, else a PDF."),
]
Width = Annotated[float, Query(alias="width_mm", ge=40, le=300, allow_inf_nan=False)]
Height = Annotated[float, Query(alias="height_mm", ge=24, le=300, allow_inf_nan=False)]


@buckets.post("", status_code=201)
def make_buckets(order: BucketsIn, session: WriteSession, at: Now, by: MayFeed) -> BucketsOut:
    """Buckets of a day from what the animals are to get, or one by hand."""
    made = making.make(session, order, at=at, by=by)
    return BucketsOut(
        items=[shown.bucket_out(it, made.view, at) for it in queries.views(session, made.buckets)],
        shortages=[_short(session, each, made.view) for each in made.shortages],
        breaches=list(made.breaches),
        findings=list(made.findings),
    )


def _short(session: Session, each: NoFish, view: SiteView) -> NoFishOut:
    animal, group = queries.whose(session, each.animal_id, each.group_id)
    return NoFishOut(
        animal=animal,
        group=group,
        feed_at=each.feed_at,
        species=each.species,
        mass=view.units.mass_out(each.grams),
    )


@buckets.get("")
def list_buckets(
    session: ReadSession,
    at: Now,
    by: MayLook,
    day: Day | None = None,
    animal: Code | None = None,
    group: Code | None = None,
    open_: Annotated[bool, Query(alias="open", description="Neither fed nor given up.")] = False,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[BucketOut]:
    """Buckets in the order of their feeds."""
    seen = {site.id or 0: site for site in sites.sites(session, by=by)}
    asked = Asked(
        list(seen),
        day,
        animals.animal_by_code(session, animal, by=by).id if animal else None,
        animals.group_by_code(session, group, by=by).id if group else None,
        open_,
    )
    after = shown.after_cursor(cursor) if cursor is not None else None
    found = queries.buckets(session, asked, limit=limit + 1, after=after)
    views = {
        site_id: sites.view_of(session, seen[site_id], at=at)
        for site_id in dict.fromkeys(b.site_id for b in found)
    }
    last = found[limit - 1] if len(found) > limit else None
    return Page(
        items=[
            shown.bucket_out(it, views[it.bucket.site_id], at)
            for it in queries.views(session, found[:limit])
        ],
        next=shown.cursor_after(last) if last else None,
    )


@buckets.get("/labels", response_class=Response, responses=_DRAWN)
def bucket_labels(
    request: Request,
    session: ReadSession,
    at: Now,
    by: MayLook,
    day: Day,
    site: Code | None = None,
    columns: Annotated[int, Query(ge=1, le=5)] = 2,
    rows: Annotated[int, Query(ge=1, le=15)] = 4,
    picture: Format = None,
) -> Response:
    """Labels of the open buckets of a day on A4. As PNG or SVG only the first sheet."""
    named = sites.site_or_only(session, site, by=by)
    view = sites.view_of(session, named, at=at)
    asked = Asked([view.id], day, open_only=True)
    found = queries.buckets(session, asked, limit=MOST_LABELS + 1)
    if not 1 <= len(found) <= MOST_LABELS:
        raise Invalid.at("day", f"{len(found)} open buckets: 1 to {MOST_LABELS} are drawn at once")
    texts = shown.labels(session, queries.views(session, found), view, at)
    return _drawn(texts, sheet(columns, rows), request, picture)


@buckets.get("/{bucket}")
def get_bucket(bucket: str, session: ReadSession, at: Now, by: MayLook) -> BucketOut:
    """One bucket, how long it has been out of the cold, and until when it may stay there."""
    found = queries.bucket_by_code(session, bucket, by=by)
    return shown.bucket_out(queries.view(session, found), _view(session, found, at), at)


@buckets.get("/{bucket}/label", response_class=Response, responses=_DRAWN)
def bucket_label(
    bucket: str,
    request: Request,
    session: ReadSession,
    at: Now,
    by: MayLook,
    picture: Format = None,
    width: Width = 100,
    height: Height = 60,
) -> Response:
    """The label of a bucket: for whom, what is in it, until when it may be fed."""
    found = queries.bucket_by_code(session, bucket, by=by)
    texts = shown.labels(session, [queries.view(session, found)], _view(session, found, at), at)
    return _drawn(texts, Paper.of_one(width, height), request, picture)


def _view(session: Session, bucket: Bucket, at: datetime) -> SiteView:
    return sites.view(session, bucket.site_id, at=at)


def _drawn(
    texts: Sequence[LabelText], paper: Paper, request: Request, asked: Picture | None
) -> Response:
    picture = asked or chosen_picture(request.headers.get("accept", ""))
    drawn = draw(texts, paper, picture)
    return Response(drawn, media_type=picture.media_type, headers={"Vary": "Accept"})


@buckets.post("/{bucket}/weigh-out")
def weigh_out(
    bucket: str, order: WeighOutIn, session: WriteSession, at: Now, by: MayFeed
) -> BucketDone:
    """What is in the bucket, by the scale."""
    return _done(weighing.weigh_out(session, bucket, order, at=at, by=by), at)


@buckets.post("/{bucket}/stays")
def put(bucket: str, stay: StayIn, session: WriteSession, at: Now, by: MayFeed) -> BucketDone:
    """Where it stands from now on: in the cold, under ice, or out."""
    return _done(weighing.put(session, bucket, stay, at=at, by=by), at)


@buckets.post("/{bucket}/weigh-back", status_code=201)
def weigh_back(
    bucket: str, back: WeighBackIn, session: WriteSession, at: Now, by: MayFeed, clock: Behind
) -> BucketDone:
    """It has been fed: what was eaten is what was in it less what is left."""
    return _done(weighing.weigh_back(session, bucket, back, at=at, by=by, clock=clock), at)


@buckets.post("/{bucket}/outcomes", status_code=201)
def record_outcomes(
    bucket: str, said: OutcomesIn, session: WriteSession, at: Now, by: MayGiveSupplements
) -> BucketDone:
    """What became of supplements and medicines in it; the vet is told of what was not taken."""
    return _done(outcomes.record(session, bucket, said, at=at, by=by), at)


@buckets.post("/{bucket}/discard", status_code=201)
def discard(
    bucket: str, order: EndIn, session: WriteSession, at: Now, by: MayTendThaw
) -> BucketDone:
    """All of it is thrown away."""
    return _done(weighing.discard(session, bucket, order, at=at, by=by), at)


@buckets.post("/{bucket}/cancel")
def cancel(bucket: str, order: EndIn, session: WriteSession, at: Now, by: MayFeed) -> BucketDone:
    """It is not needed: its fish is free for others."""
    return _done(weighing.cancel(session, bucket, order, at=at, by=by), at)


def _done(done: Done, at: datetime) -> BucketDone:
    return BucketDone(
        bucket=shown.bucket_out(done.bucket, done.view, at),
        breaches=list(done.breaches),
        findings=list(done.findings),
    )


@medication.post("", status_code=201)
def order_medication(
    order: MedicationIn, session: WriteSession, at: Now, by: MayOrderMedication
) -> MedicationOut:
    """A vet orders medication in an animal's fish."""
    return shown.order_out(*ordering.order(session, order, at=at, by=by))


@medication.get("")
def list_orders(
    session: ReadSession,
    by: MayLook,
    animal: Code | None = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[MedicationOut]:
    """Medication orders, newest first, stopped ones too."""
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    found = filling.orders(
        session,
        sites.sites_seen(session, by=by),
        animal_id=animals.animal_by_code(session, animal, by=by).id if animal else None,
        limit=limit + 1,
        before_id=last,
    )
    more = encode_cursor(found[limit - 1][0].id or 0) if len(found) > limit else None
    return Page(items=[shown.order_out(*each) for each in found[:limit]], next=more)


@medication.post("/{order}/stop")
def stop_medication(
    order: Number, end: EndIn, session: WriteSession, at: Now, by: MayOrderMedication
) -> MedicationOut:
    """A vet stops it: from now on it goes into no bucket."""
    stopped = ordering.stop(session, order, end, at=at, by=by)
    return shown.order_out(stopped, session.get_one(Animal, stopped.animal_id).code)
