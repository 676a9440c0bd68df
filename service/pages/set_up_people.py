"""Settings: who may log in here, and as what.

Forms that hold a password or are answered with a token are sent without a key. With one, a
digest of what was sent would be kept, and a digest of a password that is quick to make is quick
to guess; the answer would be kept too, and the one that shows a token must not be.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import Depends, Request, Response
from sqlmodel import Session

from service.errors import Invalid
from service.http.bodies import Number
from service.http.sessions import Now, WriteSession
from service.pages.forms import Form
from service.pages.page import OnScreen, Screen, go_to, page_router
from service.pages.set_up import Paged, PageNumber, paged
from service.pages.words import _
from service.security import people, users
from service.security.actor import Actor
from service.security.guard import MaySetUp
from service.security.models import User
from service.security.people import Known
from service.security.rules import Role
from service.security.schemas import PasswordIn, UserIn
from service.site import queries as sites

router = page_router("/settings/people")

ROLES: tuple[tuple[str, str], ...] = (
    (Role.KEEPER, _("keeper")),
    (Role.COMMISSARY, _("commissary")),
    (Role.NUTRITIONIST, _("nutritionist")),
    (Role.VET, _("vet")),
    (Role.MANAGER, _("manager")),
    (Role.INSPECTOR, _("inspector")),
    (Role.DEVICE, _("device")),
)


@dataclass(frozen=True)
class Person:
    """Somebody who may ask here; sites: the only ones, none: all."""

    user: User
    role: str
    sites: Sequence[str]
    may_log_in: bool


@dataclass(frozen=True)
class PeopleShown:
    """Who may ask here, and what a new one is asked for."""

    people: Paged[Person]
    roles: Sequence[tuple[str, str]]
    sites: Sequence[tuple[str, str]]
    must_limit: bool
    """Whether a new one must be limited to sites, because whoever adds them is."""


@dataclass(frozen=True)
class PersonShown:
    """One of them. tokens: how many of theirs open something."""

    person: Person
    tokens: int
    is_device: bool


@dataclass(frozen=True)
class TokenShown:
    """A token that is shown once."""

    name: str
    number: int
    token: str


def keyless(request: Request) -> None:
    """Raise Invalid for a form that holds something secret and yet carries a key."""
    if hasattr(request.state, "form_key") or "idempotency-key" in request.headers:
        raise Invalid.at("_key", "this is sent without a key: nothing of it may be kept")


KEYLESS = (Depends(keyless),)


@router.get("")
def everybody(screen: OnScreen, by: MaySetUp, page: PageNumber = 1) -> Response:
    """Who may log in or ask here."""
    found = people.everybody(screen.session, by=by)
    shown = PeopleShown(
        people=paged([_person(screen, known) for known in found], page),
        roles=ROLES,
        sites=[(site.code, site.name) for site in screen.sites],
        must_limit=by.sites is not None,
    )
    return screen.show("settings_people.html", shown)


@router.post("", dependencies=KEYLESS)
def add_person(
    form: Form, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Let somebody in."""
    new = form.read(UserIn, screen.view.zone)
    user = let_in(session, new, screen)
    said = screen.write.say("%(name)s may log in now.", name=user.name)
    return go_to("/settings/people" if new.password else f"/settings/people/{user.id}", said=said)


def let_in(session: Session, new: UserIn, screen: Screen) -> User:
    """A new user, of no more sites than whoever lets them in. Raises as `users.add_user`."""
    by = screen.by
    site_ids = [
        sites.site_by_code(session, code, by=by, field="sites").id or 0 for code in new.sites
    ]
    people.ensure_looks_after(frozenset(site_ids), by)
    password = new.password.get_secret_value() if new.password else None
    if password is not None:
        people.ensure_strong(password)
    return users.add_user(
        session, new.name, new.role, at=screen.at, password=password, site_ids=site_ids, by=by
    )


@router.get("/{user}")
def one_person(user: Number, screen: OnScreen, by: MaySetUp) -> Response:
    """One of them: password, tokens, and whether they may still ask."""
    known = people.somebody(screen.session, user, by=by)
    shown = PersonShown(
        person=_person(screen, known),
        tokens=people.live_tokens(screen.session, user),
        is_device=known.user.role == Role.DEVICE,
    )
    return screen.show("settings_person.html", shown)


@router.post("/{user}/password", dependencies=KEYLESS)
def set_password(
    user: Number,
    form: Form,
    request: Request,
    screen: OnScreen,
    session: WriteSession,
    at: Now,
    by: MaySetUp,
) -> Response:
    """Give somebody a new password; they are logged out everywhere."""
    people.somebody(session, user, by=by)
    password = form.read(PasswordIn, screen.view.zone).password.get_secret_value()
    changed = people.set_password(session, user, password, at=at, by=by)
    request.app.state.visits.forget()
    said = screen.write.say("%(name)s has a new password, and is logged out.", name=changed.name)
    return _back(by, changed, said)


@router.post("/{user}/disabled")
def disable(
    user: Number, request: Request, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Let somebody in no more."""
    changed = people.disable_user(session, user, at=at, by=by)
    request.app.state.visits.forget()
    said = screen.write.say("%(name)s may not log in any more.", name=changed.name)
    return _back(by, changed, said)


@router.post("/{user}/enabled")
def enable(
    user: Number, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Let somebody in again."""
    changed = people.enable_user(session, user, at=at, by=by)
    said = screen.write.say("%(name)s may log in again.", name=changed.name)
    return _back(by, changed, said)


@router.post("/{user}/token", dependencies=KEYLESS)
def issue_token(
    user: Number, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """A token for a program or a thermometer, shown on this page and never again."""
    known = people.somebody(session, user, by=by)
    token = users.issue_token(session, known.user, at=at, by=by)
    return screen.show("settings_token.html", TokenShown(known.user.name, user, token))


@router.post("/{user}/tokens-withdrawn")
def withdraw_tokens(
    user: Number, screen: OnScreen, session: WriteSession, at: Now, by: MaySetUp
) -> Response:
    """Withdraw every token of somebody."""
    count = people.withdraw_tokens(session, user, at=at, by=by)
    said = screen.write.say("%(count)s tokens open nothing any more.", count=count)
    return go_to(f"/settings/people/{user}", said=said)


def _back(by: Actor, user: User, said: str) -> Response:
    """To the page of that user; whoever has shut themselves out goes to the log-in."""
    return go_to("/log-in" if user.id == by.user_id else f"/settings/people/{user.id}", said=said)


def _person(screen: Screen, known: Known) -> Person:
    names = [site.code for site in screen.sites if site.id in known.site_ids]
    return Person(known.user, dict(ROLES)[known.user.role], names, known.may_log_in)
