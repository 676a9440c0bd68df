"""What is noticed about an animal or group, and when it is nothing to notice.

A number that lies low in moult, rut or at birth is no news; a fast with a date is none
either, until the animal is below its floor. What nobody recorded is told apart from what
was refused: the one is asked of a keeper, the other of the vet.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import StrEnum
from statistics import median

from service.animals.rules import Group, Stage
from service.feeding.rules import Outcome
from service.notifications.rules import Urgency
from service.site.rules import Policy

LOOKED_BACK = timedelta(days=4)  # longer than any limit of an appetite
LONGEST_BETWEEN, SHORTEST_BETWEEN = timedelta(days=60), timedelta(days=7)  # two weighings
STALE_AFTER = timedelta(days=30)  # a weighing says nothing of now
YEAR, SAME_SEASON = timedelta(days=365), timedelta(days=21)
LEAST_TO_COMPARE = 3
# A stage that nobody ended excepts no longer than this: the rut of sea lions takes four months.
LONGEST_EXCEPTION = timedelta(days=125)

EATS_LESS = frozenset({Stage.MOULTING, Stage.RUTTING, Stage.BIRTHING, Stage.NESTING})
"""Stages in which little eaten is usual (Kastelein et al. 2000; penguins: zoo poster 2012)."""
FASTS = frozenset({Stage.MOULTING, Stage.NESTING})
"""Stages in which a penguin eats nothing for weeks: 9 CFR 3.155(a) excepts normal fasts."""
CHANGES_MASS = EATS_LESS | {Stage.PREGNANT, Stage.LACTATING, Stage.NURSING, Stage.WEANING}


class ConcernKind(StrEnum):
    """What is noticed."""

    OFF_FOOD = "off_food"
    WEIGHT_FLOOR = "weight_floor"
    NOT_WEIGHED = "not_weighed"
    INTAKE_LOW = "intake_low"
    LOSING_MASS = "losing_mass"
    GAINING_MASS = "gaining_mass"
    UNEQUAL_SHARE = "unequal_share"


class Reason(StrEnum):
    """Why something was not eaten, as far as it was recorded."""

    REFUSED = "refused"
    NOT_OFFERED = "not_offered"
    NOT_RECORDED = "not_recorded"


APPETITE = frozenset({ConcernKind.OFF_FOOD, ConcernKind.WEIGHT_FLOOR, ConcernKind.NOT_WEIGHED})
"""What is looked for every few minutes; the rest once a day, when the day is over."""
DAILY = frozenset(ConcernKind) - APPETITE

RULE_OF: Mapping[ConcernKind, str] = {
    ConcernKind.OFF_FOOD: "off-food",
    ConcernKind.WEIGHT_FLOOR: "weight-floor",
    ConcernKind.NOT_WEIGHED: "weight-floor",
    ConcernKind.INTAKE_LOW: "intake-low",
    ConcernKind.LOSING_MASS: "mass-against-intake",
    ConcernKind.GAINING_MASS: "mass-against-intake",
    ConcernKind.UNEQUAL_SHARE: "unequal-shares",
}
_ASK_THE_FISH = (
    "look at the fish first (smell, lot, how it thawed) and at the others on the same lot, "
    "then at the animal"
)
_RECORD = "record what was fed, also late; if it was not fed, say so"
WHAT_TO_DO: Mapping[ConcernKind, str] = {
    ConcernKind.OFF_FOOD: f"tell the attending veterinarian; {_ASK_THE_FISH}",
    ConcernKind.WEIGHT_FLOOR: "tell the attending veterinarian, who decides whether it fasts on",
    ConcernKind.NOT_WEIGHED: "weigh it: its fast has a weight floor",
    ConcernKind.INTAKE_LOW: f"{_ASK_THE_FISH}; enter moult, rut or a fast where that is the reason",
    ConcernKind.LOSING_MASS: "weigh it again; if it is so, the vet looks at it",
    ConcernKind.GAINING_MASS: "weigh it again; see whether it gets fish that nobody records",
    ConcernKind.UNEQUAL_SHARE: "see that it gets its part: feed it at a station of its own",
}
WHAT_ELSE_TO_DO: Mapping[tuple[ConcernKind, Reason], str] = {
    (ConcernKind.OFF_FOOD, Reason.NOT_RECORDED): _RECORD,
    (ConcernKind.OFF_FOOD, Reason.NOT_OFFERED): "feed it, or let the vet order a fast",
    (ConcernKind.INTAKE_LOW, Reason.NOT_RECORDED): _RECORD,
    (ConcernKind.INTAKE_LOW, Reason.NOT_OFFERED): "feed its diet, or change the diet",
}


@dataclass(frozen=True)
class Concern:
    """Something noticed about an animal, or a group, and since when."""

    kind: ConcernKind
    since: datetime
    because: str
    animal_id: int | None = None
    group_id: int | None = None
    reason: Reason | None = None
    numbers: Mapping[str, float] = field(default_factory=dict)

    @property
    def key(self) -> tuple[int | None, int | None, ConcernKind, Reason | None]:
        """What tells it from others: another reason is news."""
        return self.animal_id, self.group_id, self.kind, self.reason


def what_to_do(kind: ConcernKind, reason: Reason | None) -> str:
    """What somebody who hears of it does first."""
    special = WHAT_ELSE_TO_DO.get((kind, reason)) if reason else None
    return special or WHAT_TO_DO[kind]


def urgency_of(kind: ConcernKind, reason: Reason | None) -> Urgency:
    """What the vet has to know at once wakes people; a feed that is not recorded does not."""
    at_once = kind is ConcernKind.WEIGHT_FLOOR or (
        kind is ConcernKind.OFF_FOOD and reason is not Reason.NOT_RECORDED
    )
    return Urgency.NOW if at_once else Urgency.TODAY


@dataclass(frozen=True)
class FedOnce:
    """One feed of an eater. seen: that it ate was seen; not: its group ate, it was there."""

    at: datetime
    outcome: Outcome
    seen: bool = True


@dataclass(frozen=True)
class Meals:
    """What an eater was given in the last days, in order, and when it was to be fed."""

    fed: Sequence[FedOnce]
    due: Sequence[datetime]
    fast_ended_at: datetime | None = None


def last_ate(fed: Sequence[FedOnce]) -> datetime | None:
    """When it ate last. Once it was seen to refuse, its part of a group's feed proves nothing."""
    last, refusing = None, False
    for feed in fed:
        if feed.outcome is Outcome.EATEN and (feed.seen or not refusing):
            last = feed.at
        if feed.seen and feed.outcome is not Outcome.NOT_OFFERED:
            refusing = feed.outcome is Outcome.REFUSED
    return last


def appetite_limit(group: Group | None, policy: Policy) -> timedelta:
    """How long it may eat nothing: 24 h (9 CFR 3.105(c)), a penguin two days."""
    if group is Group.PENGUIN:
        return timedelta(days=policy.intake_zero_birds_days)
    return timedelta(hours=policy.inappetence_h)


def off_food(
    meals: Meals, limit: timedelta, policy: Policy, at: datetime
) -> tuple[datetime, Reason] | None:
    """Since when an eater has eaten nothing, and why; None while there is nothing to tell.

    A meal that was due and that nobody has recorded counts only some hours later.
    """
    known = [t for t in (last_ate(meals.fed), meals.fast_ended_at) if t is not None]
    begin = max(known) if known else min((*meals.due, *(f.at for f in meals.fed)), default=None)
    if begin is None or at - begin <= limit:
        return None
    since = {f.outcome for f in meals.fed if f.at >= begin and f.seen}
    missed_before = at - timedelta(hours=policy.record_grace_h)
    if Outcome.REFUSED in since:
        return begin, Reason.REFUSED
    if Outcome.NOT_OFFERED in since:
        return begin, Reason.NOT_OFFERED
    if any(begin < due <= missed_before for due in meals.due):
        return begin, Reason.NOT_RECORDED
    return None


@dataclass(frozen=True)
class DayEaten:
    """What an eater was to get on a day and what became of it, grams; feeds recorded and due.

    excepted: it fasted, or was in a stage in which little is usual.
    """

    day: date
    diet_g: int
    eaten_g: int
    left_g: int
    feeds: int
    due: int
    excepted: bool = False

    @property
    def share(self) -> float:
        """What was eaten of the diet."""
        return self.eaten_g / self.diet_g


def intake_low(days: Sequence[DayEaten], percent: float) -> Reason | None:
    """Why so little was eaten on each of these days; None where one of them was as usual.

    What lay before the animal was its chance: with enough of that it left its fish.
    """
    if not days or any(d.excepted or d.diet_g <= 0 for d in days):
        return None
    if any(100 * d.share >= percent for d in days):
        return None
    diet, chance = sum(d.diet_g for d in days), sum(d.eaten_g + d.left_g for d in days)
    if 100 * chance >= percent * diet:
        return Reason.REFUSED
    recorded = all(d.feeds >= d.due for d in days)
    return Reason.NOT_OFFERED if recorded else Reason.NOT_RECORDED


@dataclass(frozen=True)
class Weighed:
    """A body mass at an instant."""

    at: datetime
    grams: int


@dataclass(frozen=True)
class MassChange:
    """Body mass between two weighings, and what it did a year before, as shares."""

    first: Weighed
    last: Weighed
    change: float
    year_before: float | None

    @property
    def unexpected(self) -> float:
        """What the season does not explain, as far as the year before is known."""
        if self.year_before is None or self.year_before * self.change < 0:
            return self.change
        rest = abs(self.change) - abs(self.year_before)
        return max(rest, 0.0) * (1 if self.change > 0 else -1)


def mass_change(weights: Sequence[Weighed], at: datetime) -> MassChange | None:
    """The change up to the newest weighing, from the earliest one a week to two months before.

    weights : in order. None where nobody has weighed lately, or only once.
    """
    recent = [w for w in weights if w.at <= at]
    if not recent or at - recent[-1].at > STALE_AFTER:
        return None
    last = recent[-1]
    first = next((w for w in recent if SHORTEST_BETWEEN <= last.at - w.at <= LONGEST_BETWEEN), None)
    if first is None:
        return None
    before = [_near(recent, w.at - YEAR) for w in (first, last)]
    known = before[0] is not None and before[1] is not None and before[0] != before[1]
    return MassChange(first, last, _change(first, last), _change(*before) if known else None)  # type: ignore[arg-type]


def _near(weights: Sequence[Weighed], at: datetime) -> Weighed | None:
    near = [w for w in weights if abs(w.at - at) <= SAME_SEASON]
    return min(near, key=lambda w: abs(w.at - at), default=None)


def _change(first: Weighed, last: Weighed) -> float:
    return (last.grams - first.grams) / first.grams


def mass_against_intake(
    change: MassChange, eaten_share: float, policy: Policy
) -> ConcernKind | None:
    """Whether body mass does what intake does not explain. eaten_share: of the diet."""
    if 100 * abs(change.unexpected) <= policy.mass_change_percent:
        return None
    eats = 100 * eaten_share >= policy.intake_low_percent
    if change.unexpected < 0:
        return ConcernKind.LOSING_MASS if eats else None
    return None if eats else ConcernKind.GAINING_MASS


def unequal(shares: Mapping[int, float], percent: float) -> Iterator[tuple[int, float]]:
    """Who of a group got far less than the others, and how much of their median.

    shares : what each was seen to eat, against its diet. Three at least are compared.

    >>> list(unequal({1: 1.0, 2: 0.9, 3: 1.1, 4: 0.3}, 60))
    [(4, 0.3)]
    """
    if len(shares) < LEAST_TO_COMPARE:
        return
    for who, share in sorted(shares.items()):
        others = median(other for each, other in shares.items() if each != who)
        if others > 0 and 100 * share < percent * others:
            yield who, share / others


def excepts(stage: Stage, from_day: date, day: date, stages: frozenset[Stage]) -> bool:
    """Whether a stage explains a day; one that nobody ended does not do so for ever.

    >>> excepts(Stage.MOULTING, date(2026, 7, 1), date(2026, 7, 20), EATS_LESS)
    True
    >>> excepts(Stage.MOULTING, date(2026, 7, 1), date(2027, 7, 1), EATS_LESS)
    False
    """
    return stage in stages and day - from_day <= LONGEST_EXCEPTION
