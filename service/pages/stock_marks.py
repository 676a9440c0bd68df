"""What is said of a lot in words, and its storage life as a bar."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from service.pages.words import _
from service.quality.schemas import LifeOut


@dataclass(frozen=True)
class Mark:
    """A word on a lot. look: stop (nobody may use it), full (the next to be used), or plain."""

    says: str
    look: Literal["stop", "full", ""]


REJECTED = Mark(_("Rejected"), "stop")
HELD = Mark(_("On hold"), "stop")
TOO_OLD = Mark(_("Past age limit"), "stop")
WAITING = Mark(_("Excursion to decide"), "stop")
USED_UP = Mark(_("Life used up: inspect"), "stop")
NEXT = Mark(_("Use next"), "full")
RESERVED = Mark(_("Reserved"), "")
SILENT = Mark(_("Place not measured"), "")


def marks_of(
    *,
    rejected: bool,
    held: bool,
    too_old: bool,
    waiting: bool,
    used: float,
    next_: bool,
    reserved: bool,
    silent: bool = False,
) -> Sequence[Mark]:
    """The words on a lot, the weightiest first."""
    said = (
        (rejected, REJECTED),
        (held and not rejected, HELD),
        (too_old, TOO_OLD),
        (waiting, WAITING),
        (used >= 1, USED_UP),
        (next_, NEXT),
        (reserved, RESERVED),
        (silent, SILENT),
    )
    return [mark for applies, mark in said if applies]


@dataclass(frozen=True)
class LifeBar:
    """Storage life left: shares of the whole for the bar, and days as it is kept now."""

    share: float
    low: float
    high: float
    days: float
    low_days: float
    high_days: float


def life_bar(life: LifeOut) -> LifeBar:
    """The bar of a parcel's life; what is used up is 0, never less."""
    used_low, used_high = life.used_range
    left = [_inside(1 - used) for used in (life.used, used_high, used_low)]
    whole = life.left_days / left[0] if left[0] else 0.0  # days of fresh fish, kept so
    return LifeBar(
        share=left[0],
        low=left[1],
        high=left[2],
        days=life.left_days,
        low_days=whole * left[1],
        high_days=whole * left[2],
    )


def _inside(share: float) -> float:
    return min(1.0, max(0.0, share))
