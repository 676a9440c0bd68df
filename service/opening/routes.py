"""Opening balances: the empty table, and taking a filled one over."""

from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from service.http.sessions import Now, WriteSession
from service.http.uploads import FILE_ANSWER, TABLE_BODY, template
from service.opening import actions
from service.opening.schemas import OpeningOut
from service.security.guard import MayLook, MaySetUp, guarded_router

router: APIRouter = guarded_router("/opening-balance", "opening balance")


class OpeningTable(StrEnum):
    """What an empty table comes as."""

    CSV = "csv"
    XLSX = "xlsx"


@router.get("/template", response_class=Response, responses=FILE_ANSWER)
def opening_template(
    by: MayLook,
    kind: Annotated[OpeningTable, Query(alias="format")] = OpeningTable.CSV,
) -> Response:
    """The empty table of an opening balance."""
    return template("opening-balance", kind, actions.COLUMNS)


@router.post("/import", openapi_extra=TABLE_BODY)
def import_opening(
    request: Request,
    session: WriteSession,
    at: Now,
    by: MaySetUp,
    dry_run: Annotated[bool, Query(description="True: judge everything, store nothing.")] = False,
) -> OpeningOut:
    """What lies in the freezers when the books begin: a lot a row, judged like a delivery."""
    return actions.import_opening(session, request.state.body, dry_run=dry_run, at=at, by=by)
