"""What a site learns of its own thaws."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.science.estimate import SiteFactor
from service.thawing.rules.looks import Look, Thaw, thawed_at


@dataclass(frozen=True)
class Seen:
    """A thaw as it was watched: hours that the physics foresaw, and each look at it."""

    modelled_h: float
    left_freezer_at: datetime
    looks: tuple[Look, ...]

    @property
    def between_h(self) -> tuple[float, float] | None:
        """Hours until it was last seen frozen inside and until it was first found thawed."""
        thawed = thawed_at(self.looks)
        frozen = [seen for seen in self._not_yet if thawed is not None and seen < thawed]
        if thawed is None or not frozen:
            return None
        hour = timedelta(hours=1)
        start = self.left_freezer_at
        return (max(frozen) - start) / hour, (thawed - start) / hour

    @property
    def _not_yet(self) -> Iterator[datetime]:
        for look in self.looks:
            if look.not_yet_at is not None:
                yield look.not_yet_at
            if look.found in (Thaw.FROZEN, Thaw.PART_THAWED):
                yield look.seen_at


def learn(thaws: Iterable[Seen]) -> SiteFactor:
    """The site's factor from its thaws, oldest first.

    A thaw so far off that a person should look at it teaches nothing: a wrong
    entry would move every plan.
    """
    factor = SiteFactor()
    for thaw in thaws:
        between = thaw.between_h
        if between is None:
            continue
        try:
            factor = factor.updated_between(thaw.modelled_h, *between)
        except ValueError:
            continue
    return factor
