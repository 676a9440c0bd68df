"""How one plan differs from another, in words that somebody at a freezer can act on."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Pull:
    """What of a pull matters to who makes it."""

    lot: str
    species: str
    from_place: str
    to_place: str
    grams: int
    not_after: datetime


@dataclass(frozen=True)
class Outline:
    """What of a plan matters to who carries it out."""

    pulls: tuple[Pull, ...]
    shared_g: Mapping[str, int]
    short_g: Mapping[str, int]
    feasible: bool


def changes(
    before: Outline,
    after: Outline,
    *,
    mass: Callable[[int], str],
    instant: Callable[[datetime], str],
) -> list[str]:
    """What is different, a sentence for each; none where nothing is.

    mass, instant: how the site writes grams and instants.
    """
    return [
        *_fish(before.pulls, after.pulls, mass, instant),
        *_times(before.pulls, after.pulls, instant),
        *_amounts(before.shared_g, after.shared_g, mass, "from the surplus of other requests"),
        *_amounts(before.short_g, after.short_g, mass, "short"),
        *_meets(before, after),
    ]


def _fish(
    before: Sequence[Pull],
    after: Sequence[Pull],
    mass: Callable[[int], str],
    instant: Callable[[datetime], str],
) -> Iterator[str]:
    old, new = _grams(before), _grams(after)
    for key in sorted({*old, *new}):
        lot, origin, target = key
        less = old[key] - new[key]
        if less > 0 and not new[key]:
            yield f"Do not pull lot {lot} from {origin} ({mass(old[key])})."
        elif less > 0:
            yield f"Pull {mass(new[key])} of lot {lot} from {origin}, not {mass(old[key])}."
        elif less < 0:
            until = instant(min(p.not_after for p in after if _key(p) == key))
            yield (
                f"Pull {mass(new[key])} of lot {lot} from {origin} into {target} until {until}"
                + (f", not {mass(old[key])}." if old[key] else ".")
            )


def _times(
    before: Sequence[Pull], after: Sequence[Pull], instant: Callable[[datetime], str]
) -> Iterator[str]:
    """Of fish that stays: another last minute."""
    for key in sorted({_key(p) for p in before} & {_key(p) for p in after}):
        old = min(p.not_after for p in before if _key(p) == key)
        new = min(p.not_after for p in after if _key(p) == key)
        if old != new:
            yield f"Pull lot {key[0]} from {key[1]} until {instant(new)}, not {instant(old)}."


def _amounts(
    before: Mapping[str, int], after: Mapping[str, int], mass: Callable[[int], str], what: str
) -> Iterator[str]:
    for species in sorted({*before, *after}):
        old, new = before.get(species, 0), after.get(species, 0)
        if old != new:
            yield f"{species}: {mass(new)} {what}, not {mass(old)}."


def _meets(before: Outline, after: Outline) -> Iterator[str]:
    if before.feasible and not after.feasible:
        yield "The plan does not meet its clock or its first feed any more."
    if after.feasible and not before.feasible:
        yield "The plan meets its clocks again."


def _key(pull: Pull) -> tuple[str, str, str]:
    return pull.lot, pull.from_place, pull.to_place


def _grams(pulls: Sequence[Pull]) -> Counter[tuple[str, str, str]]:
    grams: Counter[tuple[str, str, str]] = Counter()
    for pull in pulls:
        grams[_key(pull)] += pull.grams
    return grams
