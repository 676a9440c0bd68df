"""Who may do what, and the trail of what was done."""

from sqlalchemy import JSON, Column, ForeignKeyConstraint, LargeBinary, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.database import Instant


class User(SQLModel, table=True):
    """A person, a program or a thermometer that may ask."""

    __tablename__ = "app_user"

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(unique=True)
    role: str
    password_hash: str | None = None
    created_at: Instant
    disabled_at: Instant | None = None


class UserSite(SQLModel, table=True):
    """A site that a user is limited to; a user without any may act on all."""

    __tablename__ = "user_site"

    user_id: int = Field(foreign_key="app_user.id", primary_key=True)
    site_id: int = Field(foreign_key="site.id", primary_key=True)


class ApiToken(SQLModel, table=True):
    """A bearer token, stored as a hash only."""

    __tablename__ = "api_token"

    id: int | None = Field(default=None, primary_key=True)
    user_id: int = Field(foreign_key="app_user.id", index=True)
    token_hash: bytes = Field(sa_column=Column(LargeBinary, unique=True, nullable=False))
    scopes: str | None = Field(default=None, description="Actions it is limited to; null: all.")
    created_at: Instant
    expires_at: Instant | None = None
    revoked_at: Instant | None = None


class WebSession(SQLModel, table=True):
    """Somebody logged in at a tablet or a desk; of the cookie only a hash is stored."""

    __tablename__ = "web_session"

    id: int | None = Field(default=None, primary_key=True)
    user_id: int = Field(foreign_key="app_user.id", index=True)
    token_hash: bytes = Field(sa_column=Column(LargeBinary, unique=True, nullable=False))
    created_at: Instant
    seen_at: Instant
    ended_at: Instant | None = None
    site_id: int | None = Field(default=None, foreign_key="site.id")
    language: str | None = None


class LoginFailure(SQLModel, table=True):
    """An attempt to log in that failed."""

    __tablename__ = "login_failure"

    id: int | None = Field(default=None, primary_key=True)
    name: str
    address: str
    at: Instant = Field(index=True)


class IdempotencyKey(SQLModel, table=True):
    """A request that succeeded, and its answer, so that a retry is not done twice."""

    __tablename__ = "idempotency_key"

    user_id: int = Field(foreign_key="app_user.id", primary_key=True)
    route: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    body_hash: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    status: int | None = None
    answer: bytes | None = Field(default=None, sa_column=Column(LargeBinary))
    created_at: Instant


class AuditHead(SQLModel, table=True):
    """Where the chain of one site (or, as 0, of the organisation) ends now."""

    __tablename__ = "audit_head"

    chain: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    length: int
    hash: str


class AuditEntry(SQLModel, table=True):
    """One write: who, when, what, digests, and the hash of the entry before."""

    __tablename__ = "audit_entry"
    __table_args__ = (
        UniqueConstraint("chain", "number"),
        ForeignKeyConstraint(["chain"], ["audit_head.chain"]),
    )

    id: int | None = Field(default=None, primary_key=True)
    chain: int
    number: int
    recorded_at: Instant
    by: str
    on_behalf_of: str | None = None
    what: str
    subject: str
    before: str | None = None
    after: str | None = None
    detail: dict[str, object] = Field(sa_column=Column(JSON, nullable=False))
    previous_hash: str
    hash: str
