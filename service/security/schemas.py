"""The audit trail as it is shown."""

from datetime import datetime

from pydantic import BaseModel, Field, SecretStr

from service.http.bodies import Body, Code, Name
from service.security.rules import Role


class AuditEntryOut(BaseModel):
    """One write: who, when, what."""

    chain: int
    number: int
    recorded_at: datetime
    by: str
    on_behalf_of: str | None
    what: str
    subject: str
    before: str | None
    after: str | None
    detail: dict[str, object]
    hash: str


class UserIn(Body):
    """A person, a program or a thermometer that is to be let in."""

    name: Name
    role: Role
    password: SecretStr | None = Field(
        default=None, description="Left out: it does not log in, and asks with a token."
    )
    sites: list[Code] = Field(
        default_factory=list, max_length=100, description="The only sites; none: all."
    )


class PasswordIn(Body):
    """A new password."""

    password: SecretStr


class FirstManagerIn(PasswordIn):
    """The first manager of an empty house, and the code that lets them in."""

    name: Name
    code: str = ""
