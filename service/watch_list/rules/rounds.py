"""When each animal is to be looked at, which looks were taken, and when a watch is over.

All in UTC: hours are hours, whatever the clocks on the wall do.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise

OVERDUE_AFTER = 0.25  # of a round: nobody looks at all of them in the same minute


@dataclass(frozen=True)
class Schedule:
    """How a watch is kept: from when, how long after the last feed, how often.

    hours: 0 where it is a note for the vet and nobody is looked at.
    look_back_days: who ate of it longer ago than that, and than those hours, is only listed.
    """

    from_at: datetime
    hours: float
    round_h: float
    look_back_days: float

    @property
    def window(self) -> timedelta:
        """How long after its last feed an animal is watched."""
        return timedelta(hours=self.hours)

    @property
    def between(self) -> timedelta:
        """From one look to the next."""
        return timedelta(hours=self.round_h)

    @property
    def remembered(self) -> timedelta:
        """How long ago somebody may have eaten of it and still be looked at."""
        return max(timedelta(days=self.look_back_days), self.window)


@dataclass(frozen=True)
class Fed:
    """When somebody ate of a lot, and since when anybody who keeps watch could know it."""

    first_at: datetime
    last_at: datetime
    known_at: datetime


@dataclass(frozen=True)
class Look:
    """One look at an animal. noticed: something was seen."""

    at: datetime
    noticed: bool = False


class RoundState(StrEnum):
    """How a look stands."""

    DONE = "done"
    MISSED = "missed"  # the next one is nearer by now
    OVERDUE = "overdue"
    DUE = "due"
    COMING = "coming"


@dataclass(frozen=True)
class Round:
    """A look that is to be taken, and the last one that was taken for it, by its place in order."""

    due_at: datetime
    state: RoundState
    look: int | None = None


def is_watched(schedule: Schedule, fed: Fed) -> bool:
    """Whether somebody who ate of it is looked at, or only listed with the date."""
    return schedule.hours > 0 and fed.last_at >= schedule.from_at - schedule.remembered


def until(schedule: Schedule, fed: Fed) -> datetime:
    """When the last look at somebody is due: at the first round if its hours are over by then."""
    return max(_start(schedule, fed), fed.last_at + schedule.window)


def due_times(schedule: Schedule, fed: Fed) -> tuple[datetime, ...]:
    """When somebody is to be looked at: at once, then every round, at last when its time is over.

    Rounds that nobody could have known of are not asked for.
    """
    end, between = until(schedule, fed), schedule.between
    times = []
    due = _start(schedule, fed)
    while due < end:
        times.append(due)
        due += between
    return (*times, end)


def _start(schedule: Schedule, fed: Fed) -> datetime:
    return max(schedule.from_at, fed.known_at)


def rounds_of(
    schedule: Schedule,
    fed: Fed,
    looks: Sequence[Look],
    *,
    at: datetime,
    gone_at: datetime | None = None,
) -> tuple[Round, ...]:
    """How each look that is due stands. looks: in order of time; each counts for the nearest round.

    Looks from long before the first round count for none. gone_at: when it died or left; nobody
    looks after that. Empty for somebody who is only listed.
    """
    if not is_watched(schedule, fed):
        return ()
    due = [t for t in due_times(schedule, fed) if gone_at is None or t <= gone_at]
    if not due:
        return ()
    turns = [a + (b - a) / 2 for a, b in pairwise(due)]
    begin = due[0] - schedule.between / 2
    taken = {bisect_right(turns, look.at): i for i, look in enumerate(looks) if look.at >= begin}
    late = schedule.between * OVERDUE_AFTER
    return tuple(
        Round(when, _state(when, turns[i] if i < len(turns) else None, late, i in taken, at), look)
        for i, when in enumerate(due)
        for look in [taken.get(i)]
    )


def _state(
    due: datetime, turn: datetime | None, late: timedelta, done: bool, at: datetime
) -> RoundState:
    if done:
        return RoundState.DONE
    if at < due:
        return RoundState.COMING
    if turn is not None and at >= turn:
        return RoundState.MISSED
    return RoundState.OVERDUE if at > due + late else RoundState.DUE


def is_over(rounds: Sequence[Round], looks: Sequence[Look], *, at: datetime) -> bool:
    """Whether nobody need look at this one any more.

    Its hours are over, the last look at it was taken, and nothing was seen then. Looks that
    were missed before stay missed.
    """
    if not rounds:
        return True
    last = rounds[-1]
    return last.due_at <= at and last.look is not None and not looks[-1].noticed
