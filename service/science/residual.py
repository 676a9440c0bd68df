"""What fish still holds of a nutrient: loss of first order in storage, with its range.

What is left of a content C after a time that did as much as d days at -18 °C is
C · exp(-k · d). Rates, their spreads and where they are from: science reference 6.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import exp, log, sqrt

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array
from service.science.estimate import Z10, Estimate

SPECIES_DEFAULT_LN_SD = 0.5  # spread of a species' table value [memory, low]
SINGLE_ASSAY_LN_SD = 0.15  # one laboratory result without replicates [memory, low]
# What cold water takes along, 10-90 % [memory, low; science reference 6.3].
LEACHED, DRIP = (0.05, 0.20), (0.02, 0.05)
LEACHING = frozenset({"THIA", "RIBF", "NIA"})
LEARNED = "the rate learned from two samples of the lot"


@dataclass(frozen=True)
class LossRate:
    """Loss a day at -18 °C: its median, how it spreads, and whose word it is.

    geometric_sd : of a log-normal rate, >= 1. band : the slowest and the fastest, 10-90 %,
    of a rate that is not log-normal; then geometric_sd says nothing.

    >>> [round(LossRate(0.0102, 2.0).slowest, 5), round(LossRate(0.0102, 2.0).fastest, 5)]
    [0.0042, 0.0248]
    """

    per_day_at_minus_18: float
    geometric_sd: float = 1.0
    source: str = ""
    band: tuple[float, float] | None = None

    @property
    def slowest(self) -> float:
        """What nine rates of ten are faster than, a day."""
        if self.band is not None:
            return self.band[0]
        return float(self.per_day_at_minus_18 * self.geometric_sd**-Z10)

    @property
    def fastest(self) -> float:
        """What nine rates of ten are slower than, a day."""
        if self.band is not None:
            return self.band[1]
        return float(self.per_day_at_minus_18 * self.geometric_sd**Z10)


_MEMORY = "loss rate from memory (low confidence), spread ours"
# The fastest is kilka's 0.00239 a day at -24 °C over f(-24) = 0.5061: the reference's 0.0027 is
# carp's at -18 °C and leaves it out. What is on the safe side counts.
_FATTY_ACIDS = LossRate(
    0.0010,
    band=(0.0, 0.0047),
    source="kilka at -24 °C, carp at -18 °C [read; rates derived], no change in 9 months [read]",
)
_NO_CHANGE = LossRate(
    0.0,
    band=(0.0, 0.001),
    source="no significant change in 4 months at -24 °C, J. Appl. Ichthyol. 2014 [read], band ours",
)
# Science reference 6.1.
LOSS_RATES: Mapping[str, LossRate] = {
    "VITE": LossRate(
        0.0102,
        2.0,
        "three fish muscles over 17 weeks, Arslan et al. 1997 [read; rate derived, spread ours]",
    ),
    "VITA": LossRate(0.0015, 2.5, _MEMORY),
    "VITD": LossRate(0.0005, 3.0, _MEMORY),
    "THIA": LossRate(0.0010, 3.0, _MEMORY),
    "RIBF": _NO_CHANGE,
    "NIA": _NO_CHANGE,
    "F20D5N3": _FATTY_ACIDS,
    "F22D6N3": _FATTY_ACIDS,
}


@dataclass(frozen=True)
class Band:
    """Numbers with the range in which they lie eight times of ten: arrays of one shape.

    >>> Band.of(2.0, 1.0, 4.0).only
    (1.0, 2.0, 4.0)
    """

    low: Array
    value: Array
    high: Array

    @classmethod
    def of(cls, value: float, low: float, high: float) -> "Band":
        """One number with its range."""
        return cls(np.asarray(low), np.asarray(value), np.asarray(high))

    @property
    def triple(self) -> tuple[Array, Array, Array]:
        """Low, value and high."""
        return self.low, self.value, self.high

    @property
    def only(self) -> tuple[float, float, float]:
        """Low, value and high of a band of one number."""
        return float(self.low), float(self.value), float(self.high)


@dataclass(frozen=True)
class Start:
    """A content to begin with, >= 0, any unit: its logarithmic spread; or its detection limit.

    limit : nothing was seen, so that there may be anything from none to this; value is half.

    >>> [round(bound, 2) for bound in Start(10.0, 0.5).range]
    [5.27, 18.98]
    >>> Start(0.05, limit=0.1).range
    (0.0, 0.1)
    """

    value: float
    ln_sd: float = 0.0
    limit: float | None = None

    @property
    def range(self) -> tuple[float, float]:
        """10 and 90 % of it."""
        if self.limit is not None:
            return 0.0, self.limit
        factor = exp(Z10 * self.ln_sd)
        return self.value / factor, self.value * factor


def share_left(rate: LossRate | None, days: Band) -> Band:
    """What share of a content is left after times equivalent to days at -18 °C.

    Parameters
    ----------
    rate : the nutrient's loss rate; None where it does not fall.
    days : ∫f dt in days at -18 °C, >= 0, shape (...), with the fewest and the most.

    Returns
    -------
    Band, shape (...), 0 to 1: low by the fastest rate and the most days.

    Source
    ------
    Science reference 6.2.

    Check
    -----
    Vitamin E after 90 days at -18 °C:

    >>> left = share_left(LOSS_RATES["VITE"], Band.of(90, 90, 90))
    >>> [round(share, 4) for share in left.only]
    [0.1074, 0.3993, 0.6855]
    """
    if rate is None:
        whole = np.ones_like(days.value)
        return Band(whole, whole, whole)
    return Band(
        np.exp(-rate.fastest * days.high),
        np.exp(-rate.per_day_at_minus_18 * days.value),
        np.exp(-rate.slowest * days.low),
    )


def content_left(start: Start, rate: LossRate | None, days: Band) -> Band:
    """What is left of a content after times equivalent to days at -18 °C.

    Parameters
    ----------
    start : what there was, in any unit.
    rate : the nutrient's loss rate; None where it does not fall.
    days : ∫f dt in days at -18 °C, shape (...), with the fewest and the most.

    Returns
    -------
    Band, shape (...), in the unit of `start`.

    Raises
    ------
    ValueError
        If content or days are negative.

    Notes
    -----
    The spreads of start and loss are independent and added in squares in logarithm; but
    below a detection limit nothing is known of the spread: the limit is multiplied.

    Source
    ------
    Science reference 6.2, derived there.

    Check
    -----
    >>> left = content_left(Start(12, 0.0861), LOSS_RATES["VITE"], Band.of(*3 * [0.5 / 0.0102]))
    >>> [round(amount, 2) for amount in left.only]
    [3.53, 7.28, 9.97]
    """
    if start.value < 0 or np.any(days.low < 0):
        raise ValueError("content and equivalent days must not be negative")
    share = share_left(rate, days)
    value = start.value * share.value
    if start.limit is not None:
        return Band(np.zeros_like(value), value, start.limit * share.high)
    spread = Z10 * start.ln_sd
    if rate is None:
        return Band(value * exp(-spread), value, value * exp(spread))
    lost = rate.per_day_at_minus_18 * days.value
    most, least = rate.fastest * days.high, rate.slowest * days.low
    return Band(
        value * np.exp(-np.hypot(most - lost, spread)),
        value,
        value * np.exp(np.hypot(lost - least, spread)),
    )


def residual(
    content: float,
    equivalent_days: float,
    rate: LossRate | None,
    *,
    content_ln_sd: float,
    equivalent_days_range: tuple[float, float] | None = None,
) -> Estimate:
    """`content_left` of one content, with its steps in plain words.

    content : >= 0, any unit. equivalent_days : in days at -18 °C, >= 0; its range when known.
    content_ln_sd : logarithmic spread of the content. Raises ValueError for less than nothing.

    >>> r = residual(12, 0.5 / 0.0102, LossRate(0.0102, 2.0), content_ln_sd=0.0861)
    >>> round(r.low, 2), round(r.value, 2), round(r.high, 2)
    (3.53, 7.28, 9.97)
    """
    if equivalent_days < 0:
        raise ValueError("content and equivalent_days must not be negative")
    fewest, most = equivalent_days_range or (equivalent_days, equivalent_days)
    start = Start(content, content_ln_sd)
    low, value, high = content_left(start, rate, Band.of(equivalent_days, fewest, most)).only
    days = (fewest, equivalent_days, most)
    sources = (rate.source,) if rate is not None and rate.source else ()
    return Estimate(value, low, high, steps=tuple(steps_of(start, rate, days)), sources=sources)


def steps_of(
    start: Start, rate: LossRate | None, days: tuple[float, float, float], unit: str = ""
) -> list[str]:
    """How `content_left` came about, in plain words. days : fewest, as it was, most.

    >>> for step in steps_of(Start(20.0, 0.15), LOSS_RATES["VITE"], (9.0, 10.0, 12.0), "IU/kg"):
    ...     print(step)
    20 IU/kg at first, 10-90 % × ÷ 1.21
    as much lost as in 10 (9 to 12) days at -18 °C, 1.02 % a day (0.42 to 2.48): 90.3 % is left
    """
    written = f"{start.value:.4g} {unit}".strip()
    if start.limit is not None:
        said = f"{start.limit:.4g} {unit}".strip()
        steps = [f"nothing was seen below {said}: half of it, from none to all of it"]
    else:
        steps = [f"{written} at first, 10-90 % × ÷ {exp(Z10 * start.ln_sd):.2f}"]
    if rate is None or start.value == 0:
        return [*steps, "it does not fall"]
    fewest, elapsed, most = days
    left = exp(-rate.per_day_at_minus_18 * elapsed)
    rates = [100 * r for r in (rate.per_day_at_minus_18, rate.slowest, rate.fastest)]
    return [
        *steps,
        f"as much lost as in {elapsed:.4g} ({fewest:.4g} to {most:.4g}) days at -18 °C, "
        f"{rates[0]:.3g} % a day ({rates[1]:.3g} to {rates[2]:.3g}): {100 * left:.3g} % is left",
    ]


def assay_ln_sd(coefficient_of_variation: float, replicates: int) -> float:
    """Logarithmic spread of the mean of `replicates` results (science reference 6.2).

    >>> round(assay_ln_sd(0.15, 3), 4)
    0.0861
    """
    if replicates < 1:
        raise ValueError("replicates must be at least 1")
    return sqrt(log(1 + coefficient_of_variation**2) / replicates)


def learned_rate(
    rate: LossRate,
    *,
    first: float,
    second: float,
    days: float,
    first_ln_sd: float,
    second_ln_sd: float,
) -> LossRate:
    """A loss rate after two samples of one lot, shrunk to what was known before.

    Parameters
    ----------
    rate : what was known, log-normal.
    first, second : contents of the earlier and the later sample, > 0, in one unit.
    days : ∫f dt between the samples in days at -18 °C, > 0.
    first_ln_sd, second_ln_sd : logarithmic spreads of the two results, >= 0.

    Returns
    -------
    LossRate between the old one and ln(first / second) / days, no wider than the old one.

    Raises
    ------
    ValueError
        If a content or the days are not more than zero.

    Notes
    -----
    A later sample with as much as the first or more has no logarithm of a rate; it counts
    as the old rate's slowest: two samples never show that nothing is lost. A rate that is a
    band or zero stays as it is. Leaves out that the later result is also the start of what
    comes: an error in it moves start and rate the same way.

    Source
    ------
    Conjugate normal update of ln k, noise in ln k of sqrt(s1² + s2²) / X0 at the old loss
    X0 = k · days; science reference 6.3.

    Check
    -----
    By hand: prior sd ln 2 = 0.6931, X0 = 0.0102 · 100 = 1.02, noise sqrt(2 · 0.15²) / 1.02
    = 0.2080, weights 2.0814 and 23.12; k_obs = ln(20 / 10) / 100 = 0.00693, so
    ln k = (2.0814 · ln 0.0102 + 23.12 · ln 0.00693) / 25.20 and sd 1 / sqrt(25.20):

    >>> now = learned_rate(LossRate(0.0102, 2.0), first=20, second=10, days=100,
    ...                    first_ln_sd=0.15, second_ln_sd=0.15)
    >>> round(now.per_day_at_minus_18, 5), round(now.geometric_sd, 3)
    (0.00716, 1.22)
    """
    if min(first, second, days) <= 0:
        raise ValueError("contents and days must be more than zero")
    if rate.band is not None or rate.per_day_at_minus_18 == 0 or rate.geometric_sd <= 1:
        return rate
    seen = max(log(first / second) / days, rate.slowest)
    noise = sqrt(first_ln_sd**2 + second_ln_sd**2) / (rate.per_day_at_minus_18 * days)
    if noise == 0:
        return replace(rate, per_day_at_minus_18=seen, geometric_sd=1.0)
    known, weight = log(rate.geometric_sd) ** -2, noise**-2
    mean = (known * log(rate.per_day_at_minus_18) + weight * log(seen)) / (known + weight)
    return LossRate(exp(mean), exp((known + weight) ** -0.5), f"{rate.source}; {LEARNED}")


def least_after_water_thaw(low: npt.ArrayLike) -> Array:
    """What is left of a B vitamin at least after a thaw in water, of what there was at least.

    The most that leaches and the most that drips: low bounds only, never the value.

    >>> round(float(least_after_water_thaw(1.0)), 2)
    0.76
    """
    least: Array = np.asarray(low) * (1 - LEACHED[1]) * (1 - DRIP[1])
    return least
