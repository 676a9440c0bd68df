"""What an excursion did to the fish, what somebody measured of it, and what was decided."""

from datetime import datetime
from typing import Any

from fastapi import APIRouter, Response
from sqlmodel import Session

from service.assessments.actions import checking, deciding, recording
from service.assessments.queries import shown
from service.assessments.queries.shown import Standing
from service.assessments.schemas import AssessmentOut, CheckDone, DecisionIn, DecisionOut
from service.checks import queries as checks
from service.checks.schemas import CheckIn
from service.excursions import queries as excursions
from service.http.bodies import Number, Page
from service.http.sessions import Now, ReadSession, WriteSession
from service.security.actor import Actor
from service.security.guard import MayCheck, MayDecideExcursion, MayLook, guarded_router
from service.site import queries as sites

check_router: APIRouter = guarded_router("/checks", "temperatures")
excursion_router: APIRouter = guarded_router("/excursions", "temperatures")
routers = (check_router, excursion_router)


@check_router.post("", status_code=201)
def record_check(order: CheckIn, session: WriteSession, at: Now, by: MayCheck) -> CheckDone:
    """Record what was measured by hand (a core, the air of a place, a tub of thawed fish, a
    probe in melting ice), or what was cleaned or sanitised. `GET /v1/chores` says what is due.

    A core counts in the assessment at once: see `GET /v1/excursions/{number}/assessment`.
    """
    done = checking.record(session, order, at=at, by=by)
    view = checks.view_of(session, done.check)
    units = sites.view(session, done.check.site_id, at=at).units
    said = checks.check_out(view, units).model_dump()
    return CheckDone(**said, excursions=list(done.excursions))


@excursion_router.get("/{number}/assessment")
def get_assessment(number: Number, session: ReadSession, at: Now, by: MayLook) -> AssessmentOut:
    """What the excursion did to each lot, with ranges, and which cartons to probe next.

    Computed anew where readings, checks or the fish that was there have changed since.
    """
    return shown.shown(session, _standing(session, number, at, by))


_PDF: dict[int | str, dict[str, Any]] = {
    200: {"content": {"application/pdf": {}}, "description": "One page."}
}


@excursion_router.get("/{number}/record", response_class=Response, responses=_PDF)
def get_record(number: Number, session: ReadSession, at: Now, by: MayLook) -> Response:
    """The excursion on one page: what happened, the fish, what was measured, who decided what."""
    drawn = recording.record(session, _standing(session, number, at, by), at=at)
    name = f"excursion-{number}.pdf"
    headers = {"Content-Disposition": f'inline; filename="{name}"'}
    return Response(drawn, media_type="application/pdf", headers=headers)


@excursion_router.post("/{number}/decisions", status_code=201)
def sign_decision(
    number: Number,
    order: DecisionIn,
    reading: ReadSession,
    session: WriteSession,
    at: Now,
    by: MayDecideExcursion,
) -> DecisionOut:
    """Decide what becomes of the lots, and sign it. Warm fish is the vet's to decide on.

    To hold and to condemn place a hold. A newer decision on a lot counts instead of an
    older one; none is changed.
    """
    ready = _standing(reading, number, at, by)
    signed = deciding.sign(session, number, order, at=at, by=by, ready=ready)
    return shown.decision_out(signed.decision, signed.standing, signed.breaches)


@excursion_router.get("/{number}/decisions")
def list_decisions(number: Number, session: ReadSession, at: Now, by: MayLook) -> Page[DecisionOut]:
    """The decisions that were signed, oldest first."""
    it = _standing(session, number, at, by)
    return Page(items=[shown.decision_out(each, it) for each in it.decisions])


def _standing(session: Session, number: int, at: datetime, by: Actor) -> Standing:
    excursion = excursions.excursion_by_id(session, number, by=by)
    return shown.standing(session, excursion, at=at)
