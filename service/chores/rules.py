"""Which chores a kitchen has, and when each is due."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from service.checks.rules import CheckKind, Equipment
from service.site.rules import PlaceKind, Policy

LOOKED_BACK = timedelta(days=62)  # twice the longest interval: before that, done is not done
DAY = timedelta(days=1)


class ChoreKind(StrEnum):
    """What is to be done again and again."""

    KITCHEN_CLEAN = "kitchen_clean"
    KITCHEN_SANITISE = "kitchen_sanitise"
    STORE_CLEAN = "store_clean"
    TANK_SANITISE = "tank_sanitise"
    UTENSILS_SANITISE = "utensils_sanitise"
    BUCKETS_SANITISE = "buckets_sanitise"
    CONTAINER_CHECK = "container_check"


class ChoreState(StrEnum):
    """How things stand with a chore."""

    IN_ORDER = "in_order"
    DUE = "due"
    OVERDUE = "overdue"
    NOT_KNOWN = "not_known"  # nobody has recorded it as far back as is looked


TOLD = (ChoreState.OVERDUE, ChoreState.NOT_KNOWN)


@dataclass(frozen=True)
class Chore:
    """One chore: what it is in words, the checks that do it, and where it is done."""

    says: str
    done_by: frozenset[CheckKind]
    source: str
    places: frozenset[PlaceKind] = frozenset()
    equipment: Equipment | None = None


_CLEANED = frozenset({CheckKind.CLEANED, CheckKind.SANITISED})
_SANITISED = frozenset({CheckKind.SANITISED})
_PREPARED_IN = frozenset({PlaceKind.KITCHEN, PlaceKind.THAW_ROOM})

CHORES: Mapping[ChoreKind, Chore] = {
    ChoreKind.KITCHEN_CLEAN: Chore("clean", _CLEANED, "9 CFR 3.107(b)", _PREPARED_IN),
    ChoreKind.KITCHEN_SANITISE: Chore("sanitise", _SANITISED, "9 CFR 3.107(b)", _PREPARED_IN),
    ChoreKind.STORE_CLEAN: Chore(
        "clean",
        _CLEANED,
        "Couquiaud 2005, quoted",
        frozenset({PlaceKind.FREEZER, PlaceKind.REFRIGERATOR, PlaceKind.ICE}),
    ),
    ChoreKind.TANK_SANITISE: Chore(
        "empty, clean and sanitise",
        _SANITISED,
        "9 CFR 3.107(b); daily in use: Crissey 2000",
        frozenset({PlaceKind.THAW_TANK}),
    ),
    ChoreKind.UTENSILS_SANITISE: Chore(
        "clean and sanitise", _SANITISED, "9 CFR 3.107(b)", equipment=Equipment.UTENSILS
    ),
    ChoreKind.BUCKETS_SANITISE: Chore(
        "clean and sanitise", _SANITISED, "9 CFR 3.105(b)", equipment=Equipment.BUCKETS
    ),
    ChoreKind.CONTAINER_CHECK: Chore(
        "hold a thermometer in a tub of thawed fish in",
        frozenset({CheckKind.CONTAINER}),
        "our default",
        frozenset(PlaceKind) - {PlaceKind.FREEZER},
    ),
}


@dataclass(frozen=True)
class Due:
    """How things stand with a chore. From due_at on it is due, after overdue_at overdue."""

    state: ChoreState
    due_at: datetime | None = None
    overdue_at: datetime | None = None


@dataclass(frozen=True)
class Tank:
    """What a thaw tank was used for since it was last sanitised.

    emptied_at: when the last fish left it; None while there is fish in it.
    """

    first_used_at: datetime
    emptied_at: datetime | None


IN_ORDER, NOT_KNOWN = Due(ChoreState.IN_ORDER), Due(ChoreState.NOT_KNOWN)


def interval_days(kind: ChoreKind, policy: Policy) -> float | None:
    """How many days apart a chore is done; None: after each use, or while fish stands there."""
    return {
        ChoreKind.KITCHEN_CLEAN: policy.kitchen_clean,
        ChoreKind.KITCHEN_SANITISE: policy.kitchen_sanitise,
        ChoreKind.STORE_CLEAN: policy.freezer_clean,
    }.get(kind)


def by_interval(last: datetime | None, days: float, zone: ZoneInfo, at: datetime) -> Due:
    """Due again after so many days.

    Whole days are civil ones: what is daily is due from midnight, and overdue when the day has
    gone by without it, at whatever hour it was done the day before. Parts of a day are hours.
    """
    if last is None:
        return NOT_KNOWN
    if days != int(days):
        due_at = last + timedelta(days=days)
        return _at(due_at, due_at, at)
    first = last.astimezone(zone).date() + timedelta(days=int(days))
    due_at = datetime.combine(first, time(), zone)
    return _at(due_at, datetime.combine(first + DAY, time(), zone), at)


def after_use(used_at: datetime | None, policy: Policy, at: datetime) -> Due:
    """Due once something was used since it was last done; overdue some hours later.

    >>> from datetime import UTC
    >>> from service.site.rules import default_policy
    >>> noon = datetime(2026, 11, 25, 12, tzinfo=UTC)
    >>> after_use(noon, default_policy(), noon + timedelta(hours=3)).state.value
    'due'
    """
    if used_at is None:
        return IN_ORDER
    return _at(used_at, used_at + timedelta(hours=policy.chore_grace_h), at)


def tank_due(tank: Tank | None, policy: Policy, at: datetime) -> Due:
    """Due when the fish has left the tank, and daily where there is always some in it."""
    if tank is None:
        return IN_ORDER
    daily_at = tank.first_used_at + timedelta(days=policy.thaw_gear_clean)
    return after_use(min(daily_at, tank.emptied_at or daily_at), policy, at)


def container_due(
    fish_since: datetime | None, last: datetime | None, policy: Policy, at: datetime
) -> Due:
    """Due so many hours after thawed fish came to a place, and again after each measurement."""
    if fish_since is None:
        return IN_ORDER
    known_at = fish_since if last is None else max(fish_since, last)
    return after_use(known_at + timedelta(hours=policy.container_check_h), policy, at)


def _at(due_at: datetime, overdue_at: datetime, at: datetime) -> Due:
    if at <= due_at and at < overdue_at:
        return Due(ChoreState.IN_ORDER, due_at, overdue_at)
    return Due(ChoreState.DUE if at < overdue_at else ChoreState.OVERDUE, due_at, overdue_at)
