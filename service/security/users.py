"""Users and their tokens."""

import hashlib
import secrets
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import lru_cache

from pwdlib import PasswordHash
from sqlalchemy import Connection, select
from sqlmodel import Session, col
from sqlmodel import select as select_model

from service.errors import Conflict, Invalid, NotAllowed, NotFound
from service.security import audit
from service.security.actor import SERVICE, Actor
from service.security.models import ApiToken, User, UserSite
from service.security.remembering import Remembered
from service.security.rules import Action, Role

TOKEN_PREFIX = "fh_"

_BY_HASH = (
    select(
        col(User.id),
        col(User.name),
        col(User.role),
        col(ApiToken.scopes),
        col(ApiToken.expires_at),
        col(UserSite.site_id),
    )
    .join(ApiToken, col(ApiToken.user_id) == col(User.id))
    .outerjoin(UserSite, col(UserSite.user_id) == col(User.id))
    .where(col(ApiToken.revoked_at).is_(None), col(User.disabled_at).is_(None))
)


@lru_cache(maxsize=1)
def hasher() -> PasswordHash:
    """Argon2id with the library's recommended cost."""
    return PasswordHash.recommended()


def hash_token(token: str) -> bytes:
    """What is stored of a token. It is random, so a plain hash is enough."""
    return hashlib.sha256(token.encode()).digest()


def add_user(
    session: Session,
    name: str,
    role: Role,
    *,
    at: datetime,
    password: str | None = None,
    site_ids: Sequence[int] = (),
    by: Actor = SERVICE,
) -> User:
    """A new user. Raises Conflict if the name is taken, Invalid for a short password."""
    if not name.strip():
        raise Invalid.at("name", "a user needs a name")
    if password is not None and len(password) < 10:
        raise Invalid.at("password", "a password needs at least ten characters")
    if session.exec(select_model(User).where(col(User.name) == name)).first():
        raise Conflict.exists("user", name, "name")
    hashed = hasher().hash(password) if password is not None else None
    user = User(name=name, role=role, password_hash=hashed, created_at=at)
    session.add(user)
    session.flush()
    assert user.id is not None
    session.add_all(UserSite(user_id=user.id, site_id=site_id) for site_id in site_ids)
    audit.note(session, by, "user added", name, at=at, detail={"role": str(role)})
    return user


def issue_token(
    session: Session,
    user: User,
    *,
    at: datetime,
    scopes: Sequence[Action] | None = None,
    expires_at: datetime | None = None,
    by: Actor = SERVICE,
) -> str:
    """A new token of a user, returned once and never stored."""
    token = TOKEN_PREFIX + secrets.token_urlsafe(32)
    assert user.id is not None
    session.add(
        ApiToken(
            user_id=user.id,
            token_hash=hash_token(token),
            created_at=at,
            expires_at=expires_at,
            scopes=" ".join(sorted(scopes)) if scopes is not None else None,
        )
    )
    audit.note(session, by, "token issued", user.name, at=at)
    return token


def password_fits(user: User, password: str) -> bool:
    """Whether a password is this user's. Takes a third of a second on purpose."""
    return user.password_hash is not None and hasher().verify(password, user.password_hash)


def user_by_name(session: Session, name: str) -> User:
    """A user by name. Raises NotFound."""
    user = session.exec(select_model(User).where(col(User.name) == name)).one_or_none()
    if user is None:
        raise NotFound.of("user", name, "user")
    return user


def actor_named(session: Session, name: str) -> Actor:
    """A user by name, for what the service does in somebody's place. Two queries.

    Raises NotFound if nobody is called so, NotAllowed if they may no longer ask.
    """
    user = user_by_name(session, name)
    if user.disabled_at is not None:
        raise NotAllowed(f"the user {name} may no longer ask")
    of_sites = select_model(UserSite.site_id).where(col(UserSite.user_id) == user.id)
    sites = frozenset(session.exec(of_sites).all())
    return Actor(user_id=user.id or 0, name=user.name, role=Role(user.role), sites=sites or None)


class TokenBook:
    """Who holds which token, remembered for two seconds. One select a token and miss."""

    def __init__(self) -> None:
        self._known = Remembered(_find)

    def actor(
        self, connection_of: Callable[[], Connection], token: str, *, at: datetime
    ) -> Actor | None:
        """The user of a token; None if it is unknown, withdrawn or run out."""
        found = self._known(connection_of, hash_token(token), at=at)
        if found is None:
            return None
        expires_at, actor = found
        return actor if expires_at is None or at < expires_at else None


def _find(connection: Connection, hashed: bytes) -> tuple[datetime | None, Actor] | None:
    rows = connection.execute(_BY_HASH.where(col(ApiToken.token_hash) == hashed)).all()
    if not rows:
        return None
    first = rows[0]
    sites = frozenset(row.site_id for row in rows if row.site_id is not None)
    return first.expires_at, Actor(
        user_id=first.id or 0,
        name=first.name,
        role=Role(first.role),
        sites=sites or None,
        scopes=None if first.scopes is None else frozenset(first.scopes.split()),
    )
