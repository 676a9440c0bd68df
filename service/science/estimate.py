"""An estimate: a value with its 10-90 % range, how it came about, and on whose word."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import exp, hypot, inf, isfinite, log, sqrt
from typing import Self

Z10 = 1.28155  # normal quantile of 10 and 90 %


@dataclass(frozen=True)
class Estimate:
    """A value, the range in which it lies eight times of ten, its steps and its sources.

    Parameters
    ----------
    value, low, high : finite, low <= value <= high, all in one unit.
    unit : as it is written behind the number; empty for a share.
    steps : how it came about, in plain words with numbers, in order.
    sources : who says so, each once.

    Raises
    ------
    ValueError
        If the three are not finite or not in order.

    Check
    -----
    >>> Estimate(12.0, 10.0, 15.0, "h").scaled(2.0)
    Estimate(value=24.0, low=20.0, high=30.0, unit='h', steps=(), sources=())
    """

    value: float
    low: float
    high: float
    unit: str = ""
    steps: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not (isfinite(self.low) and isfinite(self.high) and self.low <= self.value <= self.high):
            raise ValueError(
                f"low {self.low}, value {self.value} and high {self.high} "
                "must be finite and in this order"
            )

    @classmethod
    def log_normal(
        cls,
        value: float,
        ln_sd: float,
        *,
        unit: str = "",
        steps: Iterable[str] = (),
        sources: Iterable[str] = (),
    ) -> Self:
        """A value that is as likely twice too high as twice too low.

        Raises ValueError for a negative value or spread.

        >>> e = Estimate.log_normal(92.3, 0.22)
        >>> round(e.low, 1), round(e.high, 1)
        (69.6, 122.4)
        """
        if not (0 <= value < inf and 0 <= ln_sd < inf):
            raise ValueError("value and ln_sd must be 0 or more")
        factor = exp(Z10 * ln_sd)
        return cls(value, value / factor, value * factor, unit, tuple(steps), tuple(sources))

    def scaled(self, factor: float) -> Self:
        """The same estimate of `factor` times as much; steps and sources stay.

        Raises ValueError for a factor that is negative or not finite.
        """
        if not 0 <= factor < inf:
            raise ValueError("factor must be 0 or more")
        return self.changed(self.value * factor, self.low * factor, self.high * factor)

    def times(self, other: "Estimate") -> Self:
        """The product with an independent factor: logarithmic spreads add in squares.

        Values must be more than zero, else ValueError. The unit stays; the steps and
        sources of the factor come after one's own.

        >>> e = Estimate(10.0, 8.0, 12.5).times(Estimate(1.2, 1.0, 1.44))
        >>> round(e.low, 2), e.value, round(e.high, 2)
        (9.0, 12.0, 16.01)
        """
        if min(self.low, other.low) <= 0:
            raise ValueError("only estimates above zero are multiplied")
        value = self.value * other.value
        below = hypot(log(self.value / self.low), log(other.value / other.low))
        above = hypot(log(self.high / self.value), log(other.high / other.value))
        return self.changed(
            value,
            value * exp(-below),
            value * exp(above),
            steps=other.steps,
            sources=other.sources,
        )

    def plus(self, other: "Estimate") -> Self:
        """The sum with an independent estimate in the same unit: spreads add in squares.

        >>> e = Estimate(10.0, 7.0, 14.0).plus(Estimate(2.0, 1.0, 5.0))
        >>> round(e.low, 2), e.value, e.high
        (8.84, 12.0, 17.0)
        """
        value = self.value + other.value
        below = hypot(self.value - self.low, other.value - other.low)
        above = hypot(self.high - self.value, other.high - other.value)
        return self.changed(
            value, value - below, value + above, steps=other.steps, sources=other.sources
        )

    def changed(
        self,
        value: float,
        low: float,
        high: float,
        *,
        steps: Iterable[str] = (),
        sources: Iterable[str] = (),
    ) -> Self:
        """Other numbers, that came about from these by further steps."""
        every = dict.fromkeys((*self.sources, *sources))
        fields = {**vars(self), "value": value, "low": low, "high": high}
        fields |= {"steps": (*self.steps, *steps), "sources": tuple(every)}
        return type(self)(**fields)


PRIOR_LN_SD = 0.25  # what a kitchen's thaw time may differ by before anything is logged
LOGGED_LN_SD = 0.12  # of one watched thaw
ROUND_LN_SD = 0.30  # of a thaw that was only looked at on rounds
KEPT = 0.98  # of what was known, at each new log
SURPRISING_SD = 3.0
_LEARNED = "site factor: conjugate normal update of ln(actual / predicted), textbook [M-h]"


@dataclass(frozen=True)
class SiteFactor:
    """What a kitchen has learned of a product and method: ln(actual / predicted) thaw time.

    mean and precision of a normal belief, from `logs` thaws; before the first one
    mean 0, sd 0.25. Spreads from memory (low): science reference 2.8.
    """

    mean: float = 0.0
    precision: float = 1 / PRIOR_LN_SD**2
    logs: int = 0

    def updated(
        self, predicted_h: float, actual_h: float, *, ln_sd: float = LOGGED_LN_SD
    ) -> "SiteFactor":
        """After one logged thaw; older logs fade by 2 % (half weight after 34 thaws).

        Raises ValueError for hours that are not more than zero, and for a log so
        far off that it needs a person's eye (3 standard deviations).

        Source
        ------
        Conjugate normal update, textbook; science reference 2.8.

        Check
        -----
        >>> round(SiteFactor().updated(10, 12).mean, 4)
        0.1487
        """
        if not (0 < predicted_h < inf and 0 < actual_h < inf):
            raise ValueError("predicted_h and actual_h must be more than zero")
        if not ln_sd > 0:
            raise ValueError("ln_sd must be more than zero")
        seen = log(actual_h / predicted_h)
        if abs(seen - self.mean) > SURPRISING_SD * sqrt(1 / self.precision + ln_sd**2):
            raise ValueError(
                f"a thaw of {actual_h:g} h against {predicted_h:g} h is reviewed "
                "before it is learned from"
            )
        return self._with(seen, ln_sd, fading=KEPT)

    def updated_between(
        self, predicted_h: float, not_yet_h: float, thawed_h: float
    ) -> "SiteFactor":
        """After a thaw that was not done at one look and done at the next.

        The middle of the two in logarithm counts; the less closely it was watched,
        the less it weighs. Raises ValueError as `updated`, and if the first look is
        not before the second.

        >>> watched = SiteFactor().updated_between(10, 11, 12)
        >>> seldom = SiteFactor().updated_between(10, 6, 22)
        >>> round(watched.mean, 3), round(seldom.mean, 3)
        (0.112, 0.04)
        """
        if not 0 < not_yet_h < thawed_h < inf:
            raise ValueError("not_yet_h must be more than zero and before thawed_h")
        width = log(thawed_h / not_yet_h)
        middle_h = sqrt(not_yet_h * thawed_h)
        return self.updated(predicted_h, middle_h, ln_sd=sqrt(LOGGED_LN_SD**2 + width**2 / 12))

    def _with(self, seen: float, ln_sd: float, fading: float) -> "SiteFactor":
        kept = self.precision * fading
        precision = kept + 1 / ln_sd**2
        mean = (self.mean * kept + seen / ln_sd**2) / precision
        return SiteFactor(mean, precision, self.logs + 1)

    def factor(self, *, ln_sd: float = LOGGED_LN_SD) -> Estimate:
        """By what the next predicted thaw time is multiplied, with its range.

        ln_sd : spread of one thaw, > 0. Holds for the product and method that were
        logged; the spread of thickness and medium is in it already.

        Source: predictive distribution of a normal mean, textbook.

        >>> after = SiteFactor(mean=0.2, precision=400.0, logs=5).factor()
        >>> round(after.low, 2), round(after.value, 2), round(after.high, 2)
        (1.03, 1.22, 1.44)
        """
        steps = [f"× {exp(self.mean):.2f} as {self.logs} logged thaws of this kind took"]
        spread = sqrt(1 / self.precision + ln_sd**2)
        return Estimate.log_normal(
            exp(self.mean), spread, steps=steps if self.logs else [], sources=[_LEARNED]
        )
