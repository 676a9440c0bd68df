"""What has happened to a bucket, and how long it has been out of the cold."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from service.decisions import Finding
from service.site.rules import Policy, finding


class Where(StrEnum):
    """Where a bucket stands: in a refrigerator, under ice, or in neither."""

    COLD = "cold"
    ICED = "iced"
    OUT = "out"


class EventKind(StrEnum):
    """What happens to a bucket; what comes before the last five is also where it stands."""

    COLD = "cold"
    ICED = "iced"
    OUT = "out"
    WEIGHED_OUT = "weighed_out"
    FED = "fed"
    NOT_FED = "not_fed"
    DISCARDED = "discarded"
    CANCELLED = "cancelled"


class BucketState(StrEnum):
    """How far a bucket is on its way."""

    PLANNED = "planned"
    WEIGHED_OUT = "weighed_out"
    FED = "fed"
    NOT_FED = "not_fed"
    DISCARDED = "discarded"
    CANCELLED = "cancelled"


ENDS = frozenset({EventKind.FED, EventKind.NOT_FED, EventKind.DISCARDED, EventKind.CANCELLED})
_PLACES = frozenset({EventKind.COLD, EventKind.ICED, EventKind.OUT})


@dataclass(frozen=True)
class Happened:
    """One event of a bucket. number: the order in which they were recorded."""

    kind: EventKind
    at: datetime
    number: int = 0


@dataclass(frozen=True)
class OutOfCold:
    """How long a bucket has been out of the cold, without ice and with it."""

    out: timedelta = timedelta()
    iced: timedelta = timedelta()

    def used(self, policy: Policy) -> float:
        """The share of what is allowed that is used up: hours with and without ice add up."""
        hour = timedelta(hours=1)
        return (
            self.out / hour / policy.bucket_out_of_cold_h + self.iced / hour / policy.bucket_iced_h
        )


def state_of(events: Sequence[Happened]) -> BucketState:
    """How far it is, by what was recorded last.

    >>> noon = datetime(2031, 5, 1, 12)
    >>> state_of([Happened(EventKind.WEIGHED_OUT, noon, 1), Happened(EventKind.ICED, noon, 2)])
    <BucketState.WEIGHED_OUT: 'weighed_out'>
    """
    ended = [e for e in events if e.kind in ENDS]
    if ended:
        return BucketState(max(ended, key=lambda e: e.number).kind.value)
    if any(e.kind is EventKind.WEIGHED_OUT for e in events):
        return BucketState.WEIGHED_OUT
    return BucketState.PLANNED


def where_at(events: Sequence[Happened], at: datetime) -> Where | None:
    """Where it stood at an instant; None while nobody has said."""
    places = [e for e in events if e.kind in _PLACES and e.at <= at]
    if not places:
        return None
    return Where(max(places, key=lambda e: (e.at, e.number)).kind.value)


def out_of_cold(events: Sequence[Happened], until: datetime) -> OutOfCold:
    """How long it was out of the cold, from the first time that somebody said where it is."""
    out = iced = timedelta()
    for where, length in _stays(events, until):
        if where is EventKind.OUT:
            out += length
        elif where is EventKind.ICED:
            iced += length
    return OutOfCold(out, iced)


def _stays(events: Sequence[Happened], until: datetime) -> Iterator[tuple[EventKind, timedelta]]:
    places = sorted(
        (e for e in events if e.kind in _PLACES and e.at <= until), key=lambda e: (e.at, e.number)
    )
    ends = [place.at for place in places[1:]] + [until]
    for place, end in zip(places, ends, strict=False):
        yield place.kind, end - place.at


def feed_by(events: Sequence[Happened], at: datetime, policy: Policy) -> datetime | None:
    """Until when it may stay as it stands; None in the cold, or while nobody has said where."""
    where = where_at(events, at)
    if where in (None, Where.COLD):
        return None
    hours = policy.bucket_iced_h if where is Where.ICED else policy.bucket_out_of_cold_h
    return at + timedelta(hours=hours * (1 - out_of_cold(events, at).used(policy)))


def cold_findings(
    events: Sequence[Happened], at: datetime, policy: Policy, *, bucket: str
) -> Iterator[Finding]:
    """Whether a bucket was out of the cold for too long at an instant."""
    if where_at(events, at) is None:
        yield finding(
            "warm-too-long",
            "warn",
            f"bucket {bucket}: nobody has recorded where it stood",
            source="site policy",
        )
        return
    spent = out_of_cold(events, at)
    used, hour = spent.used(policy), timedelta(hours=1)
    yield finding(
        "warm-too-long",
        "block" if used > 1 else "pass",
        f"bucket {bucket}: {spent.out / hour:.2f} h out of the cold and {spent.iced / hour:.2f} h "
        f"under ice; {policy.bucket_out_of_cold_h:g} h or {policy.bucket_iced_h:g} h are allowed",
        numbers={
            "out_h": round(spent.out / hour, 3),
            "iced_h": round(spent.iced / hour, 3),
            "limit_out_h": policy.bucket_out_of_cold_h,
            "limit_iced_h": policy.bucket_iced_h,
            "used": round(used, 3),
        },
        source="site policy, our default",
    )
