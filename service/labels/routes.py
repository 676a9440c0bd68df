"""Labels: what a supplier's says, and ours to print."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response
from pydantic import ValidationError

from service.errors import FieldError, Invalid
from service.http.bodies import Day
from service.http.sessions import Now, ReadSession
from service.labels.actions import drawing, photos, printing, pull_sheet, reading
from service.labels.rules.printing import LabelText, Paper, Picture, chosen_picture, sheet
from service.labels.schemas import LabelOut, LabelTexts
from service.security.guard import MayLook, guarded_router
from service.site import queries as sites
from service.thawing.actions import listing

labels: APIRouter = guarded_router("/labels", "labels")
lots: APIRouter = guarded_router("/lots", "labels")
batches: APIRouter = guarded_router("/thaw-batches", "labels")
pull_list: APIRouter = guarded_router("/pull-list", "labels")
routers = (labels, lots, batches, pull_list)

PHOTOS = ("image/jpeg", "image/png", "image/webp")
_READ_BODY = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {"schema": LabelTexts.model_json_schema()},
            **{kind: {"schema": {"type": "string", "format": "binary"}} for kind in PHOTOS},
        },
    }
}

_DRAWN: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The label, drawn.",
        "content": {
            picture.media_type: {"schema": {"type": "string", "format": "binary"}}
            for picture in Picture
        },
    }
}
MOST_CODES = 200
MOST_LABELS = 500

Format = Annotated[
    Picture | None,
    Query(alias="format", description="Left out: what Accept asks for first, else a PDF."),
]
Width = Annotated[float, Query(alias="width_mm", ge=40, le=300, allow_inf_nan=False)]
Height = Annotated[float, Query(alias="height_mm", ge=24, le=300, allow_inf_nan=False)]
Codes = Annotated[
    list[str],
    Query(max_length=MOST_CODES, description="Codes, each by itself or with commas between."),
]


@labels.post("/read", openapi_extra=_READ_BODY)
def read_label(request: Request, session: ReadSession, at: Now, by: MayLook) -> LabelOut:
    """What a label says: texts of its codes as JSON, or a photo. Nothing is stored."""
    said = request.headers.get("content-type", "")
    kind = said.split(";", maxsplit=1)[0].strip().lower()
    body: bytes = request.state.body
    if kind in PHOTOS:
        return reading.read_barcodes(session, photos.barcodes(body), at=at, by=by)
    if kind in ("", "application/json"):
        return reading.read_texts(session, _texts(body), at=at, by=by)
    raise Invalid.at("Content-Type", f"send application/json, {', '.join(PHOTOS)}")


def _texts(body: bytes) -> LabelTexts:
    try:
        return LabelTexts.model_validate_json(body)
    except ValidationError as error:
        found = [
            FieldError(
                ".".join(str(part) for part in each["loc"]) or "body",
                each["msg"].removeprefix("Value error, "),
            )
            for each in error.errors(include_url=False)
        ]
        sentence = "; ".join(f"{e.field}: {e.message}" for e in found[:5])
        raise Invalid(sentence, errors=found) from error


@lots.get("/{lot}/label", response_class=Response, responses=_DRAWN)
def lot_label(
    lot: str,
    request: Request,
    session: ReadSession,
    at: Now,
    by: MayLook,
    picture: Format = None,
    width: Width = 100,
    height: Height = 60,
) -> Response:
    """The label of a lot's cartons: its code to scan and to read, and the last day to use it."""
    texts = printing.lot_labels(session, [lot], at=at, by=by)
    return _drawn(texts, Paper.of_one(width, height), request, picture)


@batches.get("/{thaw_batch}/label", response_class=Response, responses=_DRAWN)
def batch_label(
    thaw_batch: str,
    request: Request,
    session: ReadSession,
    at: Now,
    by: MayLook,
    picture: Format = None,
    width: Width = 100,
    height: Height = 60,
) -> Response:
    """The label of a thaw batch: its code, and the instant after which it is discarded."""
    texts = printing.batch_labels(session, [thaw_batch], at=at, by=by)
    return _drawn(texts, Paper.of_one(width, height), request, picture)


@labels.get("/sheet", response_class=Response, responses=_DRAWN)
def label_sheet(
    request: Request,
    session: ReadSession,
    at: Now,
    by: MayLook,
    lots: Codes = [],  # noqa: B006 - FastAPI copies defaults
    thaw_batches: Codes = [],  # noqa: B006
    columns: Annotated[int, Query(ge=1, le=5)] = 2,
    rows: Annotated[int, Query(ge=1, le=15)] = 4,
    copies: Annotated[int, Query(ge=1, le=100, description="Of each label.")] = 1,
    picture: Format = None,
) -> Response:
    """Labels on A4, in rows and columns. As PNG or SVG only the first sheet."""
    chosen = _split(lots), _split(thaw_batches)
    count = copies * sum(map(len, chosen))
    if not 1 <= count <= MOST_LABELS:
        raise Invalid.at("lots", f"name lots or thaw_batches for 1 to {MOST_LABELS} labels")
    texts = printing.lot_labels(session, chosen[0], at=at, by=by, field="lots")
    texts += printing.batch_labels(session, chosen[1], at=at, by=by, field="thaw_batches")
    repeated = [text for text in texts for _ in range(copies)]
    return _drawn(repeated, sheet(columns, rows), request, picture)


_PDF: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/pdf": {}}, "description": "The list, to print."}
}


@pull_list.get("/sheet", response_class=Response, responses=_PDF)
def pull_list_sheet(
    session: ReadSession,
    at: Now,
    by: MayLook,
    day: Annotated[Day, Query(description="The day on which the fish is fed.")],
    site: Annotated[str | None, Query(description="Left out: the only site.")] = None,
) -> Response:
    """A day's pull list on paper; the code on each line scans to the lot of its cartons."""
    view = sites.view_of(session, sites.site_or_only(session, site, by=by), at=at)
    lines = listing.pull_list(session, view, day, now=at)
    drawn = pull_sheet.draw(lines, view, day=day, at=at)
    headers = {"Content-Disposition": f'inline; filename="pull-list-{day}.pdf"'}
    return Response(drawn, media_type="application/pdf", headers=headers)


def _split(said: list[str]) -> list[str]:
    return [code.strip() for each in said for code in each.split(",") if code.strip()]


def _drawn(
    texts: list[LabelText], paper: Paper, request: Request, asked: Picture | None
) -> Response:
    picture = asked or chosen_picture(request.headers.get("accept", ""))
    drawn = drawing.draw(texts, paper, picture)
    return Response(drawn, media_type=picture.media_type, headers={"Vary": "Accept"})
