"""The first run, its first step: who is the first manager. Open while nobody works here."""

from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from fastapi import Request, Response
from starlette.background import BackgroundTask

from service.errors import Invalid
from service.http.sessions import Now, ReadSession, WriteSession
from service.pages.forms import Entered, Form
from service.pages.page import go_to, page_router, plain_page, set_cookie
from service.pages.set_up_first import STEPS, Progress, progress
from service.pages.words import _
from service.security import first_manager
from service.security.schemas import FirstManagerIn
from service.settings import Settings

router = page_router("/first-run")
WRONG_CODE = _("This is not the code of this house.")


@dataclass(frozen=True)
class FirstRunShown:
    """The first step; what was typed but for the password, and what was wrong with it."""

    progress: Progress
    name: str
    code: str
    problem: str | None


@router.get("")
def first_run(request: Request, session: ReadSession) -> Response:
    """Who are you?"""
    first_manager.ensure_empty(session)
    first_manager.setup_code(_folder(request))
    return _shown(request, Entered((), {}), None, 200)


@router.post("")
def begin(request: Request, form: Form, session: WriteSession, at: Now) -> Response:
    """The first manager, let in by the code, and logged in."""
    try:
        said = form.read(FirstManagerIn, ZoneInfo("UTC"))
        token = first_manager.become_first_manager(
            session,
            said.code,
            said.name,
            said.password.get_secret_value(),
            folder=_folder(request),
            address=request.client.host if request.client else "unknown",
            at=at,
        )
    except Invalid as refused:
        return _shown(request, form, refused.detail, 422)
    if token is None:
        return _shown(request, form, WRONG_CODE, 401)
    answer = go_to(STEPS[1].path)
    set_cookie(answer, request, token)
    answer.background = BackgroundTask(first_manager.forget_setup_code, _folder(request))
    return answer


def _folder(request: Request) -> Path:
    settings: Settings = request.app.state.settings
    return settings.data_dir


def _shown(request: Request, form: Entered, problem: str | None, status: int) -> Response:
    page = FirstRunShown(
        progress=progress(0, done=[False] * len(STEPS)),
        name=form.text("name"),
        code=form.text("code"),
        problem=problem,
    )
    return plain_page(request, "first_run.html", page, status=status)
