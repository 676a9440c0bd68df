"""Routes that know who is asking before they read anything else.

A route declares its right as the type of its `by` parameter. The check comes
before the body is read: a stranger learns nothing from a 422. A list asked for
as text/csv is answered as a table, whatever the route.
"""

from collections.abc import Awaitable, Callable
from contextlib import AbstractAsyncContextManager, nullcontext
from typing import Annotated, Any
from urllib.parse import unquote

from fastapi import APIRouter, Depends, Request, Response
from fastapi.routing import APIRoute
from fastapi.security import HTTPBearer
from starlette.routing import compile_path

from service.database import Database
from service.errors import Invalid, NotAuthenticated
from service.http.bodies import UNSTORABLE, storable
from service.http.limits import Flow
from service.http.problems import PROBLEM_ANSWERS
from service.http.tables import as_csv, wants_csv
from service.security.actor import Actor
from service.security.origin import ensure_same_origin
from service.security.rules import Action
from service.security.sessions import COOKIE, SessionBook, Visit
from service.security.users import TokenBook


class Right(HTTPBearer):
    """The right that a route asks for, shown in the API's document as its bearer token."""

    def __init__(self, action: Action) -> None:
        super().__init__(scheme_name="HTTPBearer", description="A token from `fishhouse user add`.")
        self.action = action

    async def __call__(self, request: Request) -> Actor:  # type: ignore[override]
        """The user, already checked by the route that carries this right."""
        actor: Actor = request.state.actor
        return actor


UNBOUNDED: AbstractAsyncContextManager[None] = nullcontext()


class GuardedRoute(APIRoute):
    """A route that answers 401 and 403 before it looks at the body.

    Until somebody asks for it, it knows its address only: what FastAPI makes of a route, its
    parameters and schemas, costs 6 ms each, which is a third of the start for all of them.
    """

    def __init__(self, path: str, endpoint: Callable[..., Any], **given: Any) -> None:
        self.path, self.endpoint = path, endpoint
        self.path_regex, self.path_format, self.param_convertors = compile_path(path)
        self.methods = {method.upper() for method in given.get("methods") or ("GET",)}
        self._given: dict[str, Any] | None = given

    def __getattr__(self, name: str) -> Any:
        """What is not known yet: the rest of the route, made when first asked for."""
        given = self.__dict__.pop("_given", None)
        if given is None:
            raise AttributeError(name)
        super().__init__(self.path, self.endpoint, **given)
        return getattr(self, name)

    def right(self) -> Right | None:
        """The right declared in the signature; None for an open route."""
        return next(
            (d.call for d in self.dependant.dependencies if isinstance(d.call, Right)), None
        )

    def room(self, _request: Request) -> AbstractAsyncContextManager[None]:
        """Held from before the body is read until the answer: memory is bounded here."""
        return UNBOUNDED

    def turn(self, _request: Request) -> AbstractAsyncContextManager[None]:
        """Held while the request is answered, its body read."""
        return UNBOUNDED

    def get_route_handler(self) -> Callable[[Request], Awaitable[Response]]:  # type: ignore[override]
        """FastAPI's handler, with the check before it and the table after it."""
        answer = super().get_route_handler()
        right = self.right()

        async def guarded(request: Request) -> Response:
            if right is not None:
                request.state.actor = authenticate(request)
                request.state.actor.ensure(right.action)
            refuse_nul(request)
            async with self.room(request):
                if request.method != "GET":
                    request.state.body = await request.body()
                async with self.turn(request):
                    response = await answer(request)
            if request.method == "GET" and wants_table(request):
                return as_csv(response)
            request.state.answer = response  # the write session keeps it with its key
            return response

        return guarded


def wants_table(request: Request) -> bool:
    """Whether a list is asked for as CSV; a link of a page cannot send an Accept header."""
    return wants_csv(request.headers.get("accept", "")) or request.query_params.get("as") == "csv"


def refuse_nul(request: Request) -> None:
    """Raise Invalid for a character in the address that no code and no text can have."""
    for name, value in (*request.path_params.items(), *request.query_params.multi_items()):
        if not storable(str(value)) or not storable(name):
            raise Invalid.at(name, UNSTORABLE)


def authenticate(request: Request) -> Actor:
    """The user of the bearer token, or of the cookie that the pages use. Raises NotAuthenticated,
    and NotAllowed for a write with a cookie that no page of this service has sent."""
    if "authorization" not in request.headers and COOKIE in request.cookies:
        return visit_of(request).by
    scheme, _, token = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        raise NotAuthenticated("this needs a token")
    book: TokenBook = request.app.state.tokens
    database: Database = request.app.state.database
    actor = book.actor(database.reader.connect, token.strip(), at=request.app.state.clock())
    if actor is None:
        raise NotAuthenticated("this token is unknown, withdrawn or run out")
    return actor


def visit_of(request: Request) -> Visit:
    """The session of the cookie. Raises NotAuthenticated, and NotAllowed for another origin.

    A page that sends what somebody entered a while ago says who that was (`As-User`): nobody
    else's session records it.
    """
    ensure_same_origin(request)
    book: SessionBook = request.app.state.visits
    database: Database = request.app.state.database
    token = request.cookies.get(COOKIE, "")
    visit = book.visit(database.reader.connect, token, at=request.app.state.clock())
    if visit is None:
        raise NotAuthenticated("nobody is logged in here any more", advice="Log in again.")
    meant = unquote(request.headers.get("as-user", ""))
    if meant not in ("", visit.by.name):
        raise NotAuthenticated(f"{meant} is not logged in here", advice=f"Log in as {meant}.")
    return visit


class FlowRoute(GuardedRoute):
    """A route that takes in bulk data: bounded in memory, stored one after the other."""

    def room(self, request: Request) -> AbstractAsyncContextManager[None]:
        """A place for the body."""
        flow: Flow = request.app.state.flow
        return flow.room.taken()

    def turn(self, request: Request) -> AbstractAsyncContextManager[None]:
        """Its turn to be stored."""
        flow: Flow = request.app.state.flow
        return flow.turn.taken()


def guarded_router(
    prefix: str, tag: str, route_class: type[GuardedRoute] = GuardedRoute
) -> APIRouter:
    """A router under /v1 whose routes check who is asking first."""
    return APIRouter(
        prefix=f"/v1{prefix}", tags=[tag], route_class=route_class, responses=PROBLEM_ANSWERS
    )


MayLook = Annotated[Actor, Depends(Right(Action.LOOK))]
MaySetUp = Annotated[Actor, Depends(Right(Action.SET_UP))]
MayReceive = Annotated[Actor, Depends(Right(Action.RECEIVE))]
MayAssay = Annotated[Actor, Depends(Right(Action.ASSAY))]
MayHold = Annotated[Actor, Depends(Right(Action.HOLD))]
MayRelease = Annotated[Actor, Depends(Right(Action.RELEASE))]
MayReject = Annotated[Actor, Depends(Right(Action.REJECT))]
MayCondemn = Annotated[Actor, Depends(Right(Action.CONDEMN))]
MayCorrectLot = Annotated[Actor, Depends(Right(Action.CORRECT_LOT))]
MayMove = Annotated[Actor, Depends(Right(Action.MOVE))]
MayCount = Annotated[Actor, Depends(Right(Action.COUNT))]
MayReverse = Annotated[Actor, Depends(Right(Action.REVERSE))]
MayRecordTemperatures = Annotated[Actor, Depends(Right(Action.RECORD_TEMPERATURES))]
MayCalibrate = Annotated[Actor, Depends(Right(Action.CALIBRATE))]
MayCheck = Annotated[Actor, Depends(Right(Action.CHECK))]
MayDecideExcursion = Annotated[Actor, Depends(Right(Action.DECIDE_EXCURSION))]
MayPlanThaw = Annotated[Actor, Depends(Right(Action.PLAN_THAW))]
MayPull = Annotated[Actor, Depends(Right(Action.PULL))]
MayTendThaw = Annotated[Actor, Depends(Right(Action.TEND_THAW))]
MayKeepAnimals = Annotated[Actor, Depends(Right(Action.KEEP_ANIMALS))]
MaySetDiet = Annotated[Actor, Depends(Right(Action.SET_DIET))]
MayProposeDiet = Annotated[Actor, Depends(Right(Action.PROPOSE_DIET))]
MaySubstitute = Annotated[Actor, Depends(Right(Action.SUBSTITUTE))]
MayFeed = Annotated[Actor, Depends(Right(Action.FEED))]
MaySetRequirements = Annotated[Actor, Depends(Right(Action.SET_REQUIREMENTS))]
MayPlanSupplements = Annotated[Actor, Depends(Right(Action.PLAN_SUPPLEMENTS))]
MaySignSupplements = Annotated[Actor, Depends(Right(Action.SIGN_SUPPLEMENTS))]
MayGiveSupplements = Annotated[Actor, Depends(Right(Action.GIVE_SUPPLEMENTS))]
MayOrderMedication = Annotated[Actor, Depends(Right(Action.ORDER_MEDICATION))]
MayWatch = Annotated[Actor, Depends(Right(Action.WATCH))]
MayDecideWatch = Annotated[Actor, Depends(Right(Action.DECIDE_WATCH))]
MayAcknowledge = Annotated[Actor, Depends(Right(Action.ACKNOWLEDGE))]
MayReadAudit = Annotated[Actor, Depends(Right(Action.READ_AUDIT))]
