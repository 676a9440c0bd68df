"""When to pull which fish, and until when it may be fed."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum

from service.decisions import Finding
from service.ledger.rules import FreezerParcel, Take, take_from
from service.lots.rules import LotFacts
from service.site.rules import PlaceKind, Policy, finding

# 10-90 % of a thaw time taken from the policy's figure [handling_rules.csv, our default].
EARLY, LATE = 0.7, 1.4


class BatchState(StrEnum):
    """Where a thaw batch is on its way."""

    THAWING = "thawing"
    THAWED = "thawed"
    FINISHED = "finished"


@dataclass(frozen=True)
class ThawTime:
    """Hours until fully thawed: median, and its 10-90 % range."""

    hours: float
    low_h: float
    high_h: float

    @classmethod
    def from_policy(cls, policy: Policy, form: str, kind: PlaceKind) -> "ThawTime":
        """The policy's figure for a form and a place."""
        hours = policy.thaw_hours(form, kind)
        return cls(hours, hours * EARLY, hours * LATE)


@dataclass(frozen=True)
class Window:
    """When to pull so that fish is thawed by the first feed and lawful until the last."""

    not_before: datetime
    not_after: datetime

    @property
    def short_by(self) -> timedelta:
        """By how much the window is missed; zero where there is one."""
        return max(timedelta(0), self.not_before - self.not_after)


def pull_window(
    time: ThawTime, kind: PlaceKind, policy: Policy, *, first_feed: datetime, last_feed: datetime
) -> Window:
    """Not after = first feed − preparation − 90 % thaw time. Not before = last feed − the
    clock, and under refrigeration − 10 % thaw time, as the clock starts when it is thawed."""
    prepared = first_feed - timedelta(minutes=policy.preparation_minutes)
    not_after = prepared - timedelta(hours=time.high_h)
    if kind is PlaceKind.REFRIGERATOR:
        start = timedelta(hours=policy.clock_thawed_refrigerated_h + time.low_h)
    else:
        start = timedelta(hours=policy.clock_freezer_out_h)
    return Window(last_feed - start, not_after)


def window_findings(
    window: Window, time: ThawTime, kind: PlaceKind, policy: Policy, *, form: str, now: datetime
) -> Iterator[Finding]:
    """Which limit a planned pull fails, and by how much."""
    where = f"{form} in a {kind.replace('_', ' ')}"
    if window.short_by:
        rule = "clock-from-thawed" if kind is PlaceKind.REFRIGERATOR else "clock-from-freezer"
        hours = window.short_by / timedelta(hours=1)
        yield finding(
            rule,
            "block",
            f"{where}: thawed in time for the first feed, the clock ends "
            f"{hours:.1f} h before the last one",
            numbers={
                "short_by_h": round(hours, 2),
                "thaw_h": time.hours,
                "thaw_high_h": round(time.high_h, 2),
            },
        )
    if window.not_after < now:
        hours = (now - window.not_after) / timedelta(hours=1)
        yield finding(
            "thaw-in-time",
            "warn",
            f"{where}: should have been pulled {hours:.1f} h ago",
            numbers={"late_by_h": round(hours, 2), "thaw_h": time.hours},
        )
    if kind is PlaceKind.REFRIGERATOR and time.high_h > policy.refrigerated_thaw_max_h:
        yield finding(
            "thaw-too-long",
            "warn",
            f"{where} may take {time.high_h:.0f} h: the surface ages while the core is frozen",
            numbers={
                "thaw_high_h": round(time.high_h, 2),
                "limit_h": policy.refrigerated_thaw_max_h,
            },
        )


@dataclass(frozen=True)
class Alternative:
    """Another way to have the fish thawed, and whether it meets the clock."""

    method: str
    kind: PlaceKind
    pulls: int
    feasible: bool
    short_by_h: float


MOST_PULLS = 4  # in which a day's fish is split


def alternatives(
    policy: Policy,
    form: str,
    chosen: PlaceKind,
    *,
    first_feed: datetime,
    last_feed: datetime,
    now: datetime,
) -> list[Alternative]:
    """The best of each other way: another place, or the day's fish in several pulls.

    Those that meet the clock come first, then by what they miss it by.
    """
    found = []
    for kind in (PlaceKind.REFRIGERATOR, PlaceKind.THAW_ROOM, PlaceKind.THAW_TANK):
        fewest = 2 if kind is chosen else 1
        ways = [
            _alternative(policy, form, kind, pulls, first_feed, last_feed, now)
            for pulls in range(fewest, MOST_PULLS + 1)
        ]
        found.append(min(ways, key=lambda way: (way.short_by_h, way.pulls)))
    return sorted(found, key=lambda way: (way.short_by_h, way.pulls))


def _alternative(
    policy: Policy,
    form: str,
    kind: PlaceKind,
    pulls: int,
    first_feed: datetime,
    last_feed: datetime,
    now: datetime,
) -> Alternative:
    """One pull serves an even share of the feeding day; the first is the hardest to make."""
    time = ThawTime.from_policy(policy, form, kind)
    share_ends = first_feed + (last_feed - first_feed) / pulls
    window = pull_window(time, kind, policy, first_feed=first_feed, last_feed=share_ends)
    late = max(timedelta(0), now - window.not_after)
    short_by_h = round(max(window.short_by, late) / timedelta(hours=1), 2)
    where = f"in a {kind.replace('_', ' ')}"
    method = where if pulls == 1 else f"{where}, in {pulls} pulls over the day"
    return Alternative(method, kind, pulls, short_by_h == 0, short_by_h)


@dataclass(frozen=True)
class Chosen:
    """One parcel that a plan takes from, and how much of it is more than was asked."""

    parcel: FreezerParcel
    take: Take
    surplus_g: int = 0


def choose(
    stock: Iterable[FreezerParcel], wanted_g: int, policy: Policy, on: date
) -> tuple[list[Chosen], int]:
    """Pour a species out of its parcels in the order of use; whole cartons of blocks.

    Reads only as many parcels as it needs. Returns what is taken and what is short.
    """
    chosen: list[Chosen] = []
    missing = wanted_g
    for parcel in stock:
        if missing <= 0:
            break
        if not may_plan(parcel.lot, policy, on):
            continue
        takes, _ = take_from([parcel.holding], missing)
        for take in takes:
            missing -= take.grams
            chosen.append(Chosen(parcel, take, surplus_g=max(0, -missing)))
    return chosen, max(0, missing)


def may_plan(lot: LotFacts, policy: Policy, on: date) -> bool:
    """Whether a lot may be planned: not held, not rejected, not past its age limit on the day."""
    age = lot.age_days(on)
    past = age is not None and age > policy.age_limit_days(lot.fat_group)
    return not lot.held and not lot.rejected and not past


@dataclass(frozen=True)
class ThawFacts:
    """What the clocks need to know of a thaw batch."""

    left_freezer_at: datetime
    thawed_at: datetime | None
    earliest_thawed_at: datetime
    refrigerated: bool

    @property
    def clock_from(self) -> datetime:
        """When the clock in force started."""
        if not self.refrigerated:
            return self.left_freezer_at
        return self.thawed_at or self.earliest_thawed_at


def discard_after(facts: ThawFacts, policy: Policy) -> datetime:
    """Until when a thaw batch may be fed, to the second and inclusive (9 CFR 3.105(d))."""
    hours = policy.clock_thawed_refrigerated_h if facts.refrigerated else policy.clock_freezer_out_h
    return facts.clock_from + timedelta(hours=hours)


def clock_findings(facts: ThawFacts, policy: Policy, at: datetime, *, batch: str) -> Finding:
    """Whether the clock in force has run out at an instant."""
    limit = policy.clock_thawed_refrigerated_h if facts.refrigerated else policy.clock_freezer_out_h
    ran = (at - facts.clock_from) / timedelta(hours=1)
    rule = "clock-from-thawed" if facts.refrigerated else "clock-from-freezer"
    numbers = {"ran_h": round(ran, 4), "limit_h": limit}
    since = "being thawed" if facts.refrigerated else "leaving the freezer"
    if at > discard_after(facts, policy):
        return finding(
            rule,
            "block",
            f"thaw batch {batch}: {ran:.2f} h since {since}, {limit:g} h are allowed: discard",
            numbers=numbers,
        )
    return finding(
        rule,
        "pass",
        f"thaw batch {batch}: {max(0.0, ran):.2f} of {limit:g} h since {since}",
        numbers=numbers,
    )


def stayed_refrigerated(
    stays: Sequence[tuple[PlaceKind, datetime]], thawed_at: datetime | None
) -> bool:
    """Whether fish thawed wholly under refrigeration.

    stays: (kind, since) of every place since the freezer. Leaving refrigeration
    counts as staged unless the fish was recorded as thawed before.
    """
    return (
        all(
            kind is PlaceKind.REFRIGERATOR or (thawed_at is not None and since >= thawed_at)
            for kind, since in stays
        )
        and bool(stays)
        and stays[0][0] is PlaceKind.REFRIGERATOR
    )


def put_back_finding(
    left_at: datetime, at: datetime, core_c: float | None, policy: Policy
) -> Finding:
    """Hard frozen fish may be put back within the policy's minutes."""
    minutes = (at - left_at) / timedelta(minutes=1)
    numbers = {
        "minutes": round(minutes, 2),
        "limit_minutes": policy.put_back_minutes,
        "core_c": core_c,
        "limit_c": policy.put_back_core,
    }
    if minutes > policy.put_back_minutes:
        return finding(
            "no-refreeze",
            "block",
            f"out of the freezer for {minutes:.0f} min, "
            f"{policy.put_back_minutes:g} min are allowed",
            numbers=numbers,
        )
    if core_c is None or core_c > policy.put_back_core:
        shown = "not measured" if core_c is None else f"{core_c:.1f} °C"
        return finding(
            "no-refreeze",
            "block",
            f"the core is {shown}; put back only at {policy.put_back_core:g} °C or colder",
            numbers=numbers,
        )
    return finding("no-refreeze", "pass", "still hard frozen", numbers=numbers)
