"""How an animal was fed, what became of the fish, and who had which share of it."""

from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

# What years in a freezer leave as it was. Vitamins and fatty acids are lost meanwhile, and a
# record of years cannot say how much was left at each feed: they are left out, not overstated.
LASTING = ("PROCNT", "FAT", "ASH", "CHOCDF", "WATER", "CA", "P", "NA", "SE", "FE", "ZN", "I")


class Appetite(StrEnum):
    """As the keeper saw it."""

    NORMAL = "normal"
    REDUCED = "reduced"
    NONE = "none"


class FeedKind(StrEnum):
    """What the fish was given for. All of it counts in the day's ration."""

    MEAL = "meal"
    TRAINING = "training"
    MEDICAL = "medical"
    ENRICHMENT = "enrichment"
    PUBLIC = "public"


class Outcome(StrEnum):
    """What became of a feed. A feed that nobody recorded has none: that is a fourth thing.

    eaten: some of it or all. refused: it had its chance and ate nothing. not_offered: it had
    no chance, for a reason of ours.
    """

    EATEN = "eaten"
    REFUSED = "refused"
    NOT_OFFERED = "not_offered"


class Grain(StrEnum):
    """The steps of an intake record, by the calendar; weeks begin on Monday."""

    DAY = "day"
    WEEK = "week"
    MONTH = "month"


@dataclass(frozen=True)
class Portion:
    """Fish from one thaw batch and what became of it, whole grams.

    cold_g came back cold and is still in its batch. pieces: fish offered and eaten, where
    they were counted and not weighed.
    """

    offered_g: int
    eaten_g: int
    left_g: int
    cold_g: int = 0
    lost_g: int = 0
    pieces_offered: int | None = None
    pieces_eaten: int | None = None

    @property
    def spent_g(self) -> int:
        """What left its thaw batch for good."""
        return self.offered_g - self.cold_g

    @property
    def outcome(self) -> Outcome:
        """Lost fish and fish that came back cold say nothing of an appetite.

        >>> Portion(10, 1, 9).outcome.value, Portion(10, 0, 9, lost_g=1).outcome.value
        ('eaten', 'refused')
        >>> Portion(10, 0, 0, cold_g=10).outcome.value
        'not_offered'
        """
        if self.eaten_g:
            return Outcome.EATEN
        return Outcome.REFUSED if self.left_g else Outcome.NOT_OFFERED


def share(grams: int, number: int, parts: int) -> int:
    """The grams of one of several even parts, counted from 0; all of them add up.

    >>> [share(100, number, 3) for number in range(3)]
    [33, 33, 34]
    """
    return grams * (number + 1) // parts - grams * number // parts


def share_of(portion: Portion, number: int, parts: int) -> Portion:
    """One animal's even part of what a group was given: an estimate, nobody saw who ate it."""
    eaten, left, cold, lost = (
        share(grams, number, parts)
        for grams in (portion.eaten_g, portion.left_g, portion.cold_g, portion.lost_g)
    )
    return Portion(eaten + left + cold + lost, eaten, left, cold, lost)


def step_of(day: date, grain: Grain) -> tuple[date, date]:
    """The first and the last day of the step that a day belongs to.

    >>> [str(d) for d in step_of(date(2028, 2, 10), Grain.MONTH)]
    ['2028-02-01', '2028-02-29']
    >>> [str(d) for d in step_of(date(2026, 1, 1), Grain.WEEK)]
    ['2025-12-29', '2026-01-04']
    """
    if grain is Grain.DAY:
        return day, day
    if grain is Grain.WEEK:
        monday = day - timedelta(days=day.weekday())
        return monday, monday + timedelta(days=6)
    following = (day.replace(day=1) + timedelta(days=31)).replace(day=1)
    return day.replace(day=1), following - timedelta(days=1)
