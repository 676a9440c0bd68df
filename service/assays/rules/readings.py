"""A laboratory's figure as it was printed: a number, less than a limit, more than a limit."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import fsum, inf, isfinite, nextafter

LARGEST = 1e12
_PRINTED = re.compile(r"([<>]?)\s*(\d{1,13}(?:\.\d{1,20})?(?:[eE][+-]?\d{1,2})?)", re.ASCII)
_WORDS = {
    "absent": 0.0,
    "not detected": 0.0,
    "nd": 0.0,
    "present": 1.0,
    "detected": 1.0,
}


@dataclass(frozen=True)
class Reading:
    """One printed figure: its number, "<" or ">" before it, and its words where it was a word."""

    amount: float
    mark: str = ""
    word: str | None = None

    @property
    def below(self) -> bool:
        """Whether it is less than a detection limit."""
        return self.mark == "<"

    @property
    def counted(self) -> float:
        """What it counts as: half of a detection limit, just above what is only a lower bound.

        >>> Reading(0.1, "<").counted, Reading(0.1).counted
        (0.05, 0.1)
        """
        if self.below:
            return self.amount / 2
        return nextafter(self.amount, inf) if self.mark == ">" else self.amount

    def scaled(self, factor: float) -> "Reading":
        """The same in another unit.

        >>> Reading(2, "<").scaled(10)
        Reading(amount=20.0, mark='<', word=None)
        """
        return Reading(float(f"{self.amount * factor:.12g}"), self.mark, self.word)

    def __str__(self) -> str:
        return self.word or f"{self.mark}{self.amount:.12g}"


def parse_reading(said: object) -> Reading:
    """A figure from 11.2, "11.2", "<0.1", ">300000", "absent" or "present".

    Raises ValueError for anything else, and outside 0 … 10¹².

    >>> parse_reading("< 0.1")
    Reading(amount=0.1, mark='<', word=None)
    """
    if isinstance(said, Reading):
        return said
    if isinstance(said, str):
        word = " ".join(said.lower().split())
        if word in _WORDS:
            return Reading(_WORDS[word], word=word)
        printed = _PRINTED.fullmatch(said.strip())
        if printed is None:
            raise ValueError("write a number, or less than a detection limit like '<0.1'")
        mark, amount = printed[1], float(printed[2])
    elif isinstance(said, int | float) and not isinstance(said, bool):
        mark, amount = "", said
    else:
        raise ValueError("write a number, or less than a detection limit like '<0.1'")
    if not 0 <= amount <= LARGEST or not isfinite(amount):
        raise ValueError("must lie between 0 and 10¹²")
    if mark and amount == 0:
        raise ValueError("a detection limit is more than 0")
    return Reading(float(amount), mark)


@dataclass(frozen=True)
class Spread:
    """The mean of replicates, how many they were, and their coefficient of variation."""

    mean: float
    replicates: int
    cv: float


def spread_of(replicates: Sequence[float]) -> Spread:
    """Mean and spread of results of one sample. Raises ValueError for fewer than two.

    >>> spread_of([10.0, 12.0, 11.0])
    Spread(mean=11.0, replicates=3, cv=0.09090909090909091)
    """
    if len(replicates) < 2:
        raise ValueError("replicates are at least two")
    mean = fsum(replicates) / len(replicates)
    squares = fsum((r - mean) ** 2 for r in replicates)
    deviation = (squares / (len(replicates) - 1)) ** 0.5
    return Spread(mean, len(replicates), deviation / mean if mean else 0.0)


# What is written between a mass and what it is per, and says nothing about the number.
_ASIDE = re.compile(
    r"\b(n|teq|mda|o2|wet|as fed|oil|fat|who|of lipid as oleic)\b|\s|\(|\)", re.IGNORECASE
)
_WHOLE = {"ppm": "mg/kg", "ppb": "ug/kg", "%oflipidasoleic": "%", "": "1"}
_MASSES_G = {"g": 1.0, "mg": 1e-3, "ug": 1e-6, "µg": 1e-6, "mcg": 1e-6, "ng": 1e-9, "pg": 1e-12}
_PER_G = {"kg": 1000.0, "100g": 100.0, "g": 1.0}
_COUNTS = {"cfu": 1.0, "mpn": 1.0}  # a most probable number is held against the same limit


def unit_factor(unit: str, target: str) -> float:
    """By what a figure in `unit` is multiplied to be in `target`.

    Raises ValueError naming both where they measure different things.

    >>> unit_factor("mg N/100 g", "mg/kg"), unit_factor("ppm", "mg/kg")
    (10.0, 1.0)
    """
    have, want = _plain(unit), _plain(target)
    if have == want:
        return 1.0
    (amount, _, per), (wanted, _, wanted_per) = have.partition("/"), want.partition("/")
    if per in _PER_G and wanted_per in _PER_G:
        scale = _PER_G[wanted_per] / _PER_G[per]
        for kind in (_MASSES_G, _COUNTS):
            if amount in kind and wanted in kind:
                return float(f"{kind[amount] / kind[wanted] * scale:.12g}")
        if amount == wanted:
            return scale
    raise ValueError(f"is counted in {target}; {unit!r} cannot be converted to it")


def _plain(unit: str) -> str:
    plain = _ASIDE.sub("", unit).lower()
    return _WHOLE.get(plain, plain)
