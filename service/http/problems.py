"""RFC 9457 answers, made in one place from whatever was raised."""

import logging
import sqlite3
from collections.abc import Callable, Sequence
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field
from sqlalchemy import exc
from starlette.exceptions import HTTPException

from service.decisions import Finding
from service.errors import (
    Busy,
    ChangedMeanwhile,
    Conflict,
    FishhouseError,
    Invalid,
    NotAllowed,
    NotAuthenticated,
    NotFound,
    NotReady,
    RuleRefused,
    TooLarge,
    TooOften,
    UnknownMedia,
)

log = logging.getLogger(__name__)
PROBLEM_JSON = "application/problem+json"
STATUS: dict[type[FishhouseError], int] = {
    Invalid: 422,
    NotAuthenticated: 401,
    NotAllowed: 403,
    NotFound: 404,
    RuleRefused: 409,
    Conflict: 409,
    ChangedMeanwhile: 412,
    TooLarge: 413,
    UnknownMedia: 415,
    Busy: 503,
    NotReady: 503,
    TooOften: 429,
}
RETRY_AFTER_S = "2"
DISK_FULL = "53100"  # PostgreSQL's code


class FieldProblem(BaseModel):
    """A field or line at fault."""

    field: str
    message: str


class Problem(BaseModel):
    """An RFC 9457 problem: what happened, with numbers, and what to do next."""

    type: str
    title: str
    status: int
    detail: str
    next: str
    errors: list[FieldProblem] = Field(default_factory=list)
    findings: list[Finding] = Field(default_factory=list)


PROBLEM_ANSWERS: dict[int | str, dict[str, object]] = {
    code: {
        "description": what,
        "content": {PROBLEM_JSON: {"schema": Problem.model_json_schema()}},
    }
    for code, what in {
        401: "No token, or one that is not known.",
        403: "The role or site may not do this.",
        404: "Nothing has this code.",
        409: "A rule or the state of things refuses it.",
        412: "Somebody changed it meanwhile.",
        413: "The body is too large.",
        415: "The body is of a kind that is not read here.",
        422: "Malformed: the field is named.",
        503: "The database is busy, or too much is sent at once.",
        507: "The disk of the database is full.",
    }.items()
}
"""What every address may answer instead, as the API's document shows it."""


def problem(
    kind: str,
    status: int,
    detail: str,
    *,
    advice: str,
    errors: Sequence[FieldProblem] = (),
    findings: Sequence[Finding] = (),
    extra: dict[str, object] | None = None,
) -> JSONResponse:
    """One problem document as an answer."""
    body = Problem(
        type=f"/problems/{kind}",
        title=kind.replace("-", " ").capitalize(),
        status=status,
        detail=detail,
        next=advice,
        errors=list(errors),
        findings=list(findings),
    ).model_dump(mode="json")
    headers = {
        401: {"WWW-Authenticate": "Bearer"},
        429: {"Retry-After": "900"},
        503: {"Retry-After": RETRY_AFTER_S},
    }.get(status)
    return JSONResponse(body | (extra or {}), status, headers, media_type=PROBLEM_JSON)


ToPage = Callable[[Request, Problem], Response | None]
"""What a page makes of a problem; None where no page asked."""
Handler = Callable[[Request, Exception], JSONResponse]


def _answered(make: Handler) -> Callable[[Request, Exception], Response]:
    """A problem document, or what the application's pages make of it."""

    def answer(request: Request, error: Exception) -> Response:
        document = make(request, error)
        to_page: ToPage | None = getattr(request.app.state, "to_page", None)
        if to_page is None:
            return document
        page = to_page(request, Problem.model_validate_json(bytes(document.body)))
        if page is None:
            return document
        if "retry-after" in document.headers:
            page.headers["Retry-After"] = document.headers["retry-after"]
        return page

    return answer


def _expected(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, FishhouseError)
    status = next(STATUS[kind] for kind in type(error).__mro__ if kind in STATUS)
    findings = error.decision.noteworthy() if isinstance(error, RuleRefused) else ()
    errors = [FieldProblem(field=e.field, message=e.message) for e in error.errors]
    return problem(
        error.kind,
        status,
        error.detail,
        advice=error.advice,
        errors=errors,
        findings=findings,
        extra=error.extra,
    )


def _malformed(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    errors = [FieldProblem(field=_field(e), message=_sentence(e)) for e in error.errors()]
    if [e.field for e in errors] == ["body"] and isinstance(error.body, bytes):
        # FastAPI gives the bytes on when they do not say that they are JSON.
        sent = request.headers.get("content-type", "nothing")
        errors = [FieldProblem(field="Content-Type", message=f"send application/json, not {sent}")]
    return _named(errors)


def _named(errors: Sequence[FieldProblem]) -> JSONResponse:
    detail = "; ".join(f"{e.field}: {e.message}" for e in errors[:5])
    return problem("validation", 422, detail, advice=Invalid.advice, errors=errors)


def _field(error: Any) -> str:
    if error["type"] == "json_invalid":
        return "body"  # its location is a position in the text, not a field
    kind, *parts = (str(part) for part in error["loc"])
    return ".".join(parts) if parts else kind


def _sentence(error: Any) -> str:
    if error["type"] == "json_invalid":
        what = error.get("ctx", {}).get("error", "")
        return f"this is not JSON at character {error['loc'][-1]}: {what}"
    if error["type"] == "extra_forbidden":
        return "this field is not known here"
    return str(error["msg"]).removeprefix("Value error, ")


def _plain(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    if error.status_code == 400:  # FastAPI could not read the body: not UTF-8, nested too deep
        return _named([FieldProblem(field="body", message="this cannot be read as JSON")])
    kinds = {404: "unknown-address", 405: "unknown-method", 413: "too-large"}
    advice = {
        404: "Look at the address again. Those for programs are listed at /docs.",
        405: "Look up the methods at /docs.",
        413: "Send it in smaller parts.",
    }.get(error.status_code, "Correct it and send it again.")
    answer = problem(
        kinds.get(error.status_code, "problem"),
        error.status_code,
        "nothing is at this address" if error.status_code == 404 else str(error.detail),
        advice=advice,
    )
    answer.headers.update(error.headers or {})
    return answer


def _lost_race(_request: Request, error: Exception) -> JSONResponse:
    log.warning("the database refused: %s", error)
    return problem(
        "conflict",
        409,
        "somebody stored the same thing at the same moment, or the "
        "database's own rules refuse this",
        advice=Conflict.advice,
    )


def _out_of_range(_request: Request, error: Exception) -> JSONResponse:
    log.warning("the database could not take a value: %s", error)
    return problem(
        "validation", 422, "a value is outside what can be stored", advice=Invalid.advice
    )


def _busy(_request: Request, error: Exception) -> JSONResponse:
    log.error("the database does not answer: %s", error)
    if _is_full(error):
        return problem(
            "storage-full",
            507,
            "there is no room left where the database lies; nothing was stored",
            advice="Make room there, then send the same again with the same key.",
        )
    return problem(
        "busy",
        503,
        "the database is busy or away; nothing was stored",
        advice=Busy.advice,
    )


def _is_full(error: Exception) -> bool:
    """Whether a database says that its disk, or what it may take of it, is full."""
    said = getattr(error, "orig", None)
    return getattr(said, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL or (
        getattr(said, "sqlstate", None) == DISK_FULL
    )


def _unexpected(_request: Request, error: Exception) -> JSONResponse:
    log.exception("unexpected failure", exc_info=error)
    return problem(
        "internal",
        500,
        "something unexpected failed; nothing was stored",
        advice="Send the same again; if it fails again, tell whoever runs this service.",
    )


def install(app: FastAPI) -> None:
    """Answer every failure of this application with a problem document."""
    app.add_exception_handler(FishhouseError, _answered(_expected))
    app.add_exception_handler(RequestValidationError, _answered(_malformed))
    app.add_exception_handler(HTTPException, _answered(_plain))
    app.add_exception_handler(exc.IntegrityError, _answered(_lost_race))
    app.add_exception_handler(exc.DataError, _answered(_out_of_range))
    app.add_exception_handler(OverflowError, _answered(_out_of_range))
    app.add_exception_handler(exc.OperationalError, _answered(_busy))
    app.add_exception_handler(exc.TimeoutError, _answered(_busy))
    app.add_exception_handler(Exception, _answered(_unexpected))
