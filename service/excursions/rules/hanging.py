"""Where a probe hung and was not broken: only then its readings say something of a place."""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Hung:
    """A time in which a probe hung in a place and was not broken. until_s None: it goes on."""

    place_id: int
    from_s: int
    until_s: int | None

    def holds(self, at_s: int) -> bool:
        """Whether an instant lies in it."""
        return self.from_s <= at_s and (self.until_s is None or at_s < self.until_s)


def hung_of(
    stays: Sequence[tuple[int | None, int, int | None]], faults: Sequence[tuple[int, int | None]]
) -> list[Hung]:
    """The times of one probe, in order.

    stays : (place or None, from, until) in order. faults : (from, until), in any order.
    Stays in one place that follow one another are one. Cost: stays times faults.

    >>> hung_of([(1, 0, 100), (1, 100, 200), (2, 200, None)], [(50, 60), (300, None)])
    ... # doctest: +NORMALIZE_WHITESPACE
    [Hung(place_id=1, from_s=0, until_s=50), Hung(place_id=1, from_s=60, until_s=200),
     Hung(place_id=2, from_s=200, until_s=300)]
    """
    pieces: list[Hung] = []
    for place_id, from_s, until_s in stays:
        last = pieces[-1] if pieces else None
        if place_id is None or until_s == from_s:
            continue
        if last is not None and (last.place_id, last.until_s) == (place_id, from_s):
            pieces[-1] = Hung(place_id, last.from_s, until_s)
        else:
            pieces.append(Hung(place_id, from_s, until_s))
    for fault in faults:
        pieces = [part for piece in pieces for part in _without(piece, *fault)]
    return pieces


def _without(piece: Hung, from_s: int, until_s: int | None) -> list[Hung]:
    """What is left of a piece outside a fault."""
    if (piece.until_s is not None and piece.until_s <= from_s) or (
        until_s is not None and until_s <= piece.from_s
    ):
        return [piece]
    parts = []
    if piece.from_s < from_s:
        parts.append(Hung(piece.place_id, piece.from_s, from_s))
    if until_s is not None and (piece.until_s is None or until_s < piece.until_s):
        parts.append(Hung(piece.place_id, until_s, piece.until_s))
    return parts
