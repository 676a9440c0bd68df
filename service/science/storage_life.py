"""Practical storage life of frozen fish, and spoilage once it is thawed.

Storage life is read from published tables of months at a temperature, with
its logarithm linear between the knots; the share of life that a history uses
is the sum of time over life (time-temperature-tolerance rule).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, finite

DAYS_PER_MONTH = 30.4375
COLDEST_C = -40.0  # colder than this, life grows no longer
SPOILAGE_FROM_C = -10.0  # from here on bacterial spoilage is compared too


@dataclass(frozen=True)
class LifeProfile:
    """Storage life by temperature, and life on ice once thawed.

    Attributes
    ----------
    key : name of the table of months.
    knots_c : temperatures, ascending.
    months : practical storage life at each knot.
    ice_life_d : days on melting ice until thawed fish is spoiled.

    Raises ValueError for fewer than two knots, knots that do not ascend, or a life
    that is not more than zero.

    >>> LifeProfile("herring", (-21, -29, -9), (3, 6, 1), 8)
    Traceback (most recent call last):
    ...
    ValueError: knots_c must ascend
    """

    key: str
    knots_c: tuple[float, ...]
    months: tuple[float, ...]
    ice_life_d: float

    def __post_init__(self) -> None:
        if len(self.knots_c) != len(self.months) or len(self.knots_c) < 2:
            raise ValueError("a life profile needs at least two knots with their months")
        if list(self.knots_c) != sorted(set(self.knots_c)):
            raise ValueError("knots_c must ascend")
        if min(self.months) <= 0 or self.ice_life_d <= 0:
            raise ValueError("months and ice_life_d must be more than zero")


def practical_storage_life_d(profile: LifeProfile, temperature_c: npt.ArrayLike) -> Array:
    """Days of practical storage life at a constant temperature.

    Parameters
    ----------
    temperature_c : array_like, shape (...), -40 to about -5 °C; colder counts
        as -40, warmer continues the warmest slope.

    Returns
    -------
    ndarray, shape (...), days.

    Raises
    ------
    ValueError
        If a temperature is not finite.

    Notes
    -----
    ln(life) is linear in temperature between knots and continues the outermost
    slopes. Leaves out packing, glaze and fluctuation, which the table's own
    conditions carry.

    Source
    ------
    Tables in `catalogue/data/storage_life.csv`, each row with its source. Sum
    and interpolation: time-temperature-tolerance rule (Van Arsdel; IIR) [memory].

    Check
    -----
    >>> torry = LifeProfile("herring", (-29, -21, -9), (6, 3, 1), 8)
    >>> round(float(practical_storage_life_d(torry, -25)) / DAYS_PER_MONTH, 4)
    4.2426
    """
    knots = np.asarray(profile.knots_c, dtype=np.float64)
    logs = np.log(np.asarray(profile.months, dtype=np.float64) * DAYS_PER_MONTH)
    at = np.maximum(finite("temperature_c", temperature_c), COLDEST_C)
    inside: Array = np.interp(at, knots, logs)
    cold_slope = (logs[1] - logs[0]) / (knots[1] - knots[0])
    warm_slope = (logs[-1] - logs[-2]) / (knots[-1] - knots[-2])
    below = np.minimum(at - knots[0], 0.0) * cold_slope
    above = np.maximum(at - knots[-1], 0.0) * warm_slope
    life: Array = np.exp(inside + below + above)
    return life


def relative_spoilage_rate(temperature_c: npt.ArrayLike) -> Array:
    """How many times faster than on melting ice thawed fish spoils.

    Parameters
    ----------
    temperature_c : array_like, shape (...), -10 to 30 °C; validated -5 to 15 °C.

    Returns
    -------
    ndarray, shape (...), dimensionless, 1 at 0 °C.

    Source
    ------
    Square-root model, (1 + 0.1 T)²: Olley & Ratkowsky 1973; FAO Fisheries
    Technical Paper 348 [memory]. Above 15 °C the tropical exponential form is
    taken where it is larger [memory].

    Check
    -----
    >>> float(relative_spoilage_rate(5.0))
    2.25
    """
    at = finite("temperature_c", temperature_c)
    square = (1.0 + 0.1 * np.maximum(at, SPOILAGE_FROM_C)) ** 2
    rate: Array = np.where(at > 15.0, np.maximum(square, np.exp(0.12 * at)), square)
    return rate


def life_rate_per_day(profile: LifeProfile, temperature_c: npt.ArrayLike) -> Array:
    """Share of storage life used per day at a temperature, frozen or thawed.

    Below -10 °C 1/life; from -10 °C the larger of 1/life and spoilage over ice
    life. The join is ours (science reference 4.2): tables end at -9 or -12 °C
    and the spoilage model begins at about -5 °C, so between them it is uncertain
    by half in logarithm.

    Parameters and errors as `practical_storage_life_d`. Returns 1/day, shape (...).

    On melting ice a day is one of eight:

    >>> torry = LifeProfile("herring", (-29, -21, -9), (6, 3, 1), 8)
    >>> float(life_rate_per_day(torry, 0.0))
    0.125
    """
    at = finite("temperature_c", temperature_c)
    stored = 1.0 / practical_storage_life_d(profile, at)
    spoiled = relative_spoilage_rate(at) / profile.ice_life_d
    rate: Array = np.where(at < SPOILAGE_FROM_C, stored, np.maximum(stored, spoiled))
    return rate


def life_used(profile: LifeProfile, history: Sequence[tuple[float, float]]) -> float:
    """Share of life used by stays of (days, °C) at constant temperature.

    Raises ValueError for negative days. Cost: one pass.

    Check
    -----
    >>> torry = LifeProfile("herring", (-29, -21, -9), (6, 3, 1), 8)
    >>> round(life_used(torry, [(60, -29), (30, -21), (3, -9)]), 6)
    0.755647
    """
    days = finite("days", [stay[0] for stay in history])
    if (days < 0).any():
        raise ValueError("days must not be negative")
    at = finite("temperature_c", [stay[1] for stay in history])
    return float((days * life_rate_per_day(profile, at)).sum())


@lru_cache(maxsize=64)
def days_left(profile: LifeProfile, used: float, temperature_c: float) -> float:
    """Days that remain at a temperature after a share of life is used; 0 at the end.

    used : share, 0 or more. temperature_c : as `life_rate_per_day`, ValueError where
    it is not finite. Leaves out what the fish is warmed by on its way there.

    >>> torry = LifeProfile("herring", (-29, -21, -9), (6, 3, 1), 8)
    >>> round(days_left(torry, 0.75, -21), 2), days_left(torry, 1.2, -21)
    (22.83, 0.0)
    """
    left = max(0.0, 1.0 - used)
    return left * float(1.0 / life_rate_per_day(profile, temperature_c))
