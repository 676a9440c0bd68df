"""Who is logged in at a tablet or a desk: the sessions that a cookie names.

A session ends when nobody has touched the pages for a while, when somebody logs out, or
when the user is disabled. Guessing is slowed down by counting what failed: by name and
address together, so that a stranger cannot lock a vet out, and by address alone.
"""

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, delete, func, update
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from service.database import Database
from service.errors import TooOften
from service.security import audit
from service.security.actor import Actor
from service.security.models import LoginFailure, User, UserSite, WebSession
from service.security.remembering import Remembered
from service.security.rules import Role
from service.security.transactions import transaction
from service.security.users import hash_token, hasher, password_fits

COOKIE = "fishhouse_session"
COUNTED = timedelta(minutes=15)
MOST_FAILURES_OF_A_NAME, MOST_FAILURES_OF_AN_ADDRESS = 5, 30
TOUCHED_EVERY = timedelta(minutes=1)
LONGEST = timedelta(days=7)

_BY_HASH: Any = (
    select_columns(
        col(WebSession.id).label("session_id"),
        col(WebSession.created_at),
        col(WebSession.seen_at),
        col(WebSession.site_id).label("chosen_site"),
        col(WebSession.language),
        col(User.id),
        col(User.name),
        col(User.role),
        col(UserSite.site_id),
    )
    .join(User, col(WebSession.user_id) == col(User.id))
    .outerjoin(UserSite, col(UserSite.user_id) == col(User.id))
    .where(col(WebSession.ended_at).is_(None), col(User.disabled_at).is_(None))
)


@dataclass(frozen=True)
class Visit:
    """A session in use: who, since when, and what they chose to see."""

    session_id: int
    by: Actor
    created_at: datetime
    seen_at: datetime
    site_id: int | None
    language: str | None


@dataclass(frozen=True)
class LoggedIn:
    """Somebody who has just logged in, and the cookie of their session."""

    by: Actor
    cookie: str


def log_in(
    database: Database, name: str, password: str, *, address: str, at: datetime
) -> LoggedIn | None:
    """A new session, or None for a wrong name or password.

    Raises TooOften for whoever has failed too many times in a quarter of an hour: no
    password is looked at then. Takes a third of a second whether the name exists or not.

    An attempt counts as failed before the password is looked at, and no more once it fitted: so
    many at once are no more guesses than one after the other, and nobody who writes waits for
    the third of a second.
    """
    with transaction(database.writer) as session:
        refuse_guessing(session, name, address=address, at=at)
        session.execute(delete(LoginFailure).where(col(LoginFailure.at) < at - COUNTED * 4))
        attempt = LoginFailure(name=name, address=address, at=at)
        session.add(attempt)
        user = session.exec(select(User).where(col(User.name) == name)).one_or_none()
        session.flush()
        session.expunge_all()  # both are read after the transaction
    if user is None or not _may_log_in(user, password):
        return None
    with transaction(database.writer) as session:
        session.execute(delete(LoginFailure).where(col(LoginFailure.id) == attempt.id))
        by = Actor(user_id=user.id or 0, name=user.name, role=Role(user.role))
        return LoggedIn(by, open_session(session, user, at=at))


def open_session(session: Session, user: User, *, at: datetime) -> str:
    """The cookie of a new session of somebody who is known; stored as a hash only."""
    token = secrets.token_urlsafe(32)
    assert user.id is not None
    session.add(
        WebSession(user_id=user.id, token_hash=hash_token(token), created_at=at, seen_at=at)
    )
    actor = Actor(user_id=user.id, name=user.name, role=Role(user.role))
    audit.note(session, actor, "logged in", user.name, at=at)
    return token


def refuse_guessing(session: Session, name: str, *, address: str, at: datetime) -> None:
    """Raise TooOften if too many attempts failed in the last quarter of an hour. One query."""
    counted = select_columns(
        func.count().filter(col(LoginFailure.name) == name).label("of_name"),
        func.count().label("of_address"),
    ).where(col(LoginFailure.at) > at - COUNTED, col(LoginFailure.address) == address)
    failed = session.execute(counted).one()
    if (
        failed.of_name >= MOST_FAILURES_OF_A_NAME
        or failed.of_address >= MOST_FAILURES_OF_AN_ADDRESS
    ):
        raise TooOften("too many attempts to log in have failed here")


def forget_failures(session: Session, name: str) -> None:
    """Count what failed under a name no more: its password is another one now."""
    session.execute(delete(LoginFailure).where(col(LoginFailure.name) == name))


def log_out(session: Session, visit: Visit, *, at: datetime) -> None:
    """End one session."""
    _end(session, WebSession.id == visit.session_id, at=at)
    audit.note(session, visit.by, "logged out", visit.by.name, at=at)


def end_sessions_of(session: Session, user_id: int, *, at: datetime) -> None:
    """End every session of a user, whose password or rights have changed."""
    _end(session, WebSession.user_id == user_id, at=at)


def touch(session: Session, visit: Visit, *, at: datetime) -> None:
    """Note that somebody is still there. At most once a minute; no entry in the trail."""
    session.execute(
        update(WebSession).where(col(WebSession.id) == visit.session_id).values(seen_at=at)
    )


def choose(
    session: Session, visit: Visit, *, site_id: int | None = None, language: str | None = None
) -> None:
    """Keep which site, or which language, this session shows."""
    chosen = {"site_id": site_id, "language": language}
    values = {name: value for name, value in chosen.items() if value is not None}
    session.execute(
        update(WebSession).where(col(WebSession.id) == visit.session_id).values(**values)
    )


class SessionBook:
    """Whose cookie it is, remembered for two seconds. One select a cookie and miss."""

    def __init__(self, idle: timedelta) -> None:
        self._idle = idle
        self._known = Remembered(_find)

    def visit(
        self, connection_of: Callable[[], Connection], token: str, *, at: datetime
    ) -> Visit | None:
        """The session of a cookie; None if it is unknown, ended, or was left alone too long."""
        visit = self._known(connection_of, hash_token(token), at=at)
        if visit is None:
            return None
        over = at - visit.seen_at > self._idle or at - visit.created_at > LONGEST
        return None if over else visit

    def forget(self) -> None:
        """Look every session up anew: something about one has changed in this process."""
        self._known.forget()


def _find(connection: Connection, hashed: bytes) -> Visit | None:
    rows = connection.execute(_BY_HASH.where(col(WebSession.token_hash) == hashed)).all()
    if not rows:
        return None
    first = rows[0]
    sites = frozenset(row.site_id for row in rows if row.site_id is not None)
    by = Actor(user_id=first.id, name=first.name, role=Role(first.role), sites=sites or None)
    return Visit(
        session_id=first.session_id,
        by=by,
        created_at=first.created_at,
        seen_at=first.seen_at,
        site_id=first.chosen_site,
        language=first.language,
    )


def _may_log_in(user: User | None, password: str) -> bool:
    if user is None or user.disabled_at is not None or user.password_hash is None:
        hasher().verify(password, _nobodys_hash())  # takes as long as for somebody
        return False
    return user.role != Role.DEVICE and password_fits(user, password)


@lru_cache(maxsize=1)
def _nobodys_hash() -> str:
    return hasher().hash(secrets.token_urlsafe(16))


def _end(session: Session, whose: object, *, at: datetime) -> None:
    session.execute(
        update(WebSession)
        .where(whose, col(WebSession.ended_at).is_(None))  # type: ignore[arg-type]
        .values(ended_at=at)
    )
