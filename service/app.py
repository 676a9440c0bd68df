"""create_app(): settings in, application out."""

import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import JSONResponse, Response
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

import service.animals.routes
import service.assays.routes
import service.assessments.routes
import service.backups.routes
import service.buckets.routes
import service.catalogue.routes
import service.checks.routes
import service.chores.routes
import service.diets.routes
import service.excursions.routes
import service.fallback.routes
import service.feeding.routes
import service.inspections.routes
import service.jobs.routes
import service.labels.routes
import service.ledger.routes
import service.lots.routes
import service.mqtt.routes
import service.notifications.routes
import service.nutrition.routes
import service.opening.routes
import service.pages.routes
import service.photos.routes
import service.probes.routes
import service.provenance.routes
import service.quality.routes
import service.receiving.routes
import service.security.routes
import service.site.routes
import service.supplement_sheets.routes
import service.supplement_stock.routes
import service.supplements.routes
import service.temperatures.routes
import service.thawing.routes
import service.traceability.routes
import service.upkeep.routes
import service.watch_list.routes
import service.welfare.routes
import service.what_if.routes
from service.clock import Clock, system_clock
from service.database import open_database
from service.errors import NotReady
from service.http import problems
from service.http.headers import SafeHeaders
from service.http.limits import BodyLimit, Flow
from service.pages import static
from service.pages.live import Onlookers
from service.pages.news import KEPT_FOR, Kept, News
from service.pages.page import HEADERS, for_script, to_page
from service.security.first_manager import EmptyHouse
from service.security.sessions import SessionBook
from service.security.transactions import Replayed, request_transaction
from service.security.users import TokenBook
from service.settings import Settings
from service.site.rules import RULE_BY_ID
from service.worker import Worker, jobs_of

log = logging.getLogger(__name__)

ROUTERS: tuple[APIRouter, ...] = (
    *service.quality.routes.routers,  # first: the hot reads; every router before costs them time
    *service.site.routes.routers,
    *service.catalogue.routes.routers,
    service.receiving.routes.router,
    *service.provenance.routes.routers,
    service.photos.routes.router,
    *service.inspections.routes.routers,
    *service.lots.routes.routers,
    *service.assays.routes.routers,
    service.opening.routes.router,
    *service.ledger.routes.routers,
    *service.probes.routes.routers,
    *service.upkeep.routes.routers,
    *service.temperatures.routes.routers,
    *service.excursions.routes.routers,
    service.checks.routes.router,
    service.chores.routes.router,
    *service.welfare.routes.routers,
    *service.assessments.routes.routers,
    *service.thawing.routes.routers,
    *service.feeding.routes.routers,
    *service.animals.routes.routers,
    *service.diets.routes.routers,
    *service.supplements.routes.routers,
    *service.supplement_stock.routes.routers,
    *service.traceability.routes.routers,
    service.watch_list.routes.router,
    service.what_if.routes.router,
    *service.nutrition.routes.routers,
    *service.labels.routes.routers,
    *service.buckets.routes.routers,
    service.fallback.routes.router,
    service.supplement_sheets.routes.router,
    *service.notifications.routes.routers,
    service.backups.routes.router,
    service.security.routes.router,
    service.jobs.routes.router,
    service.mqtt.routes.router,
)

PAGES: tuple[APIRouter, ...] = service.pages.routes.routers

ABOUT = """The service that a fish kitchen runs on: what arrived, how cold it was kept, what is
thawed next, who ate it, and what was added. Every refusal names its rule, its numbers and its
source. Models estimate; a thermometer in the fish decides; the attending veterinarian decides
on supplements; local codes and licensed practice come first."""


def create_app(settings: Settings | None = None, *, clock: Clock = system_clock) -> FastAPI:
    """The application on one database. The clock is injected so that a test can set it."""
    settings = settings or Settings()
    database = open_database(settings.database_url, connections=settings.database_connections)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        worker = Worker(database, clock, jobs_of(settings), lease_s=settings.lease_seconds)
        if settings.run_watch:
            worker.start()
        yield
        worker.stop()
        database.close()

    app = FastAPI(
        title="Fishhouse",
        version="0.1.0",
        description=ABOUT,
        lifespan=lifespan,
    )
    app.add_middleware(BodyLimit, most_bytes=settings.max_body_bytes)
    app.add_middleware(SafeHeaders)
    app.state.settings, app.state.database, app.state.clock = settings, database, clock
    app.state.tokens = TokenBook()
    app.state.news = News()
    app.state.boards = Kept(KEPT_FOR)
    app.state.onlookers = Onlookers(database, app.state.news)
    app.state.visits = SessionBook(timedelta(minutes=settings.session_minutes))
    app.state.empty_house = EmptyHouse()
    app.state.to_page = to_page
    app.state.flow = Flow(settings.bodies_at_once)
    app.state.open_write = request_transaction
    problems.install(app)
    app.add_exception_handler(Replayed, _replay)
    # Not `include_router`: it makes every route a second time, and finds one more slowly.
    for router in (*ROUTERS, *PAGES, _health):
        app.router.routes.extend(router.routes)
    app.mount("/static", static.Kept(directory=static.FOLDER))
    return app


async def _replay(request: Request, first: Exception) -> Response:
    """The answer of the first time, given again; a page's was the way to another page."""
    assert isinstance(first, Replayed)
    if first.status == 303:
        path = first.body.decode()
        return for_script(request, Response(path, 303, {"Location": path, **HEADERS}, "text/plain"))
    return Response(first.body, first.status, {"Idempotency-Replayed": "true"}, "application/json")


_health = APIRouter(tags=["health"])


@_health.get("/healthz")
async def healthz() -> dict[str, str]:
    """Whether the process is alive."""
    return {"status": "alive"}


@_health.get("/readyz")
def readyz(request: Request) -> dict[str, str]:
    """Whether the database answers and has its tables."""
    try:
        with request.app.state.database.reader.connect() as connection:
            connection.execute(text("SELECT code FROM site LIMIT 1")).first()
    except SQLAlchemyError as error:
        raise NotReady("the database is away, or has no tables yet") from error
    return {"status": "ready"}


@_health.get("/problems/{kind}", include_in_schema=False)
async def problem_kind(kind: str) -> JSONResponse:
    """What a problem type means, for somebody who opens its address."""
    return JSONResponse({"type": f"/problems/{kind}", "meaning": describe_problem(kind)})


def describe_problem(kind: str) -> str:
    """One sentence about a problem type; a rule's own sentence where it is a rule."""
    if kind in RULE_BY_ID:
        return RULE_BY_ID[kind].says
    return PROBLEM_KINDS.get(kind, "No problem of this kind is known here.")


PROBLEM_KINDS = {
    "validation": "Something sent is malformed; the field is named and nothing was stored.",
    "not-authenticated": "No token, or one that is unknown, withdrawn or run out.",
    "too-many-attempts": "Too many attempts to log in failed; wait a quarter of an hour.",
    "other-origin": "The request did not come from a page of this service.",
    "not-allowed": "The role or site of this token does not carry the right.",
    "conflict": "It cannot be done as things stand.",
    "already-exists": "The code is taken.",
    "already-released": "The hold was released before.",
    "already-rejected": "The lot was rejected before.",
    "already-withdrawn": "It was withdrawn before.",
    "already-closed": "The watch was closed before.",
    "already-watched": "Those who ate of the lot are watched for that already.",
    "nobody-ate": "Nobody is known to have eaten of the lot.",
    "already-ended": "It has ended before.",
    "already-faulty": "The probe is known to have been broken all that time.",
    "hangs-there": "The probe is known to have hung there all that time.",
    "hangs-elsewhere": "The probe did not hang in that place then.",
    "unlikely-amount": "A content is a thousand times the usual, or a thousandth: confirm it.",
    "already-reversed": "The movement was taken back before, or is itself a reversal.",
    "already-cancelled": "The thaw request was cancelled before.",
    "nothing-left": "All of the thaw batch has been fed, moved on or thrown away.",
    "wrong-lot": "The carton that was scanned is of another lot; `right` has those to take.",
    "several-lots": "The carton that was scanned may be of several lots; `right` has them.",
    "request-over": "The last feed of the thaw request is over.",
    "already-signed": "The supplement plan was signed before.",
    "plan-out-of-date": "Other supplements are called for now than the plan holds.",
    "nothing-to-compare": "There are no figures of today to hold the plan against.",
    "another-site": "What was named belongs to different sites.",
    "no-diet": "No diet is in force on that day.",
    "requirement-conflict": "Two requirements of equal rank; both are named.",
    "no-record": "Some of a group have no record of their own, so nobody can plan for them.",
    "no-body-mass": "An amount is per body mass and the animal was never weighed.",
    "has-successors": "Later movements used this fish; take them back first, newest first.",
    "idempotency-mismatch": "The Idempotency-Key was used before with another body.",
    "inspection-signed": "The inspection was signed before; a correction is a new one.",
    "changed-meanwhile": "Somebody edited it since it was read.",
    "no-barcode": "No barcode was found in the photo.",
    "several-cartons": "The photo shows barcodes of different cartons.",
    "too-large": "The body is larger than this service reads.",
    "unknown-media": "The body is of a kind that is not read here, whatever it is called.",
    "busy": "The database is busy or away, or too much is sent at once; nothing was stored.",
    "storage-full": "The disk of the database is full; nothing was stored.",
    "not-ready": "The database has no tables yet.",
    "internal": "Something unexpected failed; nothing was stored.",
    "lease-lost": "Another worker has taken the job.",
    "unknown-address": "Nothing is at this address.",
    "unknown-method": "This address does not take that method.",
    "unknown-site": "No site has this code.",
    "unknown-place": "No place has this code.",
    "unknown-user": "No user has this name.",
    "unknown-sender": "The probe does not name this device.",
    "unknown-probe": "No probe has this code.",
    "unknown-probe-fault": "No fault of a probe has this number.",
    "unknown-probe-offset": "No offset of a probe has this number.",
    "unknown-calibration": "No calibration has this number.",
    "unknown-species": "No species has this code.",
    "unknown-supplier": "No supplier has this code.",
    "unknown-product": "No product has this code.",
    "unknown-supplement-product": "No supplement product has this code.",
    "unknown-animal": "No animal has this code.",
    "unknown-group": "No group of animals has this code.",
    "unknown-membership": "No membership of a group has this number.",
    "unknown-life-stage": "No stage of an animal's life has this number.",
    "unknown-fast": "No fast has this number.",
    "already-in-group": "The animal is known to join a group in that time.",
    "already-over": "It was over before.",
    "already-gone": "The animal left before.",
    "unknown-diet": "No diet has this number.",
    "already-decided": "The diet was approved or refused before.",
    "unknown-substitution": "No substitution of fish has this number.",
    "nothing-to-substitute": "The ration of that day does not hold so much of that fish.",
    "not-a-substitute": "That fish is not approved as a substitute in this diet.",
    "unknown-delivery": "No delivery has this number.",
    "unknown-lot": "No lot has this code.",
    "unknown-begun-delivery": "No delivery that was begun has this number.",
    "unknown-lot-of-this-delivery": "The delivery that was begun has no such lot.",
    "unknown-lot-with-cartons-to-open": "The inspection opens no cartons of this lot.",
    "unknown-pull": "The plan has no pull of this number.",
    "unknown-figure": "No figure of the rules has this name.",
    "unknown-nutrient": "No nutrient has this tag.",
    "unknown-supplier-lot": "No lot that you see has this supplier lot code.",
    "unknown-excursion": "No excursion has this number.",
    "excursion-state": "An excursion in this state cannot be put into that one.",
    "unknown-hold": "No hold has this number.",
    "unknown-assay": "No assay has this number.",
    "unknown-inspection": "No inspection has this number.",
    "unknown-inspection-item": "The checklist has no such question.",
    "unknown-photo": "No photo has this SHA-256.",
    "unknown-parcel": "No such parcel of this lot is in that place.",
    "unknown-movement": "No movement has this number.",
    "unknown-feed": "No feed has this number.",
    "unknown-thaw-request": "No thaw request has this number.",
    "already-replaced": "The check was corrected before.",
    "unknown-check": "No check has this number.",
    "unknown-thaw-batch": "No thaw batch has this code.",
    "unknown-recipient": "No recipient has this number.",
    "unknown-message": "No message has this number.",
    "recipient-withdrawn": "The recipient was withdrawn before.",
    "backup-failed": "The backup could not be written; nothing half-made was left.",
    "backup-damaged": "The file is no backup that can be brought back.",
    "not-empty": "The database has rows; a backup is brought back into an empty one only.",
    "not-installed": "A library that this needs is not installed where the service runs.",
    "unknown-bucket": "No bucket has this code.",
    "unknown-piece": "The bucket does not carry a piece of this number.",
    "unknown-medication-order": "No medication order has this number.",
    "bucket-ended": "The bucket was fed or given up before.",
    "already-stopped": "The medication was stopped before.",
    "unknown-watch": "No watch has this number.",
    "unknown-sheet": "No sheet has this code.",
    "unknown-line": "The sheet has no line of this number.",
    "unknown-supplement-batch": "No batch of that supplement has this code or number.",
    "unknown-supplement-movement": "No movement of supplements has this number.",
    "part-of-giving": "The movement belongs to what an animal was given, which is corrected.",
    "unknown-requirement": "No requirement has this number.",
    "unknown-supplement-plan": "No supplement plan has this number.",
    "unknown-supplement-given": "Nothing recorded of a supplement has this number.",
}
