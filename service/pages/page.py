"""What every page needs: who is looking, at which site, in which language; and how it is shown.

A page declares its right as the type of `by`, like a route of the API. Whoever is not logged
in is asked to, and what they had entered comes back afterwards. A refusal is a page with the
same sentence and the same advice as the API's, and the form again, to decide against a rule
with a reason where the role may.
"""

import secrets
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Annotated, Any
from urllib.parse import quote, unquote

import jinja2
from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse
from fastapi.routing import APIRoute
from sqlalchemy.exc import OperationalError
from sqlmodel import Session
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException

from service.database import Database
from service.errors import Invalid
from service.http.problems import Problem
from service.http.sessions import Looking, Now, ReadSession
from service.pages import static
from service.pages.frame import Section, sections_for
from service.pages.ribbon import Ribbon, ribbon
from service.pages.words import LANGUAGES, Writer, language_of, translations
from service.security import sessions
from service.security.actor import Actor
from service.security.first_manager import FIRST_RUN, EmptyHouse
from service.security.guard import GuardedRoute, Right, refuse_nul, visit_of
from service.security.origin import ensure_same_origin
from service.security.rules import Action, may
from service.security.sessions import COOKIE, TOUCHED_EVERY, Visit
from service.security.transactions import transaction
from service.site import queries as sites
from service.site.models import Site
from service.site.queries import SiteView

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "font-src 'self'; connect-src 'self'; manifest-src 'self'; worker-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}
SAID = "fishhouse_said"
MOST_SAID_BYTES = 1200  # three times as many once quoted: browsers drop a cookie beyond 4096
MOST_FIELDS = 5000  # of a form; all of them are kept while somebody logs in again


@dataclass(frozen=True)
class Frame:
    """What stands around every page."""

    path: str
    language: str
    languages: dict[str, str]
    sections: Sequence[Section]
    by: Actor | None
    site: Site | None
    sites: Sequence[Site]
    day: Ribbon | None
    now: datetime
    said: str | None = None


@dataclass(frozen=True)
class Screen:
    """One page being looked at: who, when, where, and what it is written with."""

    request: Request
    by: Actor
    at: datetime
    visit: Visit | None
    session: Looking
    site: Site
    sites: Sequence[Site]
    view: SiteView
    write: Writer

    def show(self, template: str, page: object, *, status: int = 200) -> Response:
        """A page of a template; the template sees what it is given as `page`."""
        frame = Frame(
            path=self.request.url.path,
            language=self.write.language,
            languages=LANGUAGES,
            sections=sections_for(self.by.role),
            by=self.by,
            site=self.site,
            sites=self.sites,
            day=day_of(self.view, self.at),
            now=self.at,
            said=said_before(self.request),
        )
        answer = _html(template, frame, self.write, page, status)
        if frame.said is not None:
            answer.delete_cookie(SAID, path="/")
        return answer

    def may(self, action: Action) -> bool:
        """Whether whoever looks may do something, for what a page offers."""
        return may(self.by.role, action)

    def at_site(self, site_id: int) -> "Screen":
        """The screen in the zone, units and policy of the site that something belongs to,
        whichever site is chosen. No query where it is the chosen one, else one."""
        if site_id == self.view.id:
            return self
        site = next(each for each in self.sites if each.id == site_id)
        view = sites.view_of(self.session, site, at=self.at)
        return replace(self, site=site, view=view, write=replace(self.write, view=view))


def day_of(view: SiteView, at: datetime) -> Ribbon:
    """The day of a site that stands at the top of every page."""
    begin = view.start_of(view.day_of(at))
    return ribbon(begin, view.end_of(view.day_of(at)), now=at, zone=view.zone)


def screen(request: Request, session: ReadSession, at: Now) -> Screen:
    """The page being looked at. Three queries: sites, and the policy in force."""
    by: Actor = request.state.actor
    visit: Visit | None = getattr(request.state, "visit", None)
    seen = sites.sites(session, by=by)
    chosen = _chosen(seen, visit)
    view = sites.view_of(session, chosen, at=at)
    language = language_of(
        visit.language if visit else None, request.headers.get("accept-language", "")
    )
    return Screen(
        request=request,
        by=by,
        at=at,
        visit=visit,
        session=session,
        site=chosen,
        sites=seen,
        view=view,
        write=Writer(view, language, at),
    )


def chosen_site(session: Session, visit: Visit | None, by: Actor) -> Site:
    """The site that a visit shows. One query."""
    return _chosen(sites.sites(session, by=by), visit)


def _chosen(seen: Sequence[Site], visit: Visit | None) -> Site:
    return next((s for s in seen if visit is not None and s.id == visit.site_id), seen[0])


OnScreen = Annotated[Screen, Depends(screen)]


def go_to(path: str, *, said: str | None = None) -> Response:
    """Another page after something was done; `said` is a sentence to show there.

    The address is also the body: that is what is kept with the form's key, so that a form
    sent twice leads to the same page.
    """
    answer = Response(path, 303, {"Location": path, **HEADERS}, "text/plain")
    if said is not None:
        short = said.encode()[:MOST_SAID_BYTES].decode(errors="ignore")
        answer.set_cookie(SAID, quote(short), max_age=60, path="/", httponly=True, samesite="lax")
    return answer


def said_before(request: Request) -> str | None:
    """The sentence that the page before has left, if there is one."""
    said = request.cookies.get(SAID)
    return unquote(said)[:1000] if said else None


def for_script(request: Request, answer: Response) -> Response:
    """A way to another page, told to the script that sent the form: it goes there itself."""
    if answer.status_code != 303 or request.headers.get("x-form") != "fetch":
        return answer
    told = Response(status_code=204, headers={"X-Go-To": answer.headers["Location"], **HEADERS})
    told.raw_headers += [pair for pair in answer.raw_headers if pair[0] == b"set-cookie"]
    return told


class PageRoute(GuardedRoute):
    """A page: whoever is not logged in is asked to; a form is sent once."""

    def get_route_handler(self) -> Callable[[Request], Awaitable[Response]]:  # type: ignore[override]
        """FastAPI's handler, with the check of the cookie before it."""
        answer = APIRoute.get_route_handler(self)
        right = self.right()

        async def page(request: Request) -> Response:
            ensure_same_origin(request)
            refuse_nul(request)
            if request.method != "GET":
                await _keep_form(request)
            if right is not None:
                await _let_in(request, right)
            response = await answer(request)
            request.state.answer = response  # what is kept with the form's key
            return for_script(request, response)

        return page


def page_router(prefix: str = "") -> APIRouter:
    """A router of pages, which the API's document does not show."""
    return APIRouter(prefix=prefix, route_class=PageRoute, include_in_schema=False)


async def _keep_form(request: Request) -> None:
    """What was entered, for the page that shows a refusal; and the key it is sent with."""
    request.state.body = await request.body()
    try:
        form = await request.form(max_fields=MOST_FIELDS)
    except (HTTPException, ValueError) as error:  # also a charset that is none
        raise Invalid.at("form", "this cannot be read as a form") from error
    items = form.multi_items()
    if len(items) > MOST_FIELDS:
        raise Invalid.at("form", f"a form has at most {MOST_FIELDS} fields")
    request.state.entered = [(k, v) for k, v in items if isinstance(v, str)]
    request.state.has_files = any(isinstance(v, UploadFile) for _, v in items)
    key = form.get("_key")
    if isinstance(key, str) and key:
        request.state.form_key = key


async def _let_in(request: Request, right: Right) -> None:
    visit = visit_of(request)
    request.state.visit, request.state.actor = visit, visit.by
    visit.by.ensure(right.action)
    at = request.app.state.clock()
    of_itself = "live" in request.query_params or request.url.path.startswith("/live/")
    if at - visit.seen_at > TOUCHED_EVERY and not of_itself:
        await run_in_threadpool(_touch, request, visit, at)


def _touch(request: Request, visit: Visit, at: datetime) -> None:
    """A page is shown all the same while nothing can be written: what is there must be readable
    on a full disk."""
    database: Database = request.app.state.database
    with suppress(OperationalError):
        with transaction(database.writer) as session:
            sessions.touch(session, visit, at=at)
        request.app.state.visits.forget()


def set_cookie(response: Response, request: Request, token: str) -> None:
    """The cookie of a session: for this service alone, out of reach of scripts."""
    response.set_cookie(
        COOKIE,
        token,
        max_age=int(sessions.LONGEST / timedelta(seconds=1)),
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https",
        path="/",
    )


# What a problem becomes.


@dataclass(frozen=True)
class Resend:
    """A form that was refused, to be sent again as it was."""

    path: str
    back: str
    fields: Sequence[tuple[str, str]]
    has_files: bool


@dataclass(frozen=True)
class Refusal:
    """A problem as a page: what happened, what to do, and the form again."""

    problem: Problem
    resend: Resend | None
    overridable: Sequence[str]
    """The rules that this role may decide against, with a reason."""


@dataclass(frozen=True)
class LogIn:
    """The page that asks who is there."""

    next: str
    resend: Resend | None
    problem: str | None
    ended: bool


NOT_PAGES = ("/v1/", "/healthz", "/readyz", "/problems/", "/openapi.json", "/docs", "/static/")


def to_page(request: Request, problem: Problem) -> Response | None:
    """A problem as a page, for whoever asked for one; None for programs."""
    path = request.url.path
    if path.startswith(NOT_PAGES) or "text/html" not in request.headers.get("accept", ""):
        return None
    if problem.status == 401 and nobody_yet(request):
        return go_to(FIRST_RUN)
    if problem.status == 401:
        return ask_to_log_in(request, LogIn(path_of(request), resend_of(request), None, ended=True))
    by: Actor | None = getattr(request.state, "actor", None)
    overridable = [
        f.rule
        for f in problem.findings
        if by and f.outcome == "block" and by.role in f.may_override
    ]
    blocking = [f.rule for f in problem.findings if f.outcome == "block"]
    refusal = Refusal(
        problem=problem,
        resend=resend_of(request),
        overridable=overridable if set(blocking) <= set(overridable) else (),
    )
    return plain_page(request, "refusal.html", refusal, status=problem.status)


def nobody_yet(request: Request) -> bool:
    """Whether nobody at all works here yet. No query once somebody does."""
    empty: EmptyHouse = request.app.state.empty_house
    database: Database = request.app.state.database
    return empty(database.reader.connect)


def ask_to_log_in(request: Request, page: LogIn, *, status: int = 401) -> Response:
    """The page to log in, keeping what was entered; 401 so that a script knows."""
    return plain_page(request, "log_in.html", page, status=status)


def plain_page(request: Request, template: str, page: object, *, status: int = 200) -> Response:
    """A page that needs no database: logging in, refusals."""
    visit: Visit | None = getattr(request.state, "visit", None)
    language = language_of(
        visit.language if visit else None, request.headers.get("accept-language", "")
    )
    by: Actor | None = getattr(request.state, "actor", None)
    frame = Frame(
        path=request.url.path,
        language=language,
        languages=LANGUAGES,
        sections=sections_for(by.role) if by else (),
        by=by,
        site=None,
        sites=(),
        day=None,
        now=request.app.state.clock(),
    )
    return _html(template, frame, None, page, status)


def path_of(request: Request) -> str:
    """Where to go after logging in: the page that was asked for, or the one a form stands on."""
    if request.method == "GET":
        query = request.url.query
        return request.url.path + (f"?{query}" if query else "")
    resend = resend_of(request)
    return resend.back if resend else "/"


def resend_of(request: Request) -> Resend | None:
    """The form of a request that was refused, but for passwords; None for a page."""
    fields: list[tuple[str, str]] | None = getattr(request.state, "entered", None)
    if fields is None:
        return None
    kept = [(k, v) for k, v in fields if "password" not in k and not k.startswith("override.")]
    back = next((v for k, v in kept if k == "_back"), "/")
    return Resend(
        path=request.url.path,
        back=local_path(back),
        fields=kept,
        has_files=request.state.has_files,
    )


def local_path(path: str) -> str:
    """A path of this service, or the first page: never an address elsewhere."""
    fits = path.startswith("/") and not path.startswith(("//", "/\\"))
    return path if fits and path.isascii() and path.isprintable() else "/"


# Drawing.


def _html(
    template: str, frame: Frame, write: Writer | None, page: object, status: int
) -> HTMLResponse:
    text = (
        environment(frame.language)
        .get_template(template)
        .render(frame=frame, write=write, page=page, asset=static.address)
    )
    return HTMLResponse(text, status, HEADERS)


@lru_cache(maxsize=len(LANGUAGES))
def environment(language: str) -> jinja2.Environment:
    """The templates in one language. Everything is escaped; an unknown name is an error."""
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("service.pages"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    made.install_gettext_translations(translations(language), newstyle=False)  # type: ignore[attr-defined]
    made.globals["new_key"] = _new_key
    made.globals["translated"] = _translating(language)
    for name in ("mass", "temperature", "time", "day", "when", "span", "local"):
        made.filters[name] = _writing(name)
    return made


def _writing(name: str) -> Callable[..., str]:
    @jinja2.pass_context
    def written(context: jinja2.runtime.Context, value: Any) -> str:
        if value is None:
            return "–"
        text: str = getattr(context["write"], name)(value)
        return text

    return written


def _translating(language: str) -> Callable[[Sequence[tuple[str, str]]], list[tuple[str, str]]]:
    """The words of options, pairs of value and word, in a language."""
    gettext = translations(language).gettext
    return lambda options: [(value, gettext(words)) for value, words in options]


def _new_key() -> str:
    return secrets.token_urlsafe(12)
