"""Where a thaw batch is on its way, until when it may be fed, and whether it may go back."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from service.decisions import Finding
from service.site.rules import PlaceKind, Policy, finding


class BatchState(StrEnum):
    """Where a thaw batch is on its way."""

    THAWING = "thawing"
    THAWED = "thawed"
    FINISHED = "finished"


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


class Warned(StrEnum):
    """What people are told of a clock."""

    FIRST = "first"
    LAST = "last"
    ENDED = "ended"


def warning_due(until: datetime, policy: Policy, at: datetime) -> Warned | None:
    """What there is to tell of a clock that ends at `until`, inclusive; only the most urgent."""
    if at > until:
        return Warned.ENDED
    left = until - at
    if left <= timedelta(hours=policy.thaw_last_warning_h):
        return Warned.LAST
    return Warned.FIRST if left <= timedelta(hours=policy.thaw_warning_h) else None


def drip_finding(dripped_g: int, mass_g: int, policy: Policy) -> Finding:
    """Whether fish has dripped as much as thawing fish does."""
    percent = 100 * dripped_g / mass_g if mass_g else 0.0
    low, high = policy.drip_low_percent, policy.drip_high_percent
    usual = low <= percent <= high
    return finding(
        "drip-unusual",
        "pass" if usual else "warn",
        f"{percent:.1f} % has dripped; {low:g} to {high:g} % is usual",
        numbers={"percent": round(percent, 2), "low_percent": low, "high_percent": high},
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
