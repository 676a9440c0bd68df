"""In which fish pieces are put, when, and over how many feeds."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo

from service.catalogue.rules import MEASURED, default_content, species_facts
from service.supplements.rules.needs import Food

BEFORE_MAIN_FEED = timedelta(hours=2)  # Geraci 1972, read
MOST_IN_A_FEED = 4  # pieces that are hidden in the fish of one feed: our default
FAT_SOLUBLE = frozenset({"VITA", "VITD", "VITE"})


@dataclass(frozen=True)
class Meal:
    """One feed of an animal's day: grams by species."""

    number: int
    at: datetime
    grams: Mapping[str, int]


@dataclass(frozen=True)
class Giving:
    """Pieces of one product at one time: with which feed, in which fish, and how.

    feed: None where it is apart from any feed, or the feeds are not known. at: None likewise.
    """

    count: float
    how: str
    feed: int | None = None
    at: datetime | None = None
    fish: str | None = None


def givings(
    contents: Collection[str],
    form: str,
    count: float,
    smallest: float,
    meals: Sequence[Meal],
    food: Sequence[Food],
) -> list[Giving]:
    """When and where to give some pieces of a product on a day.

    Thiamine goes into a fish without thiaminase; where every fish may carry it, 2 h before the
    main feed, by hand. Salt is spread over the feeds; so is more than four pieces of anything.
    Vitamins that dissolve in fat go with the fattest fish.

    contents: tags of what is in it. food: of the whole day; of it alone where meals are not
    known.
    """
    allowed = {f.species for f in food}
    if "THIA" in contents:
        allowed -= {f.species for f in food if f.destroys_thiamine}
    if not allowed and "THIA" in contents:
        return [_apart(count, meals)]
    if not meals:
        fish = _best(contents, allowed)
        return [Giving(count, _how(form, fish), fish=fish)]
    return _with_feeds(contents, form, count, smallest, meals, allowed)


def _with_feeds(
    contents: Collection[str],
    form: str,
    count: float,
    smallest: float,
    meals: Sequence[Meal],
    allowed: Collection[str],
) -> list[Giving]:
    fit = [meal for meal in meals if meal.grams.keys() & set(allowed)]
    parts = 1
    if "NACL" in contents or ("NA" in contents and form in MEASURED):
        parts = len(fit)
    elif form not in MEASURED:
        parts = min(len(fit), -(-int(count / MOST_IN_A_FEED * 1000) // 1000))
    return [
        Giving(share, _how(form, fish), meal.number, meal.at, fish)
        for meal, share in zip(fit, split(count, smallest, max(1, parts)), strict=False)
        for fish in [_best(contents, [s for s in meal.grams if s in allowed])]
    ]


def on_day(at: datetime, day: date, zone: tzinfo) -> datetime:
    """The hour by the wall clock of an instant, on another day: clocks may have been put back.

    >>> from datetime import UTC
    >>> str(on_day(datetime(2026, 11, 20, 8, tzinfo=UTC), date(2026, 11, 29), UTC))
    '2026-11-29 08:00:00+00:00'
    """
    return datetime.combine(day, at.astimezone(zone).time(), zone)


def split(count: float, smallest: float, parts: int) -> list[float]:
    """A count in so many parts of whole smallest pieces, the first the larger; none empty.

    >>> split(5, 1.0, 2), split(1.5, 0.5, 4)
    ([3.0, 2.0], [0.5, 0.5, 0.5])
    """
    pieces = round(count / smallest)
    even, more = divmod(pieces, parts)
    shares = [even + (1 if n < more else 0) for n in range(parts)]
    return [round(share * smallest, 6) for share in shares if share]


def _apart(count: float, meals: Sequence[Meal]) -> Giving:
    """Two hours before the main feed: the largest one, of equal ones the first."""
    if not meals:
        return Giving(
            count,
            "by hand in the first fish, 2 h before the main feed: "
            "all fish here may carry thiaminase",
        )
    main = max(meals, key=lambda m: (sum(m.grams.values()), -m.number))
    return Giving(
        count,
        f"by hand in one small fish, 2 h before the main feed (feed {main.number}): "
        "all fish here may carry thiaminase",
        at=main.at - BEFORE_MAIN_FEED,
    )


def _best(contents: Collection[str], species: Iterable[str]) -> str | None:
    """The fattest fish for what dissolves in fat, else the first by code."""
    fit = sorted(species)
    if FAT_SOLUBLE & set(contents):
        return max(fit, key=lambda s: default_content(s).get("FAT", 0.0), default=None)
    return next(iter(fit), None)


def _how(form: str, fish: str | None) -> str:
    name = species_facts()[fish].name if fish else "fish"
    if form in MEASURED:
        return f"on the {name}, just before it is fed: juice washes it off"
    return f"in the gill slit of the first {name}, by hand"
