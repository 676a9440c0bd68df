"""Supplements and medicines in the fish of a bucket, and what became of them."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
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
    """Pieces of a supplement for one feed of the day; feed None: the first there is.

    how: in words. at: where they are given apart from feeds, on the first day of their order.
    """

    count: float
    feed: int | None = None
    fish: str | None = None
    how: str | None = None
    at: datetime | None = None


@dataclass(frozen=True)
class Ordered:
    """Pieces that an animal is to get on a day: by a signed plan, or by a vet's order.

    number: of the plan or order. count: of a supplement for the day, of a medicine for a feed.
    feeds: into how many feeds of the day a medicine goes. parts: how a supplement is split.
    nutrients: tags of what is in it. how: in words, where it is not split.
    """

    kind: PieceKind
    number: int
    animal_id: int
    item: str
    count: float
    feeds: int = 1
    fish: str | None = None
    parts: tuple[Part, ...] = ()
    nutrients: frozenset[str] = frozenset()
    how: str | None = None

    @property
    def thiamine(self) -> bool:
        """Whether some fish would destroy what is in it."""
        return "THIA" in self.nutrients

    @property
    def apart(self) -> bool:
        """Whether it was ordered apart from the feeds: no fish of its day was fit for it."""
        nowhere = all(part.feed is None and part.fish is None for part in self.parts)
        return self.thiamine and bool(self.parts) and nowhere

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

    animals: one, or the members of its group. free: see `free_of_thiaminase`; None: as its
    species are.
    """

    key: int
    animals: frozenset[int]
    species: tuple[str, ...]
    number: int | None = None
    free: frozenset[str] | None = None

    def fish_for(self, each: Ordered, named: str | None) -> str | None:
        """Into which fish pieces go: the one that the order names, else the best there is.

        None where every fish would destroy them.
        """
        free = self.free
        if free is None:
            free = free_of_thiaminase((s, None) for s in self.species)
        fit = [s for s in self.species if s in free or not each.thiamine]
        return named if named in fit else best_fish(fit, free)


@dataclass(frozen=True)
class Put:
    """Pieces put into a bucket's fish. meant: the feed they were ordered for, where the day has
    no feed of that number."""

    bucket: int
    ordered: Ordered
    fish: str | None
    count: float
    meant: int | None = None


@dataclass(frozen=True)
class Waits:
    """Pieces of a supplement that go into none of the buckets."""

    ordered: Ordered
    part: Part
    count: float


def put_in(
    ordered: Iterable[Ordered],
    buckets: Sequence[Filled],
    before: Mapping[Key, float],
    feeds: Mapping[int, Collection[int]] | None = None,
) -> Iterator[Put | Waits]:
    """Pieces into an animal's feeds of the day; medicines only into the fish ordered.

    Thiamine goes into no fish that may destroy it. What is for a feed that the day does not have
    goes into the last there is. buckets: in the order of their feeds. before: how much of each
    was put into some bucket of that day, or given, already; whatever became of it, it is not put
    in again by itself. feeds: numbers of all the day's feeds, by animal.
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
            numbers = (feeds or {}).get(each.animal_id, ())
            yield from _by_feed(each, [] if each.apart else mine, left, numbers)
            continue
        for bucket in mine[: int(left)]:
            fish = each.fish or bucket.fish_for(each, None)
            yield Put(bucket.key, each, fish, each.count)


def _by_feed(
    each: Ordered, buckets: Sequence[Filled], left: float, numbers: Collection[int]
) -> Iterator[Put | Waits]:
    """A supplement as it is split over feeds; a part whose feed is not among these waits."""
    put: dict[tuple[int, str], Put] = {}
    waiting: list[Part] = []
    for part in each.parts or (Part(each.count, how=each.how),):
        count = min(part.count, left)
        meant = part.feed if numbers and part.feed not in {None, *numbers} else None
        number = part.feed if meant is None else max(numbers)
        chosen = next(
            (
                (bucket.key, fish)
                for bucket in buckets
                for fish in [bucket.fish_for(each, part.fish)]
                if number in (None, bucket.number) and fish is not None
            ),
            None,
        )
        if chosen is None:
            waiting.append(part)
        elif count > 0:
            left = round(left - count, 6)
            there = put.get(chosen, Put(chosen[0], each, chosen[1], 0.0))
            put[chosen] = replace(there, count=there.count + count, meant=there.meant or meant)
    yield from put.values()
    yield from _waiting(each, waiting, left)


def _waiting(each: Ordered, parts: Sequence[Part], left: float) -> Iterator[Waits]:
    """What is left over parts that went nowhere: what was done before was the earliest."""
    found = []
    for part in reversed(parts):
        count = min(part.count, left)
        left = round(left - count, 6)
        if count > 0:
            found.append(Waits(each, part, count))
    yield from reversed(found)


def free_of_thiaminase(fish: Iterable[tuple[str, bool | None]]) -> frozenset[str]:
    """Species of which no fish here may carry thiaminase.

    fish: species of each lot, and whether a laboratory found thiaminase in it; None: nobody
    looked, or the lot is not known.

    >>> sorted(free_of_thiaminase([("HER", None), ("WHG", None), ("CAP", False)]))
    ['CAP', 'WHG']
    >>> sorted(free_of_thiaminase([("CAP", False), ("CAP", None), ("WHG", True)]))
    []
    """
    every = list(fish)
    carriers = {s for s, found in every if (has_thiaminase(s) if found is None else found)}
    return frozenset(s for s, _ in every) - carriers


def best_fish(species: Sequence[str], free: Collection[str]) -> str | None:
    """Which fish to put a piece into: one of those without thiaminase where there is one.

    >>> best_fish(["HER", "WHG"], {"WHG"}), best_fish(["HER"], {}), best_fish([], {})
    ('WHG', 'HER', None)
    """
    without = [s for s in species if s in free]
    return next(iter([*without, *species]), None)


def not_again(
    each: Ordered, count: float, before: Mapping[Key, float], animal: str, day: date
) -> Iterator[Finding]:
    """Whether pieces and those of the day before them are more than the day's."""
    so_far = before.get(each.key, 0.0)
    if so_far > 0 and so_far + each.used(count) > each.most + 1e-9:
        yield finding(
            "placed-before",
            "block",
            f"{each.item} was put into a bucket of {animal}, or given by hand, on {day} before: "
            "spat out, refused or not seen, it is not given again by itself",
            numbers={"before": so_far, "ordered": each.most},
        )


def left_of(each: Ordered, before: Mapping[Key, float]) -> float:
    """How many pieces are put in where nobody says: the rest of the day's, else all ordered."""
    if each.kind is PieceKind.MEDICATION:
        return each.count
    left = round(each.most - before.get(each.key, 0.0), 6)
    return left if left > 0 else each.count


def not_destroyed(
    each: Ordered, fish: str | None, free: Collection[str], animal: str
) -> Iterator[Finding]:
    """Whether thiamine goes into a fish that may destroy it. free: see `free_of_thiaminase`."""
    if each.thiamine and fish is not None and fish not in free:
        yield finding(
            "thiamine-in-thiaminase",
            "block",
            f"{each.item} for {animal} holds thiamine, and the {fish} here may carry thiaminase, "
            "which destroys it: give it apart from the fish, 2 h before the feed",
        )


def moved(put: Put, animal: str) -> Iterator[Finding]:
    """In words, where pieces go into another feed than the order says."""
    if put.meant is not None:
        yield finding(
            "piece-in-another-feed",
            "warn",
            f"{put.ordered.item} for {animal} was ordered for feed {put.meant}, which the day does "
            "not have: it is in the last feed there is",
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
