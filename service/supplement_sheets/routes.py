"""The supplement sheets of a day: as JSON, as a table, and on paper."""

from collections.abc import Callable, Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel

from service.animals import queries as animals
from service.errors import Invalid
from service.http.bodies import Code, Day
from service.http.sessions import Now, ReadSession
from service.http.tables import as_csv
from service.security.guard import MayLook, guarded_router
from service.site import queries as sites
from service.site.models import Site
from service.supplement_sheets.actions import drawing
from service.supplement_sheets.queries.kitchen import kitchen_sheet
from service.supplement_sheets.queries.rows import kitchen_rows, vet_rows
from service.supplement_sheets.queries.vet import vet_sheet
from service.supplement_sheets.rules import Paper, chosen_paper
from service.supplement_sheets.schemas import KitchenSheetOut, SheetHead, VetSheetOut

router: APIRouter = guarded_router("/supplement-sheets", "supplements")


def _answers(sheet: type[BaseModel]) -> dict[int | str, dict[str, Any]]:
    return {
        200: {
            "model": sheet,
            "description": "The sheet: as JSON, as a table, or to print.",
            "content": {
                "application/pdf": {"schema": {"type": "string", "format": "binary"}},
                "text/csv": {"schema": {"type": "string"}},
            },
        }
    }


SiteCode = Annotated[Code | None, Query(description="Left out: the only site.")]
Format = Annotated[
    Paper | None, Query(alias="format", description="Left out: what Accept asks for, else JSON.")
]


@router.get("/kitchen", response_class=Response, responses=_answers(KitchenSheetOut))
def kitchen(
    request: Request,
    session: ReadSession,
    at: Now,
    by: MayLook,
    day: Day,
    site: SiteCode = None,
    paper: Format = None,
) -> Response:
    """What goes into which bucket, in large type: signed orders only; what waits stands apart."""
    found = sites.site_or_only(session, site, by=by)
    view = sites.view_of(session, found, at=at)
    sheet = kitchen_sheet(session, found, view, day, at=at, by=by)
    return _answer(
        request, paper, sheet, lambda: kitchen_rows(sheet), lambda: drawing.kitchen(sheet, view)
    )


@router.get("/vet", response_class=Response, responses=_answers(VetSheetOut))
def vet(
    request: Request,
    session: ReadSession,
    at: Now,
    by: MayLook,
    day: Day,
    site: SiteCode = None,
    animal: Annotated[Code | None, Query(description="Of this animal only.")] = None,
    paper: Format = None,
) -> Response:
    """Every figure with range, limit, source and signature."""
    chosen = animals.animal_by_code(session, animal, by=by) if animal is not None else None
    if chosen is not None and site is None:
        found = session.get_one(Site, chosen.site_id)
    else:
        found = sites.site_or_only(session, site, by=by)
    if chosen is not None and chosen.site_id != found.id:
        raise Invalid.at("animal", f"{chosen.code} is not at {found.code}")
    view = sites.view_of(session, found, at=at)
    sheet = vet_sheet(session, found, view, day, animal=chosen, at=at, by=by)
    return _answer(request, paper, sheet, lambda: vet_rows(sheet), lambda: drawing.vet(sheet, view))


def _answer(
    request: Request,
    asked: Paper | None,
    sheet: SheetHead,
    rows: Callable[[], Sequence[BaseModel]],
    draw: Callable[[], bytes],
) -> Response:
    match asked or chosen_paper(request.headers.get("accept", "")):
        case Paper.PDF:
            name = f"supplements-{sheet.site.lower()}-{sheet.day}.pdf"
            headers = {"Content-Disposition": f'inline; filename="{name}"', "Vary": "Accept"}
            return Response(draw(), media_type="application/pdf", headers=headers)
        case Paper.CSV:
            items = [row.model_dump(mode="json") for row in rows()]
            return as_csv(JSONResponse({"items": items, "next": None}))
        case Paper.JSON:
            return JSONResponse(sheet.model_dump(mode="json"), headers={"Vary": "Accept"})
