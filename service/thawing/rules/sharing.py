"""Surplus of blocks shared among requests: a carton that is thawed anyway is used up first."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from service.thawing.rules.wanting import Part
from service.thawing.rules.windows import Window


@dataclass(frozen=True)
class Spare:
    """What is left over of a pull, and which feeds it can serve.

    window: when to pull it, for fish that is still in the freezer; it may be narrowed.
    serves_from, serves_until: the feeds it is planned for; or, once it was pulled, from
    when it is thawed and prepared, and until when it may be fed.
    """

    request: int
    number: int
    lot: str
    species: str
    grams: int
    serves_from: datetime
    serves_until: datetime
    window: Window | None = None

    def window_for(self, part: Part) -> Window | None:
        """When to pull it so that it serves these feeds too; None where it is pulled already."""
        if self.window is None:
            return None
        earlier = max(timedelta(0), self.serves_from - part.first)
        later = max(timedelta(0), part.last - self.serves_until)
        return Window(self.window.not_before + later, self.window.not_after - earlier)

    def can_serve(self, part: Part, now: datetime) -> bool:
        """Whether it is thawed by the first of these feeds and lawful until the last.

        A pull that lies ahead is brought forward only as long as that is still possible.
        """
        window = self.window_for(part)
        if window is None:
            return self.serves_from <= part.first and part.last <= self.serves_until
        return not window.short_by and window.not_after >= now


@dataclass(frozen=True)
class Shared:
    """Grams of a spare that serve some feeds."""

    spare: Spare
    grams: int
    part: Part

    @property
    def window(self) -> Window | None:
        """When it must be pulled now; None where it is pulled already."""
        return self.spare.window_for(self.part)

    @property
    def rest(self) -> Spare:
        """What is left over after that: a pull that lies ahead has more feeds to serve."""
        spare = replace(self.spare, grams=self.spare.grams - self.grams)
        if self.window is None:
            return spare
        return replace(
            spare,
            window=self.window,
            serves_from=min(spare.serves_from, self.part.first),
            serves_until=max(spare.serves_until, self.part.last),
        )


def share(spares: Iterable[Spare], part: Part, *, now: datetime) -> tuple[list[Shared], int]:
    """Serve feeds from what is left over; what must be discarded first goes first.

    Returns what is shared, and the grams that are still to be pulled.
    """
    shared = []
    missing = part.grams
    for spare in sorted(spares, key=lambda s: (s.serves_until, s.request, s.number)):
        grams = min(spare.grams, missing)
        if grams and spare.can_serve(part, now):
            shared.append(Shared(spare, grams, part))
            missing -= grams
    return shared, missing
