"""Assays of a lot, by the table, withdrawn; and which are due."""

from collections.abc import Sequence
from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response
from sqlmodel import Session

from service.assays import queries
from service.assays.actions import importing, recording
from service.assays.actions.dues import due
from service.assays.models import Assay, AssayTest, AssayValue
from service.assays.schemas import (
    AssayIn,
    AssayOut,
    AssayValueOut,
    DueOut,
    ImportOut,
    SafetyTestOut,
    WithdrawalIn,
    WithdrawalOut,
)
from service.catalogue.rules import Basis, nutrients
from service.decisions import Finding
from service.http.bodies import Cursor, Limit, Number, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.http.uploads import FILE_ANSWER, TABLE_BODY, template
from service.lots import queries as lot_queries
from service.lots.models import Lot
from service.lots.rules import Portion
from service.security.guard import MayAssay, MayLook, guarded_router

lots: APIRouter = guarded_router("/lots", "assays")
assays: APIRouter = guarded_router("/assays", "assays")
routers = (lots, assays)


class TableKind(StrEnum):
    """What an empty table comes as."""

    CSV = "csv"
    XLSX = "xlsx"


@lots.post("/{lot}/assays", status_code=201)
def record_assay(
    lot: str, assay: AssayIn, session: WriteSession, at: Now, by: MayAssay
) -> AssayOut:
    """A laboratory's results of one sample of a lot; out of limits, the lot is held."""
    stored = recording.record_assay(session, lot, assay, at=at, by=by)
    return _out(session, [stored], lot_queries.lot_by_code(session, lot, by=by))[0]


@lots.get("/{lot}/assays")
def list_assays(
    lot: str, session: ReadSession, by: MayLook, limit: Limit = 50, cursor: Cursor = None
) -> Page[AssayOut]:
    """The assays of a lot, newest first, those that were withdrawn too."""
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    found = lot_queries.lot_by_code(session, lot, by=by)
    rows = queries.assays_of(session, found.id or 0, limit=limit + 1, before_id=last)
    more = encode_cursor(rows[limit - 1].id or 0) if len(rows) > limit else None
    return Page(items=_out(session, rows[:limit], found), next=more)


@assays.get("/due")
def due_assays(session: ReadSession, at: Now, by: MayLook) -> Page[DueOut]:
    """What wants a laboratory now: new lots, lots at months 1, 3 and 9, residues once a year."""
    return Page(items=due(session, at=at, by=by))


@assays.get("/template", response_class=Response, responses=FILE_ANSWER)
def assay_template(
    by: MayLook,
    kind: Annotated[TableKind, Query(alias="format")] = TableKind.CSV,
) -> Response:
    """The empty table of an import."""
    return template("assays", kind, importing.COLUMNS)


@assays.post("/import", openapi_extra=TABLE_BODY)
def import_assays(
    request: Request,
    session: WriteSession,
    at: Now,
    by: MayAssay,
    dry_run: Annotated[bool, Query(description="True: check everything, store nothing.")] = False,
) -> ImportOut:
    """A table of results, CSV or XLSX: all of it or, naming every row that is wrong, nothing."""
    return importing.import_assays(session, request.state.body, dry_run=dry_run, at=at, by=by)


@assays.post("/{assay}/withdrawal", status_code=201)
def withdraw(
    assay: Number, withdrawal: WithdrawalIn, session: WriteSession, at: Now, by: MayAssay
) -> AssayOut:
    """An assay does not count any more, for a reason; it stays in sight."""
    found, lot = recording.withdraw(session, assay, withdrawal, at=at, by=by)
    return _out(session, [found], lot)[0]


def _out(session: Session, found: Sequence[Assay], lot: Lot) -> list[AssayOut]:
    parts = queries.parts_of(session, [assay.id or 0 for assay in found])
    shown = []
    for assay in found:
        number = assay.id or 0
        withdrawn = parts.withdrawals.get(number)
        shown.append(
            AssayOut(
                id=number,
                lot=lot.code,
                sampled_on=assay.sampled_on,
                laboratory=assay.laboratory,
                portion=Portion(assay.portion),
                method=assay.method,
                sample_id=assay.sample_id,
                reported_on=assay.reported_on,
                recorded_at=assay.recorded_at,
                by=assay.by,
                values=[_value_out(value) for value in parts.values.get(number, [])],
                tests=[_test_out(test) for test in parts.tests.get(number, [])],
                findings=[Finding.model_validate(f) for f in assay.findings or []],
                withdrawn=None
                if withdrawn is None
                else WithdrawalOut(
                    reason=withdrawn.reason, at=withdrawn.withdrawn_at, by=withdrawn.by
                ),
            )
        )
    return shown


def _value_out(value: AssayValue) -> AssayValueOut:
    return AssayValueOut(
        nutrient=value.nutrient,
        amount=value.as_fed,
        unit=nutrients()[value.nutrient].unit,
        reported=value.reported,
        reported_unit=value.unit,
        basis=Basis(value.basis),
        reported_text=value.reported_text,
        below=value.limit_as_fed,
        replicates=value.replicates,
        cv_percent=None if value.cv is None else round(100 * value.cv, 3),
    )


def _test_out(test: AssayTest) -> SafetyTestOut:
    return SafetyTestOut(
        test=test.test,
        unit=test.unit,
        values=test.reported,
        pooled=test.pooled,
        verdict=test.verdict,
    )
