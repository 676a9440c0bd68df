"""Another fish of the same energy, for those who may eat it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import floor

from service.catalogue.rules import Thiaminase, species_facts
from service.diets.rules.amounts import shared
from service.science.energy import equal_energy_kg


@dataclass(frozen=True)
class Wish:
    """What an eater gets of a species on a day, and what may stand in for it, best first."""

    eater: tuple[int | None, int | None]
    species: str
    grams: int
    substitutes: Sequence[str] = ()


@dataclass(frozen=True)
class Swap:
    """So many grams of a fish given up for so many of another, with the energy of both.

    eater: (animal, group), one of which is None.
    """

    eater: tuple[int | None, int | None]
    species: str
    grams: int
    substitute: str
    substitute_g: int
    kcal: float


def swaps_for(
    short: Mapping[str, int],
    wishes: Iterable[Wish],
    available: Mapping[str, int],
    kcal_per_kg: Mapping[str, float],
) -> tuple[list[Swap], dict[str, int]]:
    """Who gives up how much of the species that are short, and what stays short.

    Those with an approved substitute give up in proportion to what they get, so that those
    without keep theirs. No more is taken of a substitute than is available.
    """
    left, all_wishes = dict(available), list(wishes)
    swaps: list[Swap] = []
    unmet: dict[str, int] = {}
    for species, missing in sorted(short.items()):
        able = [w for w in all_wishes if w.species == species and w.substitutes and w.grams]
        could = sum(w.grams for w in able)
        give_up = shared(min(missing, could), [w.grams / could for w in able]) if could else []
        got = 0
        for wish, grams in zip(able, give_up, strict=True):
            for swap in _swaps_of(wish, grams, left, kcal_per_kg):
                swaps.append(swap)
                got += swap.grams
        if missing > got:
            unmet[species] = missing - got
    return swaps, unmet


def _swaps_of(
    wish: Wish, grams: int, left: dict[str, int], kcal_per_kg: Mapping[str, float]
) -> Iterable[Swap]:
    energy = kcal_per_kg[wish.species]
    for substitute in wish.substitutes:
        if grams <= 0:
            return
        other = kcal_per_kg[substitute]
        whole = floor(equal_energy_kg(grams, energy, other) + 0.5)
        taken = min(whole, left.get(substitute, 0))
        if taken <= 0:
            continue
        given_up = grams if taken == whole else min(grams, floor(taken * other / energy))
        if given_up <= 0:
            continue
        left[substitute] -= taken
        grams -= given_up
        yield Swap(
            wish.eater, wish.species, given_up, substitute, taken, round(taken * other / 1000, 1)
        )


def swapped(
    feeds: Sequence[Mapping[str, int]], species: str, grams: int, other: str, other_g: int
) -> list[dict[str, int]]:
    """The feeds of a day with a swap made: each gives up and gets its share of it.

    Where less is left to give up than was agreed, so much less comes for it.

    >>> swapped([{"HER": 100}, {"HER": 300}], "HER", 200, "CAP", 320)
    [{'HER': 50, 'CAP': 80}, {'HER': 150, 'CAP': 240}]
    """
    total = sum(feed.get(species, 0) for feed in feeds)
    if not total:
        return [dict(feed) for feed in feeds]
    if grams > total:
        other_g, grams = floor(other_g * total / grams + 0.5), total
    parts = [feed.get(species, 0) / total for feed in feeds]
    changed = []
    for feed, gone, come in zip(feeds, shared(grams, parts), shared(other_g, parts), strict=True):
        new = dict(feed)
        if species in new:
            new[species] = new[species] - gone
        if come:
            new[other] = new.get(other, 0) + come
        changed.append(new)
    return changed


def cautions(species: str, substitute: str) -> list[str]:
    """What is to be looked at when one fish stands in for another."""
    facts = species_facts()
    was, now = facts[species], facts[substitute]
    said = [
        "supplements are worked out again for this day; a signed plan is looked at again by the "
        "nutritionist or the attending veterinarian"
    ]
    if now.thiaminase is not Thiaminase.ABSENT and was.thiaminase is Thiaminase.ABSENT:
        said.append(f"{substitute}: thiaminase {now.thiaminase}; no credit for thiamine")
    if now.fat_group != was.fat_group:
        said.append(
            f"{now.fat_group} instead of {was.fat_group} fish: over 3-7 days where possible"
        )
    return said
