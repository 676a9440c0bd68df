"""Recipients and messages as they are sent and shown."""

import re
from datetime import datetime, time
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import (
    BaseModel,
    Field,
    SecretStr,
    StringConstraints,
    field_validator,
    model_validator,
)

from service.http.bodies import Body, Code, Name, Note, Reason
from service.notifications.models import Message, Recipient
from service.notifications.rules import (
    SUBJECTS_BY_DEFAULT,
    Channel,
    State,
    Subject,
    Urgency,
    key_bytes,
    shown_address,
)
from service.security.rules import Role

_EMAIL = re.compile(r"[^\s@<>()\[\],;:\"\\]+@[^\s@<>()\[\],;:\"\\]+")
_TIME = r"^([01]\d|2[0-3]):[0-5]\d$"
LocalTime = Annotated[str, StringConstraints(pattern=_TIME)]
"""A time of day of the site, as 22:30."""


class RecipientIn(Body):
    """Somebody who is to be told: an address, a program, or a service for messages."""

    site: Code | None = Field(default=None, description="Left out: the only one.")
    name: Name
    channel: Channel
    address: SecretStr = Field(
        min_length=3,
        max_length=2000,
        description="An e-mail address, a URL that takes a POST, or an apprise URL. Of a URL only "
        "scheme and host are ever shown again.",
    )
    key: SecretStr | None = Field(
        default=None,
        max_length=120,
        description="Of a webhook: `whsec_` and base64 of 24 to 64 random bytes. Never shown.",
    )
    stands_for: Role | None = Field(default=None, description="The role that is reached there.")
    urgencies: list[Urgency] = Field(
        default=[Urgency.NOW, Urgency.TODAY], min_length=1, max_length=3
    )
    subjects: list[Subject] = Field(
        default=list(SUBJECTS_BY_DEFAULT), min_length=1, max_length=len(Subject)
    )
    quiet_from: LocalTime | None = Field(
        default=None, description="From then on only what is urgent is told; the site's time."
    )
    quiet_until: LocalTime | None = None
    after_minutes: int = Field(
        default=0,
        ge=0,
        le=1440,
        description="The step of escalation: told only if nobody has acknowledged after so long.",
    )
    repeat_minutes: int | None = Field(
        default=15,
        ge=5,
        le=1440,
        description="Told again each time until somebody acknowledges; null: once.",
    )
    most_an_hour: int = Field(
        default=20, ge=1, le=60, description="What comes faster is gathered into one message."
    )

    @field_validator("urgencies")
    @classmethod
    def _sent(cls, value: list[Urgency]) -> list[Urgency]:
        if Urgency.RECORD in value:
            raise ValueError("what is only for the record is never sent: leave it out")
        return sorted(set(value))

    @field_validator("subjects")
    @classmethod
    def _once_each(cls, value: list[Subject]) -> list[Subject]:
        return sorted(set(value))

    @model_validator(mode="after")
    def _fits_the_channel(self) -> Self:
        address = self.address.get_secret_value()
        check = {
            Channel.EMAIL: _check_email,
            Channel.WEBHOOK: _check_webhook,
            Channel.APPRISE: _check_apprise,
        }[self.channel]
        check(address)
        if (self.key is not None) != (self.channel is Channel.WEBHOOK):
            raise ValueError("a webhook has a key, and nothing else has one")
        if self.key is not None:
            key_bytes(self.key.get_secret_value())
        if (self.quiet_from is None) != (self.quiet_until is None):
            raise ValueError("quiet hours have a beginning and an end")
        if self.quiet_from is not None and self.quiet_from == self.quiet_until:
            raise ValueError("quiet hours that end when they begin are none: leave both out")
        return self


def _check_email(address: str) -> None:
    if not address.isascii() or len(address) > 254 or not _EMAIL.fullmatch(address):
        raise ValueError("the address is no e-mail address such as kitchen@example.org")


def _check_webhook(address: str) -> None:
    fault = "the address is no URL such as https://example.org/hook"
    if not address.isascii() or not address.isprintable() or " " in address:
        raise ValueError(fault)
    try:
        parts = urlsplit(address)
        known = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
    except ValueError:
        known = False
    if not known:
        raise ValueError(fault)
    if parts.username is not None or parts.password is not None:
        raise ValueError("the address holds a user or password: what is sent is signed instead")


def _check_apprise(address: str) -> None:
    if not address.isprintable() or not re.match(r"[A-Za-z][A-Za-z0-9+.\-]*://.", address):
        raise ValueError("the address is no apprise URL such as ntfy://example.org/freezers")


class Withdrawal(Body):
    """Why a recipient is told nothing more."""

    reason: Reason


class RecipientOut(BaseModel):
    """A recipient, without what is secret of it."""

    id: int
    site: str
    name: str
    channel: Channel
    address: str
    has_key: bool
    stands_for: Role | None
    urgencies: list[Urgency]
    subjects: list[Subject]
    quiet_from: time | None
    quiet_until: time | None
    after_minutes: int
    repeat_minutes: int | None
    most_an_hour: int
    failing_since: datetime | None = Field(description="When it was told that it is not reached.")
    created_at: datetime
    by: str
    withdrawn_at: datetime | None
    withdrawn_by: str | None
    withdrawn_reason: str | None

    @classmethod
    def of(cls, row: Recipient, site: str) -> "RecipientOut":
        """A row as it is shown."""
        channel = Channel(row.channel)
        return cls.model_validate(
            row.model_dump(exclude={"address", "key"})
            | {
                "site": site,
                "address": shown_address(channel, row.address),
                "has_key": row.key is not None,
                "failing_since": row.failure_told_at,
            }
        )


class AcknowledgementIn(Body):
    """That somebody knows of it and is at it."""

    note: Note = ""


class NoticeOut(BaseModel):
    """How far one recipient has been told of a message, by the last time."""

    recipient: int
    name: str
    channel: Channel
    stands_for: Role | None
    times: int = Field(description="How often it was told; 1: once.")
    state: State
    attempts: int = Field(description="Tries of the last time.")
    due_at: datetime | None
    sent_at: datetime | None
    last_error: str | None


class MessageOut(BaseModel):
    """A message of the outbox and what became of it."""

    id: int
    site: str
    subject: Subject
    number: int
    title: str
    body: str
    urgency: Urgency
    created_at: datetime
    state: State
    acknowledged_at: datetime | None
    acknowledged_by: str | None
    acknowledgement: str | None
    notices: list[NoticeOut]

    @classmethod
    def of(cls, row: Message, site: str, notices: list[NoticeOut], *, state: State) -> "MessageOut":
        """A row as it is shown."""
        return cls.model_validate(
            row.model_dump() | {"site": site, "notices": notices, "state": state}
        )
