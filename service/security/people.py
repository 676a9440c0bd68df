"""Who may log in here: what a manager does to people, programs and thermometers.

Somebody whose password or right to ask has changed is logged out everywhere at once. The
last manager who can log in cannot be shut out, or nobody could let anybody in again.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, func, update
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from service.errors import Conflict, Invalid, NotAllowed, NotFound
from service.security import audit, sessions
from service.security.actor import Actor
from service.security.models import ApiToken, User, UserSite
from service.security.rules import Role
from service.security.users import hasher

LEAST_PASSWORD, LONGEST_PASSWORD = 10, 200


@dataclass(frozen=True)
class Known:
    """A user, and the sites that they are limited to; none: all."""

    user: User
    site_ids: frozenset[int]

    @property
    def may_log_in(self) -> bool:
        """Whether they have a password that still opens the pages."""
        of_a_person = self.user.role != Role.DEVICE and self.user.password_hash is not None
        return of_a_person and self.user.disabled_at is None


def everybody(session: Session, *, by: Actor) -> list[Known]:
    """The users that somebody may look after, by name. Two queries."""
    users = session.exec(select(User).order_by(col(User.name))).all()
    found = _with_sites(session, users)
    return [known for known in found if _is_theirs(known.site_ids, by)]


def somebody(session: Session, number: int, *, by: Actor) -> Known:
    """One user. Raises NotFound, and NotAllowed for one of other sites. Two queries."""
    user = session.get(User, number)
    if user is None:
        raise NotFound.of("user", number, "user")
    (known,) = _with_sites(session, [user])
    ensure_looks_after(known.site_ids, by)
    return known


def ensure_looks_after(site_ids: frozenset[int], by: Actor) -> None:
    """Raise NotAllowed for a user who reaches further than whoever looks after them."""
    if not _is_theirs(site_ids, by):
        raise NotAllowed("this user may act on sites that you have no access to")


def set_password(session: Session, number: int, password: str, *, at: datetime, by: Actor) -> User:
    """Give somebody a new password, and log them out everywhere; they need not wait with it.

    Raises NotFound, Invalid for a short password, Conflict for a thermometer.
    """
    ensure_strong(password)
    user = somebody(session, number, by=by).user
    if user.role == Role.DEVICE:
        raise Conflict(f"{user.name} is a device and does not log in", advice="Issue it a token.")
    user.password_hash = hasher().hash(password)
    session.add(user)
    sessions.end_sessions_of(session, user.id or 0, at=at)
    sessions.forget_failures(session, user.name)
    audit.note(session, by, "password set", user.name, at=at)
    return user


def disable_user(session: Session, number: int, *, at: datetime, by: Actor) -> User:
    """Let somebody in no more: their sessions end, their tokens open nothing.

    Raises NotFound, Conflict if it was done before, or for the last manager who can log in.
    """
    managers = _locked_managers(session)
    known = somebody(session, number, by=by)
    if known.user.disabled_at is not None:
        raise Conflict(f"{known.user.name} may not ask any more", kind="already-ended")
    if known.user.role == Role.MANAGER:
        _leave_a_manager(session, managers, known)
    known.user.disabled_at = at
    session.add(known.user)
    sessions.end_sessions_of(session, known.user.id or 0, at=at)
    audit.note(session, by, "user disabled", known.user.name, at=at)
    return known.user


def enable_user(session: Session, number: int, *, at: datetime, by: Actor) -> User:
    """Let somebody in again, with the password and the tokens that they had.

    Raises NotFound, Conflict for somebody who may ask.
    """
    user = somebody(session, number, by=by).user
    if user.disabled_at is None:
        raise Conflict(f"{user.name} may ask already", kind="already-ended")
    user.disabled_at = None
    session.add(user)
    audit.note(session, by, "user enabled", user.name, at=at)
    return user


def live_tokens(session: Session, number: int) -> int:
    """How many tokens of a user are not withdrawn. One query."""
    live = select_columns(func.count()).where(*_live(number))
    return int(session.execute(live).scalar_one())


def withdraw_tokens(session: Session, number: int, *, at: datetime, by: Actor) -> int:
    """Withdraw every token of a user; each stops within two seconds. Returns how many.

    Raises NotFound.
    """
    user = somebody(session, number, by=by).user
    count = live_tokens(session, number)
    session.execute(update(ApiToken).where(*_live(number)).values(revoked_at=at))
    audit.note(session, by, "tokens withdrawn", user.name, at=at, detail={"tokens": count})
    return count


def ensure_strong(password: str) -> None:
    """Raise Invalid for a password that is too short, or longer than anybody types."""
    if not LEAST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise Invalid.at(
            "password", f"a password has {LEAST_PASSWORD} to {LONGEST_PASSWORD} characters"
        )


def _live(number: int) -> tuple[ColumnElement[bool], ...]:
    return col(ApiToken.user_id) == number, col(ApiToken.revoked_at).is_(None)


def _is_theirs(site_ids: frozenset[int], by: Actor) -> bool:
    """Whoever is limited to sites looks after those alone who are limited to some of them."""
    return by.sites is None or (bool(site_ids) and site_ids <= by.sites)


def _with_sites(session: Session, users: Sequence[User]) -> list[Known]:
    ids = [user.id or 0 for user in users]
    rows = session.execute(
        select_columns(col(UserSite.user_id), col(UserSite.site_id)).where(
            col(UserSite.user_id).in_(ids)
        )
    ).all()
    homes: dict[int, set[int]] = {id_: set() for id_ in ids}
    for user_id, site_id in rows:
        homes[user_id].add(site_id)
    return [Known(user, frozenset(homes[user.id or 0])) for user in users]


def _locked_managers(session: Session) -> Sequence[User]:
    """All managers, locked until commit: two of them cannot shut each other out at once."""
    statement = select(User).where(col(User.role) == Role.MANAGER).order_by(col(User.id))
    return session.exec(statement.with_for_update().execution_options(populate_existing=True)).all()


def _leave_a_manager(session: Session, managers: Sequence[User], leaving: Known) -> None:
    """Raise Conflict unless a manager remains who can log in and reaches as far."""
    remaining = [
        known
        for known in _with_sites(session, managers)
        if known.may_log_in and known.user.id != leaving.user.id
        if leaving.site_ids or not known.site_ids
    ]
    if leaving.may_log_in and not remaining:
        raise Conflict(
            f"{leaving.user.name} is the last manager who can log in",
            advice="Give another manager a password first.",
        )
