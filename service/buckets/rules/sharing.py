"""Which thaw batches fill which buckets, and how weighings are shared among fish."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Thawed:
    """Fish of a thaw batch that no bucket has yet, and until when it may be fed."""

    batch_id: int
    species: str
    grams: int
    discard_after: datetime
    lot_id: int = 0


@dataclass(frozen=True)
class Wanted:
    """Fish of a species for a bucket, which `key` names."""

    key: int
    species: str
    grams: int
    feed_at: datetime


@dataclass(frozen=True)
class Share:
    """Grams of a thaw batch for a bucket."""

    key: int
    batch_id: int
    grams: int


@dataclass(frozen=True)
class Shared:
    """Who gets what from which batch, and what nobody can give."""

    shares: tuple[Share, ...]
    short: tuple[Wanted, ...]


def share_out(wanted: Iterable[Wanted], thawed: Iterable[Thawed]) -> Shared:
    """Fill buckets in the order of their feeds from what must be fed first.

    Fish is used only where its clock reaches the feed. As an earlier feed can use whatever
    a later one can, first to first leaves the least unfed. Cost: buckets × batches of a species.
    """
    left: dict[str, list[tuple[Thawed, int]]] = {}
    for batch in sorted(thawed, key=lambda b: (b.discard_after, b.batch_id)):
        left.setdefault(batch.species, []).append((batch, batch.grams))
    shares: list[Share] = []
    short: list[Wanted] = []
    for each in sorted(wanted, key=lambda w: (w.feed_at, w.key)):
        missing = each.grams
        rest = []
        for batch, grams in left.get(each.species, []):
            taken = min(missing, grams) if batch.discard_after >= each.feed_at else 0
            if taken > 0:
                shares.append(Share(each.key, batch.batch_id, taken))
                missing -= taken
            if grams > taken:
                rest.append((batch, grams - taken))
        left[each.species] = rest
        if missing:
            short.append(Wanted(each.key, each.species, missing, each.feed_at))
    return Shared(tuple(shares), tuple(short))


def in_proportion(grams: int, weights: Sequence[int]) -> list[int]:
    """Whole grams in proportion to weights, to the gram; largest remainders are rounded up.

    Where the grams are not more than all weights together, no part is more than its weight.
    Raises ValueError where there is something to share and no weight.

    >>> in_proportion(100, [1000, 500, 500]), in_proportion(1, [1, 1]), in_proportion(0, [0])
    ([50, 25, 25], [1, 0], [0])
    """
    total = sum(weights)
    if total == 0:
        if grams:
            raise ValueError("nothing to share it among")
        return [0] * len(weights)
    parts = [grams * weight // total for weight in weights]
    by_remainder = sorted(range(len(weights)), key=lambda i: (-(grams * weights[i] % total), i))
    for i in by_remainder[: grams - sum(parts)]:
        parts[i] += 1
    return parts


def steps_of(readings: Sequence[int], tare_g: int) -> list[int]:
    """What was put in between readings of a scale, one fish on top of the other.

    Raises ValueError where a reading is less than the one before, or than the tare.

    >>> steps_of([1400, 1900], 400)
    [1000, 500]
    """
    before = [tare_g, *readings[:-1]]
    added = [now - then for then, now in zip(before, readings, strict=True)]
    if any(grams < 0 for grams in added):
        raise ValueError("the scale shows less than before")
    return added
