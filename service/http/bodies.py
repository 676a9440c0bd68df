"""What bodies and lists have in common."""

import base64
import binascii
import json
from datetime import date, datetime, timedelta
from typing import Annotated, Generic, TypeVar

from fastapi import Query
from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from service.decisions import Override
from service.errors import Invalid

Row = TypeVar("Row")


def _no_text_numbers(value: object) -> object:
    if isinstance(value, int | float):
        raise ValueError("write an instant as ISO 8601 text with its zone")
    return value


def _no_date_numbers(value: object) -> object:
    if not isinstance(value, date | str):
        raise ValueError("write a date as YYYY-MM-DD")
    return value


Code = Annotated[
    str,
    StringConstraints(
        strip_whitespace=True,
        to_upper=True,
        min_length=1,
        max_length=40,
        pattern=r"^[A-Za-z0-9][A-Za-z0-9._\-]*$",
    ),
]
"""A short name in URLs and on labels: letters, digits, dot, dash; stored in upper case."""
Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200)]
Reason = Annotated[str, StringConstraints(strip_whitespace=True, min_length=3, max_length=1000)]
Note = Annotated[str, StringConstraints(strip_whitespace=True, max_length=2000)]
Moment = Annotated[AwareDatetime, BeforeValidator(_no_text_numbers)]
"""An instant with its zone."""
Day = Annotated[date, BeforeValidator(_no_date_numbers)]
"""A civil date of the site."""


class Body(BaseModel):
    """What is sent: unknown fields are refused."""

    model_config = ConfigDict(extra="forbid", str_max_length=10_000)


class Occurrence(Body):
    """Something that happens, or has happened, at an instant."""

    occurred_at: Moment | None = Field(
        default=None, description="When it happened; left out: now. Not in the future."
    )


class Refusable(Occurrence):
    """Something that a rule of the trade may refuse."""

    override: list[Override] = Field(
        default_factory=list,
        max_length=20,
        description="Rules that somebody entitled decides against, each with a reason.",
    )
    already_done: bool = Field(
        default=False,
        description="True: it has happened. It is stored, with its breaches, and not refused.",
    )


class Page(BaseModel, Generic[Row]):
    """Some rows of a list, and the cursor to the next ones."""

    items: list[Row]
    next: str | None = None


Limit = Annotated[int, Query(ge=1, le=500, description="Most rows in one answer.")]
Cursor = Annotated[str | None, Query(max_length=500, description="`next` of the page before.")]


def encode_cursor(*key: str | int) -> str:
    """An opaque cursor from the sort key of the last row shown."""
    return base64.urlsafe_b64encode(json.dumps(key).encode()).decode().rstrip("=")


def decode_cursor(cursor: str, *kinds: type) -> tuple[str | int, ...]:
    """The sort key in a cursor. Raises Invalid for one that this list did not give."""
    try:
        padded = cursor + "=" * (-len(cursor) % 4)
        key = json.loads(base64.urlsafe_b64decode(padded))
    except (ValueError, binascii.Error):
        key = None
    fits = (
        isinstance(key, list)
        and len(key) == len(kinds)
        and all(type(part) is kind for part, kind in zip(key, kinds, strict=True))
    )
    if not fits:
        raise Invalid.at("cursor", "this is not a cursor that this list has given")
    return tuple(key)


def instant_of(said: datetime | None, *, now: datetime, skew: timedelta) -> datetime:
    """When it happened: what was said, else now.

    Raises Invalid if that is further in the future than clocks disagree.
    """
    if said is None:
        return now
    if said > now + skew:
        raise Invalid.at("occurred_at", f"lies in the future: it is {now:%Y-%m-%d %H:%M} UTC now")
    return said
