"""Logging in and out, and what a session shows: which site, which language."""

import json
from datetime import timedelta
from typing import Any

from fastapi import Request, Response

from service.errors import Invalid, TooOften
from service.http.bodies import storable
from service.http.sessions import Now, WriteSession, database_of
from service.pages.forms import Form
from service.pages.page import (
    LogIn,
    Resend,
    ask_to_log_in,
    go_to,
    local_path,
    nobody_yet,
    page_router,
    plain_page,
    set_cookie,
)
from service.pages.words import LANGUAGES, _
from service.security import sessions
from service.security.first_manager import FIRST_RUN
from service.security.guard import MayLook
from service.security.sessions import COOKIE, Visit
from service.site import queries as sites

router = page_router()
MOST_HELD_TEXT = 200_000
LONGEST_NAME = 200  # what failed is kept by name


@router.get("/log-in")
def log_in_page(request: Request, next: str = "/") -> Response:  # noqa: A002 - the address's own word
    """Who is there? Where nobody works yet: who comes first."""
    if nobody_yet(request):
        return go_to(FIRST_RUN)
    return plain_page(request, "log_in.html", LogIn(local_path(next), None, None, ended=False))


@router.post("/log-in")
def log_in(request: Request, form: Form, at: Now) -> Response:
    """Log in; what was entered before the session ended is shown again, to be sent."""
    held = _held(form.text("_held"))
    came_from = request.client.host if request.client else "unknown"
    name, next_page = form.text("name").strip()[:LONGEST_NAME], local_path(form.text("next"))
    try:
        found = sessions.log_in(
            database_of(request), name, form.text("password"), address=came_from, at=at
        )
    except TooOften as refused:
        said = f"{refused.detail}. {refused.advice}"
        answer = ask_to_log_in(request, LogIn(next_page, held, said, ended=False), status=429)
        answer.headers["Retry-After"] = str(int(sessions.COUNTED / timedelta(seconds=1)))
        return answer
    if found is None:
        said = _("This name and this password do not belong together.")
        return ask_to_log_in(request, LogIn(next_page, held, said, ended=False))
    if held is None:
        answer = go_to(local_path(form.text("next")))
    else:
        request.state.actor = found.by
        answer = plain_page(request, "held.html", held)
    set_cookie(answer, request, found.cookie)
    return answer


@router.post("/log-out")
def log_out(request: Request, session: WriteSession, at: Now, by: MayLook) -> Response:
    """Log out on this tablet; what it keeps for offline work stays until it is sent."""
    sessions.log_out(session, request.state.visit, at=at)
    request.app.state.visits.forget()
    answer = go_to("/log-in")
    answer.delete_cookie(COOKIE, path="/")
    return answer


@router.post("/language")
def choose_language(request: Request, form: Form, session: WriteSession, by: MayLook) -> Response:
    """Show the pages in another language, on this tablet."""
    if form.text("language") not in LANGUAGES:
        raise Invalid.at("language", "the pages are not written in that language")
    return _chosen(request, form, session, language=form.text("language"))


@router.post("/site")
def choose_site(request: Request, form: Form, session: WriteSession, by: MayLook) -> Response:
    """Show another site, on this tablet."""
    site = sites.site_by_code(session, form.text("site"), by=by)
    return _chosen(request, form, session, site_id=site.id)


def _chosen(request: Request, form: Form, session: WriteSession, **chosen: Any) -> Response:
    visit: Visit = request.state.visit
    sessions.choose(session, visit, **chosen)
    request.app.state.visits.forget()
    return go_to(local_path(form.text("_back")))


def _held(text: str) -> Resend | None:
    """What the page to log in was given to keep. Anything else than that is dropped."""
    if not text or len(text) > MOST_HELD_TEXT:
        return None
    try:
        kept = json.loads(text)
        fields = [(str(name), str(value)) for name, value in kept["fields"]]
        path, back = local_path(str(kept["path"])), local_path(str(kept["back"]))
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    if not all(storable(part) for part in (path, *sum(fields, ()))):
        return None
    return Resend(path, back, fields, has_files=False)
