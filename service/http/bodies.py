"""What bodies and lists have in common."""

import base64
import binascii
import json
import re
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Generic, TypeVar

from fastapi import Query
from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    field_validator,
)

from service.decisions import Override
from service.errors import Invalid

Row = TypeVar("Row")


# Beyond these no truck has come; a clock that shows 0001 or 9999 is broken, and
# arithmetic with hours and zones needs room on both sides.
_EARLIEST, _LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
_FIRST_DAY, _LAST_DAY = date(1900, 1, 1), date(2199, 12, 31)
_STARTS_WITH_A_DATE = re.compile(r"\s*\d{4}-\d{2}-\d{2}", re.ASCII)
WIDEST_SKEW = timedelta(hours=1)  # no site's policy lets clocks differ by more
UNSTORABLE = "contains a character that cannot be stored"
LARGEST_NUMBER = 2**31 - 1  # of a row, on either database


def _as_iso_text(value: object) -> object:
    """Digits alone would be read as seconds since 1970."""
    if not isinstance(value, datetime) and not (
        isinstance(value, str) and _STARTS_WITH_A_DATE.match(value)
    ):
        raise ValueError("write an instant as ISO 8601 text with its zone")
    return value


def _in_utc(value: datetime) -> datetime:
    if not _EARLIEST <= value < _LATEST:
        raise ValueError(f"lies outside {_EARLIEST.year} to {_LATEST.year - 1}")
    return value.astimezone(UTC)


def _as_iso_date(value: object) -> object:
    if not isinstance(value, date) and not (
        isinstance(value, str) and _STARTS_WITH_A_DATE.fullmatch(value)
    ):
        raise ValueError("write a date as YYYY-MM-DD")
    return value


def _in_the_calendar(value: date) -> date:
    if not _FIRST_DAY <= value <= _LAST_DAY:
        raise ValueError(f"lies outside {_FIRST_DAY.year} to {_LAST_DAY.year}")
    return value


def storable(text: str) -> bool:
    """Whether a text can be stored: neither a NUL character nor half of a surrogate pair is."""
    try:
        return b"\0" not in text.encode()
    except UnicodeEncodeError:
        return False


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
Moment = Annotated[AwareDatetime, BeforeValidator(_as_iso_text), AfterValidator(_in_utc)]
"""An instant that was sent with its zone; in UTC from here on."""
Day = Annotated[date, BeforeValidator(_as_iso_date), AfterValidator(_in_the_calendar)]
"""A civil date of the site."""
Number = Annotated[int, Field(ge=0, le=LARGEST_NUMBER)]
"""The number of something stored: a movement, a hold, a plan."""


class Body(BaseModel):
    """What is sent: unknown fields are refused."""

    model_config = ConfigDict(extra="forbid", str_max_length=10_000)

    @field_validator("*", mode="before")
    @classmethod
    def _storable(cls, value: object) -> object:
        if isinstance(value, str) and not storable(value):
            raise ValueError(UNSTORABLE)
        return value


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
        and all(_is_key(part, kind) for part, kind in zip(key, kinds, strict=True))
    )
    if not fits:
        raise Invalid.at("cursor", "this is not a cursor that this list has given")
    return tuple(key)


def _is_key(part: object, kind: type) -> bool:
    if kind is int and type(part) is int:
        return 0 <= part <= LARGEST_NUMBER
    return type(part) is kind


def instant_of(said: datetime | None, *, now: datetime, skew: timedelta) -> datetime:
    """When it happened: what was said, else now.

    Raises Invalid if that is further in the future than clocks disagree.
    """
    if said is None:
        return now
    refuse_future(said, now=now, skew=skew)
    return said


def refuse_future(
    said: datetime | None,
    *,
    now: datetime,
    skew: timedelta = WIDEST_SKEW,
    field: str = "occurred_at",
) -> None:
    """Raise Invalid for an instant that lies in the future.

    Without a site's own skew it refuses what no site's clock could show: asked
    before anything is looked up, since 422 comes before 404.
    """
    if said is not None and said > now + skew:
        raise Invalid.at(field, f"lies in the future: it is {now:%Y-%m-%d %H:%M} UTC now")
