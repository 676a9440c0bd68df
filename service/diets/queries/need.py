"""What a day needs: who gets what at which feed."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlmodel import Session, col, func, select

from service.animals.models import Animal
from service.diets.models import Diet, DietItem
from service.site.queries import SiteView


@dataclass(frozen=True)
class Portion:
    """What one animal, or one group, gets of a species at one feed of a day, whole grams.

    number: which feed of its day, from 1.
    """

    animal_id: int | None
    group_id: int | None
    species: str
    grams: int
    number: int
    feed_at: datetime


def portions(session: Session, view: SiteView, day: date) -> Sequence[Portion]:
    """What every animal and group of a site gets on a day, feed by feed. One query.

    The feeds of a day add up to the diet to the gram.
    """
    newest = (
        select(
            col(Diet.id).label("id"),
            func.row_number()
            .over(
                partition_by=col(Diet.animal_id),
                order_by=(col(Diet.from_day).desc(), col(Diet.id).desc()),
            )
            .label("place"),
        )
        .join(Animal, col(Animal.id) == col(Diet.animal_id))
        .where(col(Animal.site_id) == view.id, col(Diet.from_day) <= day)
        .subquery()
    )
    statement = (
        select(Diet, DietItem)
        .join(newest, newest.c.id == col(Diet.id))
        .join(DietItem, col(DietItem.diet_id) == col(Diet.id))
        .where(newest.c.place == 1)
        .order_by(col(Diet.animal_id), col(DietItem.species_code))
    )
    return [
        Portion(diet.animal_id, None, item.species_code, grams, number, feed_at)
        for diet, item in session.exec(statement)
        for number, (feed_at, grams) in enumerate(
            zip(
                _feed_times(view, day, diet.feeds_per_day),
                _shared(item.grams, diet.feeds_per_day),
                strict=True,
            ),
            start=1,
        )
        if grams
    ]


def need_grams(session: Session, view: SiteView, day: date) -> Mapping[str, int]:
    """Grams of each species that a site needs on a day, by species. Cost as `portions`."""
    need: Counter[str] = Counter()
    for portion in portions(session, view, day):
        need[portion.species] += portion.grams
    return dict(sorted(need.items()))


def _feed_times(view: SiteView, day: date, feeds: int) -> list[datetime]:
    """So many feeds evenly over the site's feeding day."""
    start = view.start_of(day) + timedelta(hours=view.policy.feed_day_from)
    length = timedelta(hours=view.policy.feed_day_to - view.policy.feed_day_from)
    return [start + length * number / max(1, feeds - 1) for number in range(feeds)]


def _shared(grams: int, feeds: int) -> list[int]:
    """Whole grams as even as can be."""
    return [grams * (n + 1) // feeds - grams * n // feeds for n in range(feeds)]
