"""Supplements and medicines in the fish of a bucket, and what became of them."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from service.decisions import Finding
from service.site.rules import finding
from service.supplements.rules.needs import has_thiaminase


class PieceKind(StrEnum):
    """What a piece is."""

    SUPPLEMENT = "supplement"
    MEDICATION = "medication"


Key = tuple[PieceKind, int, str]
"""What is put into an animal's fish no more often than ordered: see `Ordered.key`."""


class PieceOutcome(StrEnum):
    """What became of a piece."""

    TAKEN = "taken"
    SPAT_OUT = "spat_out"
    REFUSED = "refused"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Part:
    """Pieces of a supplement for one feed of the day; feed None: the first there is."""

    count: float
    feed: int | None = None
    fish: str | None = None


@dataclass(frozen=True)
class Ordered:
    """Pieces that an animal is to get on a day: by a signed plan, or by a vet's order.

    number: of the plan or order. count: of a supplement for the day, of a medicine for a feed.
    feeds: into how many feeds of the day a medicine goes. parts: how a supplement is split.
    """

    kind: PieceKind
    number: int
    animal_id: int
    item: str
    count: float
    feeds: int = 1
    fish: str | None = None
    parts: tuple[Part, ...] = ()

    @property
    def _supplement(self) -> bool:
        return self.kind is PieceKind.SUPPLEMENT

    @property
    def key(self) -> Key:
        """A supplement is known by animal and product, whatever plan it is of; a medicine by
        its order."""
        return self.kind, self.animal_id if self._supplement else self.number, self.item

    @property
    def most(self) -> float:
        """The most that goes into the buckets of a day: pieces, of a medicine feeds."""
        return self.count if self._supplement else self.feeds

    def used(self, count: float) -> float:
        """How much of that some pieces in one bucket are."""
        return count if self._supplement else 1


@dataclass(frozen=True)
class Filled:
    """A bucket of a day as pieces see it: for whom it is, which fish are in it, which feed.

    animals: one, or the members of its group.
    """

    key: int
    animals: frozenset[int]
    species: tuple[str, ...]
    number: int | None = None


@dataclass(frozen=True)
class Put:
    """Pieces put into a bucket's fish."""

    bucket: int
    ordered: Ordered
    fish: str | None
    count: float


def put_in(
    ordered: Iterable[Ordered],
    buckets: Sequence[Filled],
    before: Mapping[Key, float],
) -> Iterator[Put]:
    """Pieces into an animal's feeds of the day; medicines only into the fish ordered.

    buckets: in the order of their feeds. before: how much of each was put into some bucket of
    that day already; whatever became of it, it is not put in again by itself.
    """
    for each in ordered:
        left = max(0.0, each.most - before.get(each.key, 0))
        mine = [
            b
            for b in buckets
            if each.animal_id in b.animals
            and b.species
            and (each.fish is None or each.fish in b.species)
        ]
        if each.kind is PieceKind.SUPPLEMENT:
            yield from _by_feed(each, mine, left)
            continue
        for bucket in mine[: int(left)]:
            yield Put(bucket.key, each, each.fish or best_fish(bucket.species), each.count)


def _by_feed(each: Ordered, buckets: Sequence[Filled], left: float) -> Iterator[Put]:
    """A supplement as it is split over feeds; a part whose feed is not among these waits."""
    for part in each.parts or (Part(each.count),):
        count = min(part.count, left)
        bucket = next((b for b in buckets if part.feed in (None, b.number)), None)
        if bucket is not None and count > 0:
            left = round(left - count, 6)
            inside = part.fish in bucket.species
            yield Put(bucket.key, each, part.fish if inside else best_fish(bucket.species), count)


def best_fish(species: Sequence[str]) -> str | None:
    """Which fish to put a piece into: one without thiaminase where there is one.

    >>> best_fish(["HER", "WHG"]), best_fish(["HER"]), best_fish([])
    ('WHG', 'HER', None)
    """
    free = [s for s in species if not has_thiaminase(s)]
    return next(iter([*free, *species]), None)


def not_again(
    each: Ordered, before: Mapping[Key, float], animal: str, day: date
) -> Iterator[Finding]:
    """Whether as much as is ordered was put into buckets of that day before."""
    if before.get(each.key, 0) >= each.most:
        yield finding(
            "placed-before",
            "block",
            f"{each.item} was put into a bucket of {animal} on {day} before: spat out, refused or "
            "not seen, it is not given again by itself",
        )


def as_ordered(
    each: Ordered,
    count: float,
    fish: str | None,
    *,
    inside: Collection[str],
    animal: str,
    in_force: bool,
) -> Iterator[Finding]:
    """Whether pieces go in as somebody has signed or ordered them. inside: the fish there is."""
    rule = "not-ordered" if each.kind is PieceKind.MEDICATION else "not-signed"
    if not in_force:
        yield finding(rule, "block", f"{each.item} for {animal}: nothing signed is in force")
    if count > each.count:
        yield finding(
            rule,
            "block",
            f"{count:g} of {each.item} for {animal}: {each.count:g} are signed",
            numbers={"count": count, "signed": each.count},
        )
    if fish is not None and fish not in inside:
        yield finding(rule, "block", f"{each.item} goes into {fish}: none is in the bucket")
    if each.fish is not None and fish != each.fish:
        yield finding(rule, "block", f"{each.item} goes into {each.fish}, not into {fish}")
