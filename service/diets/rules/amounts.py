"""From what a diet says to the grams of a day."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import floor, inf

from service.diets.rules import AmountBy, AmountsFor
from service.science.energy import basal_kcal_per_day

_HALVINGS = 80


@dataclass(frozen=True)
class Line:
    """How much of a species: by what, and never less or more than (grams per animal)."""

    species: str
    by: AmountBy
    amount: float
    minimum_g: int | None = None
    maximum_g: int | None = None


@dataclass(frozen=True)
class Prescription:
    """A diet as the arithmetic needs it. total: what the lines are shares of."""

    lines: Sequence[Line]
    amounts_for: AmountsFor = AmountsFor.ANIMAL
    total_by: AmountBy | None = None
    total: float | None = None

    @property
    def by_body_mass(self) -> bool:
        """Whether somebody must have been weighed."""
        return bool({AmountBy.PERCENT, AmountBy.BASAL} & self._bases())

    @property
    def by_energy(self) -> bool:
        """Whether the energy of the fish matters."""
        return bool({AmountBy.ENERGY, AmountBy.BASAL} & self._bases())

    def _bases(self) -> set[AmountBy]:
        return {line.by for line in self.lines} | ({self.total_by} if self.total_by else set())


@dataclass(frozen=True)
class Eaters:
    """Who eats: how many, and the body mass of each that was weighed."""

    heads: int
    masses_g: Sequence[int] = ()

    def sum_over(self, of_mass_kg: Iterable[float]) -> float:
        """A figure per animal summed over all: the mean stands for those never weighed."""
        figures = list(of_mass_kg)
        if not figures:
            raise ValueError("none of them was ever weighed")
        return sum(figures) / len(figures) * self.heads


def day_grams(
    diet: Prescription, eaters: Eaters, *, factor: float, kcal_per_kg: Mapping[str, float]
) -> dict[str, int]:
    """Whole grams of each species on a day.

    factor : the season's. Lines that are shares of a total add up to it, as far as their
    bounds allow; what one bound takes away the other species make up for. Raises ValueError
    where a body mass is needed and none is known, KeyError where an energy is missing.
    """
    if not eaters.heads:
        return {line.species: 0 for line in diet.lines}
    times = eaters.heads if diet.amounts_for is AmountsFor.ANIMAL else 1
    bounds = {
        line.species: ((line.minimum_g or 0) * times, (line.maximum_g or inf) * times)
        for line in diet.lines
    }
    if diet.total_by is not None and diet.total is not None:
        shares = {line.species: line.amount for line in diet.lines}
        worth = {species: _worth(diet.total_by, kcal_per_kg, species) for species in shares}
        target = factor * _amount(diet.total_by, diet.total, eaters, times)
        return _whole(mixed(target, shares, worth, bounds))
    grams = {
        line.species: factor
        * _amount(line.by, line.amount, eaters, times)
        / _worth(line.by, kcal_per_kg, line.species)
        for line in diet.lines
    }
    return {s: floor(min(max(g, bounds[s][0]), bounds[s][1]) + 0.5) for s, g in grams.items()}


def _worth(by: AmountBy, kcal_per_kg: Mapping[str, float], species: str) -> float:
    """What a gram counts for: itself, or its kcal."""
    return kcal_per_kg[species] / 1000 if by in (AmountBy.ENERGY, AmountBy.BASAL) else 1.0


def _amount(by: AmountBy, amount: float, eaters: Eaters, times: int) -> float:
    """Grams or kcal a day of all eaters."""
    if by is AmountBy.PERCENT:
        return amount / 100 * eaters.sum_over(eaters.masses_g)
    if by is AmountBy.BASAL:
        return amount * eaters.sum_over(basal_kcal_per_day(g / 1000) for g in eaters.masses_g)
    return amount * times


def mixed(
    target: float,
    shares: Mapping[str, float],
    worth: Mapping[str, float],
    bounds: Mapping[str, tuple[float, float]],
) -> dict[str, float]:
    """Grams of each species in proportion to its share that are worth the target together.

    worth : per gram. bounds : least and most grams; the nearest that they allow.

    >>> bounds = {"HER": (0, 1000), "CAP": (0, 9000)}
    >>> grams = mixed(3000, {"HER": 0.5, "CAP": 0.5}, {"HER": 1, "CAP": 1}, bounds)
    >>> round(grams["HER"], 6), round(grams["CAP"], 6)
    (1000, 2000.0)
    """

    def at(scale: float) -> dict[str, float]:
        return {
            s: min(max(share * scale, bounds[s][0]), bounds[s][1]) for s, share in shares.items()
        }

    def worth_of(grams: Mapping[str, float]) -> float:
        return sum(worth[s] * g for s, g in grams.items())

    low, high = 0.0, target / min(worth[s] * share for s, share in shares.items())
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if worth_of(at(middle)) < target else (low, middle)
    return at(high)


def _whole(grams: Mapping[str, float]) -> dict[str, int]:
    """Whole grams that add up to the whole grams of the sum."""
    whole, before, so_far = {}, 0, 0.0
    for species, wanted in grams.items():
        so_far += wanted
        until = floor(so_far + 0.5 + 1e-6)
        whole[species], before = until - before, until
    return whole


def shared(grams: int, shares: Sequence[float]) -> list[int]:
    """Whole grams by shares that sum to 1, adding up to the gram.

    >>> shared(1000, [1 / 3, 1 / 3, 1 / 3]), shared(1000, [0.5, 0.2, 0.3])
    ([333, 334, 333], [500, 200, 300])
    """
    ends, so_far = [], 0.0
    for share in shares:
        so_far += share
        ends.append(floor(grams * so_far + 0.5 - 1e-9))
    ends[-1] = grams
    return [end - begin for begin, end in zip([0, *ends], ends, strict=False)]
