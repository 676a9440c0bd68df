"""What a day wants of a species, and what each of several pulls has to serve of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any


@dataclass(frozen=True)
class Part:
    """Grams that must be thawed by the first of some feeds and lawful until the last."""

    first: datetime
    last: datetime
    grams: int


@dataclass(frozen=True)
class Wanted:
    """What is needed of a species.

    feeds: (when, grams), earliest first. anytime_g: for no feed in particular, so
    spread evenly over the feeding day.
    """

    species: str
    feeds: tuple[tuple[datetime, int], ...] = ()
    anytime_g: int = 0

    @property
    def grams(self) -> int:
        """All of it."""
        return self.anytime_g + sum(grams for _, grams in self.feeds)

    def less(self, grams: int) -> "Wanted":
        """What is still needed when so much is there: the earliest feeds are served first."""
        left = []
        for at, wanted in self.feeds:
            served = min(wanted, grams)
            grams -= served
            if wanted > served:
                left.append((at, wanted - served))
        return replace(self, feeds=tuple(left), anytime_g=max(0, self.anytime_g - grams))

    def parts(self, pulls: int, first: datetime, last: datetime) -> list[Part]:
        """The feeding day in so many even shares of time, each with what it needs.

        A feed at the end of a share belongs to it. Shares that need nothing are left out.
        """
        ends = [first + (last - first) * (n + 1) / pulls for n in range(pulls)]
        grams = _evenly(self.anytime_g, pulls)
        for at, wanted in self.feeds:
            share = next((n for n, end in enumerate(ends) if at <= end), pulls - 1)
            grams[share] += wanted
        starts = [first, *ends[:-1]]
        shares = zip(starts, ends, grams, strict=True)
        return [Part(start, end, needed) for start, end, needed in shares if needed]

    def as_json(self) -> dict[str, Any]:
        """As it is stored with a request."""
        return {
            "species": self.species,
            "anytime_g": self.anytime_g,
            "feeds": [[at.isoformat(), grams] for at, grams in self.feeds],
        }


def wanted_from(stored: Sequence[Mapping[str, Any]]) -> list[Wanted]:
    """What a stored request wants."""
    return [
        Wanted(
            each["species"],
            tuple((datetime.fromisoformat(at), grams) for at, grams in each["feeds"]),
            each["anytime_g"],
        )
        for each in stored
    ]


def _evenly(grams: int, shares: int) -> list[int]:
    """Whole grams as even as can be.

    >>> _evenly(10, 3)
    [3, 3, 4]
    """
    return [grams * (n + 1) // shares - grams * n // shares for n in range(shares)]
