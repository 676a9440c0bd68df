"""Another mix of fish for an animal's day, feed by feed."""

from collections.abc import Mapping, Sequence

from service.supplements.rules.placement import Meal

Grams = Mapping[str, float]
"""By species."""


def of_masses(meals: Sequence[Meal], grams: Grams) -> list[Meal]:
    """Feeds of the same sizes among each other, of another day's food; to the gram in all."""
    whole = sum(sum(meal.grams.values()) for meal in meals)
    left = {species: round(mass) for species, mass in grams.items()}
    found = []
    for meal in meals:
        size = sum(meal.grams.values())
        share = {s: round(g * size / whole) if whole else 0 for s, g in left.items()}
        whole -= size
        left = {s: g - share[s] for s, g in left.items()}
        found.append(_meal(meal, share))
    return found


def of_shares(meals: Sequence[Meal], shares: Grams) -> list[Meal]:
    """As much fish as before, by other shares of its mass; shares are made to add up to one.

    Raises ValueError where they come to nothing.
    """
    of_all = sum(shares.values())
    if of_all <= 0:
        raise ValueError("the shares come to nothing")
    mass = sum(sum(meal.grams.values()) for meal in meals)
    return of_masses(meals, {species: mass * s / of_all for species, s in shares.items()})


def swapped(meals: Sequence[Meal], by: Mapping[str, str], worth: Grams) -> list[Meal]:
    """Fish given up for another of the same energy: kg₂ = kg₁ · ME₁ / ME₂ (science reference 7).

    by: what stands in for what. worth: ME₁ / ME₂ of what is given up.
    """
    found = []
    for meal in meals:
        grams: dict[str, int] = {}
        for species, mass in meal.grams.items():
            into = by.get(species, species)
            grams[into] = grams.get(into, 0) + round(mass * worth.get(species, 1.0))
        found.append(_meal(meal, grams))
    return found


def totals(meals: Sequence[Meal]) -> dict[str, int]:
    """Grams of a day by species."""
    found: dict[str, int] = {}
    for meal in meals:
        for species, mass in meal.grams.items():
            found[species] = found.get(species, 0) + mass
    return found


def _meal(meal: Meal, grams: Mapping[str, int]) -> Meal:
    return Meal(meal.number, meal.at, {species: g for species, g in grams.items() if g > 0})
