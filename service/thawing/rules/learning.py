"""What a site learns of its own thaws."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.science.estimate import SiteFactor


@dataclass(frozen=True)
class Seen:
    """A thaw as it was watched: hours that the physics foresaw, and each look at it.

    looks: (found thawed at, last seen not thawed at or None).
    """

    modelled_h: float
    left_freezer_at: datetime
    looks: tuple[tuple[datetime, datetime | None], ...]

    @property
    def between_h(self) -> tuple[float, float] | None:
        """Hours until it was last seen frozen and until it was first found thawed."""
        thawed = min(found for found, _ in self.looks)
        frozen = [seen for _, seen in self.looks if seen is not None and seen < thawed]
        if not frozen:
            return None
        hour = timedelta(hours=1)
        start = self.left_freezer_at
        return (max(frozen) - start) / hour, (thawed - start) / hour


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
