"""When to pull: thawed by the first feed, lawful until the last, and other ways to get there."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.decisions import Finding, Outcome
from service.site.rules import PlaceKind, Policy, finding
from service.thawing.rules.times import ThawTime, Way


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
    clock, and under refrigeration − 10 % thaw time, as the clock starts when it is thawed.

    To the whole minute, inwards.
    """
    prepared = first_feed - timedelta(minutes=policy.preparation_minutes)
    not_after = prepared - timedelta(hours=time.high)
    if kind is PlaceKind.REFRIGERATOR:
        start = timedelta(hours=policy.clock_thawed_refrigerated_h + time.low)
    else:
        start = timedelta(hours=policy.clock_freezer_out_h)
    return Window(minute_after(last_feed - start), minute_before(not_after))


_MINUTE, _ROUNDING = timedelta(minutes=1), timedelta(milliseconds=1)


def minute_before(at: datetime) -> datetime:
    """The last whole minute not after an instant."""
    at += _ROUNDING
    return at.replace(second=0, microsecond=0)


def minute_after(at: datetime) -> datetime:
    """The first whole minute not before an instant."""
    return minute_before(at + _MINUTE - 2 * _ROUNDING)


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
                "thaw_h": time.value,
                "thaw_high_h": round(time.high, 2),
            },
        )
    if window.not_after < now:
        hours = (now - window.not_after) / timedelta(hours=1)
        yield finding(
            "thaw-in-time",
            "warn",
            f"{where}: should have been pulled {hours:.1f} h ago",
            numbers={"late_by_h": round(hours, 2), "thaw_h": time.value},
        )
    if kind is PlaceKind.REFRIGERATOR and time.high > policy.refrigerated_thaw_max_h:
        yield finding(
            "thaw-too-long",
            "warn",
            f"{where} may take {time.high:.0f} h: the surface ages while the core is frozen",
            numbers={
                "thaw_high_h": round(time.high, 2),
                "limit_h": policy.refrigerated_thaw_max_h,
            },
        )


def pulled_when(windows: Sequence[tuple[datetime, datetime]], at: datetime) -> Iterator[Finding]:
    """Whether fish is pulled inside a planned window, (not before, not after) each; where it is
    not, by how much it misses the nearest."""
    hour = timedelta(hours=1)
    missed = [
        (low - at) / hour if at < low else -max(0.0, (at - high) / hour) for low, high in windows
    ]
    by_h = min(missed, key=abs, default=0.0)
    if by_h > 0:
        said = "early: its clock ends before the last feed that it is for"
        yield _pulled(f"{by_h:.1f} h {said}", {"early_by_h": round(by_h, 2)})
    elif by_h < 0:
        said = "late: it may not be thawed by the feed that it is for"
        yield _pulled(f"{-by_h:.1f} h {said}", {"late_by_h": round(-by_h, 2)})


def _pulled(said: str, numbers: dict[str, float]) -> Finding:
    return finding("thaw-in-time", "warn", f"pulled {said}", numbers=numbers)


@dataclass(frozen=True)
class Alternative:
    """Another way to have the fish thawed, and whether it meets the clock."""

    way: Way
    pulls: int
    short_by_h: float

    @property
    def feasible(self) -> bool:
        """Whether it is thawed in time and lawful until the end, from now."""
        return self.short_by_h == 0

    @property
    def method(self) -> str:
        """The way in words."""
        several = f", in {self.pulls} pulls over the day" if self.pulls > 1 else ""
        return f"{self.way}{several}"


MOST_PULLS = 4  # in which a day's fish is split


def alternatives(
    other_ways: Sequence[Way],
    chosen: PlaceKind,
    policy: Policy,
    *,
    first_feed: datetime,
    last_feed: datetime,
    now: datetime,
) -> list[Alternative]:
    """The best of each other way: another place, in stages, or the day's fish in several pulls.

    Those that meet the clock come first, then by what they miss it by.
    """
    found = []
    for way in other_ways:
        fewest = 2 if way.kind is chosen and len(way.stages) == 1 else 1
        tried = [
            _alternative(way, pulls, policy, first_feed, last_feed, now)
            for pulls in range(fewest, MOST_PULLS + 1)
        ]
        found.append(min(tried, key=lambda each: (each.short_by_h, each.pulls)))
    return sorted(found, key=lambda each: (each.short_by_h, each.pulls, len(each.way.stages)))


def _alternative(
    way: Way,
    pulls: int,
    policy: Policy,
    first_feed: datetime,
    last_feed: datetime,
    now: datetime,
) -> Alternative:
    """One pull serves an even share of the feeding day; the first is the hardest to make."""
    share_ends = first_feed + (last_feed - first_feed) / pulls
    window = pull_window(way.time, way.kind, policy, first_feed=first_feed, last_feed=share_ends)
    late = max(timedelta(0), now - window.not_after)
    return Alternative(way, pulls, round(max(window.short_by, late) / timedelta(hours=1), 2))


@dataclass(frozen=True)
class Route:
    """How a product is thawed for a day: the way, in how many pulls, and what is to say of it."""

    way: Way
    pulls: int
    findings: tuple[Finding, ...]
    meets: bool


def route(
    asked: Way,
    others: Sequence[Way],
    policy: Policy,
    *,
    form: str,
    first_feed: datetime,
    last_feed: datetime,
    now: datetime,
) -> Route:
    """As asked, in one pull; where that fails, the best of the other ways that meet the clock.

    others: ways that there are places for; none where only what was asked may be planned.
    What was asked and fails is said either way.
    """
    window = pull_window(asked.time, asked.kind, policy, first_feed=first_feed, last_feed=last_feed)
    failed = tuple(window_findings(window, asked.time, asked.kind, policy, form=form, now=now))
    meets = not any(f.outcome is Outcome.BLOCK or f.rule == "thaw-in-time" for f in failed)
    if meets or not others:
        return Route(asked, 1, failed, meets)
    tried = alternatives(
        others, asked.kind, policy, first_feed=first_feed, last_feed=last_feed, now=now
    )
    if not tried[0].feasible:
        return Route(asked, 1, failed, meets)
    instead = tuple(_instead(finding_, tried[0].method) for finding_ in failed)
    return Route(tried[0].way, tried[0].pulls, instead, meets=True)


def _instead(failed: Finding, method: str) -> Finding:
    said = f"{failed.because}; so it is thawed {method}"
    return failed.model_copy(update={"outcome": Outcome.WARN, "because": said})
