"""Sheets on paper, and entering what was written on them."""

from typing import Any

from fastapi import APIRouter, Response
from sqlmodel import Session

from service.fallback import queries
from service.fallback.actions import drawing, entering, making
from service.fallback.models import FallbackSheet
from service.fallback.schemas import (
    ByHandOut,
    EntriesIn,
    EntriesOut,
    FishDueOut,
    LineOut,
    PieceDueOut,
    SheetIn,
    SheetOut,
    SheetShort,
)
from service.http.bodies import Cursor, Day, Limit, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.quantities import Units
from service.security.guard import MayFeed, MayLook, guarded_router
from service.site import queries as sites

router: APIRouter = guarded_router("/fallback-sheets", "fallback")

_PAPER: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The sheet, drawn.",
        "content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}},
    }
}


@router.post("", status_code=201)
def make_sheet(order: SheetIn, session: WriteSession, at: Now, by: MayFeed) -> SheetOut:
    """The sheet of a day. Where nothing has changed since the newest, it is that one."""
    sheet = making.make(session, order, at=at, by=by)
    return _shown(session, sheet, sites.view(session, sheet.site_id, at=at).units)


@router.get("")
def list_sheets(
    session: ReadSession,
    by: MayLook,
    day: Day | None = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[SheetShort]:
    """Sheets, newest first, with how many of their lines came back."""
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    seen = sites.sites_seen(session, by=by)
    found = queries.sheets(session, seen, day=day, limit=limit + 1, before=last)
    return Page(
        items=[
            SheetShort(
                code=sheet.code,
                day=sheet.day,
                recorded_at=sheet.recorded_at,
                by=sheet.by,
                lines=len(sheet.document["lines"]),
                entered=entered,
            )
            for sheet, entered in found[:limit]
        ],
        next=encode_cursor(found[limit - 1][0].id or 0) if len(found) > limit else None,
    )


@router.get("/{sheet}")
def get_sheet(sheet: str, session: ReadSession, at: Now, by: MayLook) -> SheetOut:
    """A sheet as it was printed, and which of its lines were entered."""
    found = queries.sheet_by_code(session, sheet, by=by)
    return _shown(session, found, sites.view(session, found.site_id, at=at).units)


@router.get("/{sheet}/paper", response_class=Response, responses=_PAPER)
def sheet_on_paper(sheet: str, session: ReadSession, at: Now, by: MayLook) -> Response:
    """The sheet as a PDF, to print."""
    found = queries.sheet_by_code(session, sheet, by=by)
    view = sites.view(session, found.site_id, at=at)
    name = {"Content-Disposition": f'inline; filename="{found.code}.pdf"'}
    drawn = drawing.draw(session, found, view)
    return Response(drawn, media_type="application/pdf", headers=name)


@router.post("/{sheet}/entries", status_code=201)
def enter_lines(
    sheet: str, sent: EntriesIn, session: WriteSession, at: Now, by: MayFeed
) -> EntriesOut:
    """What was written on lines of a sheet. A line that was recorded before is only reported."""
    return entering.enter(session, sheet, sent, at=at, by=by)


def _shown(session: Session, sheet: FallbackSheet, units: Units) -> SheetOut:
    entered = queries.entries(session, sheet.id or 0)
    return SheetOut(
        code=sheet.code,
        day=sheet.day,
        recorded_at=sheet.recorded_at,
        by=sheet.by,
        lines=[_line(line, units, line["line"] in entered) for line in sheet.document["lines"]],
        by_hand=[ByHandOut.model_validate(each) for each in sheet.document.get("by_hand", ())],
        fasting=sheet.document["fasting"],
    )


def _line(line: dict[str, Any], units: Units, entered: bool) -> LineOut:
    return LineOut(
        line=line["line"],
        feed_at=line["feed_at"],
        animal=line["whose"] if line["animal_id"] else None,
        group=line["whose"] if line["group_id"] else None,
        name=line["name"],
        station=line["station"],
        bucket=line["bucket"],
        fish=[
            FishDueOut(
                species=each["species"],
                mass=units.mass_out(each["grams"]),
                thaw_batch=each["thaw_batch"],
            )
            for each in line["fish"]
        ],
        carries=[PieceDueOut.model_validate(piece) for piece in line["pieces"]],
        entered=entered,
    )
