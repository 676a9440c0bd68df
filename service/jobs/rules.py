"""How a job stands, and when one that failed is tried again."""

from datetime import datetime, timedelta
from enum import StrEnum

FIRST_RETRY = timedelta(seconds=15)
LAST_RETRY = timedelta(minutes=5)  # a watch that has stopped looking warns nobody
TOLD_AFTER = 3  # failures in a row
LATE_AFTER = timedelta(minutes=5)


class JobState(StrEnum):
    """How a job stands."""

    WAITING = "waiting"  # done, and not due yet
    RUNNING = "running"
    FAILING = "failing"  # its last run failed; it is tried again
    LATE = "late"  # due, and nobody does it: no worker runs


def retry_after(failures: int) -> timedelta:
    """How long to wait after so many failures in a row: each time twice as long, up to a limit.

    >>> [retry_after(n).seconds for n in (1, 2, 3, 10_000)]
    [15, 30, 60, 300]
    """
    return min(FIRST_RETRY * float(2 ** min(failures - 1, 16)), LAST_RETRY)


def is_due(at: datetime, due_at: datetime, every: timedelta) -> bool:
    """Whether a job is to be done. One that is due far later than it can be meant to is due too:
    the clock was set back."""
    return due_at <= at or due_at > at + max(every, LAST_RETRY)


def is_held(at: datetime, leased_until: datetime | None) -> bool:
    """Whether somebody has the job in hand, as far as anybody knows."""
    return leased_until is not None and leased_until > at


def state_of(
    *, at: datetime, due_at: datetime, leased_until: datetime | None, failures: int
) -> JobState:
    """How a job stands. Being done comes first, then that it fails, then that it is late."""
    if is_held(at, leased_until):
        return JobState.RUNNING
    if failures:
        return JobState.FAILING
    return JobState.LATE if at > due_at + LATE_AFTER else JobState.WAITING
