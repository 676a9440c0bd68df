"""The outbox: who is told, what, and what became of it."""

from sqlalchemy import JSON, Column, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.database import Instant


class Recipient(SQLModel, table=True):
    """A person or program that a site tells things; address and key may be secrets."""

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    name: str
    channel: str
    address: str = Field(repr=False)
    key: str | None = Field(default=None, repr=False)
    stands_for: str | None = None
    urgencies: list[str] = Field(sa_column=Column(JSON, nullable=False))
    subjects: list[str] = Field(sa_column=Column(JSON, nullable=False))
    quiet_from: str | None = None
    quiet_until: str | None = None
    after_minutes: int
    repeat_minutes: int | None = None
    most_an_hour: int
    next_dispatch_at: Instant | None = None
    failure_told_at: Instant | None = None
    created_at: Instant
    by: str
    withdrawn_at: Instant | None = None
    withdrawn_by: str | None = None
    withdrawn_reason: str | None = None


class Message(SQLModel, table=True):
    """Something that people are to be told; looked at again while `next_look_at` is set."""

    id: int | None = Field(default=None, primary_key=True)
    site_id: int = Field(foreign_key="site.id", index=True)
    subject: str
    number: int
    title: str
    body: str
    urgency: str
    once: bool = False
    ends: bool = False
    only_recipient_id: int | None = Field(default=None, foreign_key="recipient.id")
    but_not_recipient_id: int | None = Field(default=None, foreign_key="recipient.id")
    created_at: Instant
    next_look_at: Instant | None = Field(default=None, index=True)
    acknowledged_at: Instant | None = None
    acknowledged_by: str | None = None
    acknowledgement: str | None = None


class Dispatch(SQLModel, table=True):
    """What goes out to a recipient in one piece, under a key that stays the same when repeated."""

    id: int | None = Field(default=None, primary_key=True)
    recipient_id: int = Field(foreign_key="recipient.id")
    key: str = Field(unique=True)
    made_at: Instant
    due_at: Instant | None = Field(default=None, index=True)
    attempts: int = 0
    leased_until: Instant | None = None
    sent_at: Instant | None = None
    failed_at: Instant | None = None
    last_error: str | None = None


class Notice(SQLModel, table=True):
    """That one recipient is told of one message for the n-th time; due until it is dispatched."""

    __table_args__ = (UniqueConstraint("message_id", "recipient_id", "times"),)

    id: int | None = Field(default=None, primary_key=True)
    message_id: int = Field(foreign_key="message.id")
    recipient_id: int = Field(foreign_key="recipient.id")
    times: int
    made_at: Instant
    due_at: Instant | None = Field(default=None, index=True)
    dispatch_id: int | None = Field(default=None, foreign_key="dispatch.id", index=True)
