"""How many cartons to open, and what a sample says of a lot."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, comb, inf, sqrt
from statistics import fmean, stdev

from service.science.estimate import Estimate

_QUANTILE_STEPS = 200
LARGEST_SAMPLE = 1000  # beyond it the binomial coefficients leave 64 bits of float


class Verdict(StrEnum):
    """What a plan says."""

    ACCEPT = "accept"
    REJECT = "reject"
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class HistamineResult:
    """The verdict, the mean in mg/kg, and how many values lay between the limits."""

    verdict: Verdict
    mean: float
    between: int


def acceptance_probability(
    sample: int, accept: int, share: float, *, lot: int | None = None
) -> float:
    """Probability that a plan accepts a lot with a share of defectives.

    Parameters
    ----------
    sample, accept : cartons opened, defectives allowed.
    share : of defective cartons, 0 to 1.
    lot : cartons in the lot, for a small lot (sample > a tenth of it):
        hypergeometric with round(share · lot) defectives; None: binomial.

    Raises
    ------
    ValueError
        For numbers outside these ranges.

    >>> round(acceptance_probability(6, 1, 0.065), 4)
    0.9468
    >>> round(acceptance_probability(6, 1, 0.10, lot=40), 4)
    0.9003
    """
    if not (0 <= accept < sample <= LARGEST_SAMPLE and 0 <= share <= 1):
        raise ValueError(
            f"accept must lie between 0 and below sample, sample be at most {LARGEST_SAMPLE}, "
            "share lie between 0 and 1"
        )
    if lot is None:
        return sum(
            comb(sample, k) * share**k * (1 - share) ** (sample - k) for k in range(accept + 1)
        )
    if lot < sample:
        raise ValueError("lot must be at least the sample")
    bad = round(share * lot)
    return sum(
        comb(bad, k) * comb(lot - bad, sample - k) for k in range(min(accept, bad) + 1)
    ) / comb(lot, sample)


def exact_interval(defective: int, sample: int, confidence: float = 0.95) -> tuple[float, float]:
    """Clopper-Pearson interval of the share of defectives.

    Source: textbook; by bisection of the binomial tails.

    >>> low, high = exact_interval(1, 13)
    >>> round(high, 4)
    0.3603
    """
    if not (0 <= defective <= sample and 1 <= sample <= LARGEST_SAMPLE and 0 < confidence < 1):
        raise ValueError(
            f"defective must lie between 0 and sample, sample between 1 and {LARGEST_SAMPLE}, "
            "confidence between 0 and 1"
        )
    tail = (1 - confidence) / 2
    low = (
        0.0
        if defective == 0
        else _share_where(lambda p: 1 - _up_to(defective - 1, sample, p), tail)
    )
    high = (
        1.0
        if defective == sample
        else _share_where(lambda p: 1 - _up_to(defective, sample, p), 1 - tail)
    )
    return low, high


def upper_bound_of_none(sample: int, confidence: float = 0.95) -> float:
    """Largest share of defectives that a clean sample leaves open.

    >>> round(upper_bound_of_none(13), 4)
    0.2058
    """
    if sample < 1 or not 0 < confidence < 1:
        raise ValueError("sample must be at least 1, confidence between 0 and 1")
    return float(1 - (1 - confidence) ** (1 / sample))


def _up_to(count: int, sample: int, share: float) -> float:
    return sum(comb(sample, k) * share**k * (1 - share) ** (sample - k) for k in range(count + 1))


def _share_where(rising: Callable[[float], float], value: float) -> float:
    low, high = 0.0, 1.0
    for _ in range(_QUANTILE_STEPS):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < value else (low, middle)
    return (low + high) / 2


# Student's t at 90 % (for a 10-90 % range), 1 to 10 degrees of freedom, 20, 30, ∞ [textbook].
_T90 = {
    1: 3.078,
    2: 1.886,
    3: 1.638,
    4: 1.533,
    5: 1.476,
    6: 1.440,
    7: 1.415,
    8: 1.397,
    9: 1.383,
    10: 1.372,
    20: 1.325,
    30: 1.310,
}


def mean_estimate(values: Sequence[float], unit: str = "") -> Estimate:
    """The mean of an assay's replicates with its 10-90 % range, by Student's t.

    Between the tabled degrees of freedom the next lower counts: the range is a
    little wide. Raises ValueError for fewer than two values or one not finite.

    >>> found = mean_estimate([10.7, 12.1, 9.8, 11.4, 13.0])
    >>> round(found.low, 2), found.value
    (10.55, 11.4)
    """
    if len(values) < 2 or any(not -inf < v < inf for v in values):
        raise ValueError("values must hold at least two finite numbers")
    freedom = len(values) - 1
    known = [f for f in _T90 if f <= freedom]
    spread = stdev(values)
    half = _T90[max(known)] * spread / sqrt(len(values))
    mean = fmean(values)
    steps = (f"mean of {len(values)} results with a standard deviation of {spread:.3g}",)
    return Estimate(mean, mean - half, mean + half, unit, steps, ("Student's t, textbook",))


def histamine(
    values: Sequence[float],
    *,
    detection_limit: float = 0.0,
    samples: int = 9,
    allowed: int = 2,
    lower: float = 100.0,
    upper: float = 200.0,
) -> HistamineResult:
    """The nine-sample rule: mean at most 100, at most 2 of 9 above 100, none above 200 mg/kg.

    A value below the detection limit counts as half of it for the mean. Fewer
    than nine values cannot accept, but can reject. Raises ValueError for no value
    or one that is negative or not a number.

    Source
    ------
    Reg. (EC) 2073/2005 [read].

    >>> histamine([60] * 7 + [150, 199]).verdict.value
    'accept'
    >>> histamine([90] * 7 + [150, 180]).verdict.value
    'reject'
    """
    if not values or any(not v >= 0 for v in values):
        raise ValueError("values must hold at least one, each 0 or more")
    counted = [detection_limit / 2 if v < detection_limit else v for v in values]
    mean = fmean(counted)
    between = sum(lower < v <= upper for v in counted)
    if any(v > upper for v in counted) or between > allowed:
        return HistamineResult(Verdict.REJECT, mean, between)
    if len(values) < samples:
        return HistamineResult(Verdict.UNDECIDED, mean, between)
    verdict = Verdict.ACCEPT if mean <= lower else Verdict.REJECT
    return HistamineResult(verdict, mean, between)


def pooled_histamine(
    values: Sequence[float],
    *,
    pooled: int,
    samples: int = 9,
    allowed: int = 2,
    lower: float = 100.0,
    upper: float = 200.0,
) -> HistamineResult:
    """The nine-sample rule, asked of composites: equal parts of `pooled` samples in one value.

    Parameters
    ----------
    values : mg/kg of each composite, 0 or more.
    pooled : samples in each, 2 to 20.
    samples, allowed, lower, upper : n, c, m and M of the plan.

    Returns
    -------
    HistamineResult. accept: `samples` or more are covered and no composite is above
    lower / pooled. reject: the plan must have failed. undecided: too few samples, or
    the composites must be measured sample by sample. `between` counts the samples
    that must lie above `lower`.

    Raises
    ------
    ValueError
        For no value, one that is negative or not a number, or `pooled` out of range.

    Notes
    -----
    A composite is the mean of its k samples. One sample at m and the others at 0
    give m / k: at or below that, none of them can be above m, so their mean cannot
    be either. Above M one of them must be above M. At c between m and M, of k
    samples none above M, j with j·M + (k − j)·m >= k·c, so j >= k·(c − m)/(M − m),
    must be above m. The mean over all samples is the mean of the composites.

    Source
    ------
    Plan: Reg. (EC) 2073/2005 [read]. Screening limit: derived above; that composites
    are held against a lower limit is common practice.

    Check
    -----
    >>> pooled_histamine([30, 33, 12], pooled=3).verdict.value
    'accept'
    >>> pooled_histamine([30, 34, 12], pooled=3).verdict.value
    'undecided'
    >>> pooled_histamine([160, 34, 120], pooled=3)
    HistamineResult(verdict=<Verdict.REJECT: 'reject'>, mean=104.66666666666667, between=3)
    """
    if not values or any(not 0 <= v < inf for v in values) or not 2 <= pooled <= 20:
        raise ValueError("values must hold at least one, each 0 or more; pooled be 2 to 20")
    mean = fmean(values)
    surely = sum(ceil(pooled * (v - lower) / (upper - lower)) for v in values if v > lower)
    if any(v > upper for v in values) or surely > allowed:
        return HistamineResult(Verdict.REJECT, mean, surely)
    if len(values) * pooled < samples:
        return HistamineResult(Verdict.UNDECIDED, mean, surely)
    if mean > lower:
        return HistamineResult(Verdict.REJECT, mean, surely)
    screened = all(v * pooled <= lower for v in values)
    return HistamineResult(Verdict.ACCEPT if screened else Verdict.UNDECIDED, mean, surely)


def three_class(
    values: Sequence[float], *, samples: int, allowed: int, marginal: float, unacceptable: float
) -> Verdict:
    """A three-class attributes plan: reject above M, or with more than c above m.

    Fewer values than samples cannot accept, but can reject. Raises ValueError for
    no value or one that is negative or not a number.

    Source
    ------
    ICMSF 1986 [read].

    >>> three_class([4e5, 6e5, 6e5, 6e5, 4e5], samples=5, allowed=3, marginal=5e5,
    ...             unacceptable=1e7).value
    'accept'
    """
    if not values or any(not v >= 0 for v in values):
        raise ValueError("values must hold at least one, each 0 or more")
    above = sum(v > marginal for v in values)
    if any(v > unacceptable for v in values) or above > allowed:
        return Verdict.REJECT
    return Verdict.ACCEPT if len(values) >= samples else Verdict.UNDECIDED


@dataclass(frozen=True)
class PlanRow:
    """One row of a sampling plan: open n cartons, accept with at most c defective."""

    level: str
    unit_above_kg: float
    unit_up_to_kg: float
    lot_from: int
    lot_to: int
    sample: int
    accept: int


def plan_for(rows: Sequence[PlanRow], *, cartons: int, carton_kg: float, level: str) -> PlanRow:
    """The row of a plan for a lot.

    rows : of one standard. cartons : in the lot. carton_kg : net mass of one.
    level : inspection level as the standard writes it. Returns the first row that
    covers all three; raises ValueError where none does. Cost O(rows).

    >>> rows = [PlanRow("I", 4.5, 1e9, 1, 600, 6, 1), PlanRow("I", 4.5, 1e9, 601, 2000, 13, 2)]
    >>> row = plan_for(rows, cartons=640, carton_kg=12.5, level="I")
    >>> row.sample, row.accept
    (13, 2)
    """
    for row in rows:
        if (
            row.level == level
            and row.unit_above_kg < carton_kg <= row.unit_up_to_kg
            and row.lot_from <= cartons <= row.lot_to
        ):
            return row
    raise ValueError(f"no plan covers {cartons} cartons of {carton_kg:g} kg at level {level}")
