"""Sampling plans against their standards, and probabilities against SciPy.

Plans: CXS 233-1969, AQL 6.5 % [lot bounds from memory, high; number and c also in 7
CFR 52.38c, read]. Histamine: Regulation (EC) 2073/2005 [read]. Aerobic plate count:
ICMSF 1986 [read]. Distributions: scipy.stats.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from service.science import sampling
from service.science.sampling import (
    PlanRow,
    Verdict,
    acceptance_probability,
    exact_interval,
    histamine,
    mean_estimate,
    plan_for,
    three_class,
    upper_bound_of_none,
)

INF = 10**9
# CXS 233-1969, unit net mass above 4.5 kg: lot size up to, n, c
LEVEL_ONE = [(600, 6, 1), (2000, 13, 2), (7200, 21, 3), (15000, 29, 4), (24000, 48, 6)]
LEVEL_ONE += [(42000, 84, 9), (INF, 126, 13)]
SMALL_UNITS = [(4800, 6, 1), (24000, 13, 2), (48000, 21, 3)]


def rows(
    level: str, above: float, up_to: float, bounds: list[tuple[int, int, int]]
) -> list[PlanRow]:
    firsts = [1, *(last + 1 for last, _, _ in bounds)]
    return [
        PlanRow(level, above, up_to, first, last, sample, accept)
        for first, (last, sample, accept) in zip(firsts, bounds, strict=False)
    ]


PLAN = rows("I", 4.5, INF, LEVEL_ONE) + rows("I", 0.0, 1.0, SMALL_UNITS)
PLAN += rows("II", 4.5, INF, [(600, 13, 2), (2000, 21, 3)])


@pytest.mark.parametrize(
    ("sample", "accept", "share", "expected"),
    [
        (21, 3, 0.065, 0.9561),
        (29, 4, 0.065, 0.9628),
        (48, 6, 0.065, 0.9655),
        (84, 9, 0.065, 0.9542),
        (126, 13, 0.065, 0.9651),
        (200, 19, 0.065, 0.9627),
        (6, 1, 0.20, 0.6554),
        (21, 3, 0.20, 0.3704),
    ],
)
def test_the_standards_plans_accept_a_lot_with_the_worked_probability(
    sample: int, accept: int, share: float, expected: float
) -> None:
    assert acceptance_probability(sample, accept, share) == pytest.approx(expected, abs=1e-4)


def test_six_of_forty_cartons_are_drawn_without_putting_back() -> None:
    without = acceptance_probability(6, 1, 0.10, lot=40)
    assert acceptance_probability(6, 1, 0.10) < without  # a big lot of the same share


@given(st.integers(1, 300), st.data())
def test_acceptance_is_scipys_binomial(sample: int, data: st.DataObject) -> None:
    accept = data.draw(st.integers(0, sample - 1))
    share = data.draw(st.floats(0, 1))
    expected = float(stats.binom.cdf(accept, sample, share))
    assert acceptance_probability(sample, accept, share) == pytest.approx(expected, abs=1e-9)


@given(st.integers(1, 60), st.integers(0, 200), st.data())
def test_acceptance_of_a_small_lot_is_scipys_hypergeometric(
    sample: int, more: int, data: st.DataObject
) -> None:
    lot = sample + more
    accept = data.draw(st.integers(0, sample - 1))
    bad = data.draw(st.integers(0, lot))
    expected = float(stats.hypergeom.cdf(accept, lot, bad, sample))
    found = acceptance_probability(sample, accept, bad / lot, lot=lot)
    assert found == pytest.approx(expected, abs=1e-9)


@given(st.integers(1, 100), st.data(), st.floats(0, 1), st.floats(0, 1))
def test_a_worse_lot_is_never_likelier_to_be_accepted(
    sample: int, data: st.DataObject, one: float, two: float
) -> None:
    accept = data.draw(st.integers(0, sample - 1))
    better, worse = sorted((one, two))
    assert (
        acceptance_probability(sample, accept, worse)
        <= acceptance_probability(sample, accept, better) + 1e-12
    )


def test_every_clean_lot_is_accepted_and_every_rotten_one_refused() -> None:
    for sample, accept in ((1, 0), (6, 1), (200, 19), (1000, 50)):
        assert acceptance_probability(sample, accept, 0.0) == 1
        assert acceptance_probability(sample, accept, 1.0) == 0


def test_thirteen_clean_cartons_leave_a_fifth_open() -> None:
    # what is left open: a lot of that share shows a clean sample one time in twenty
    assert stats.binom.pmf(0, 13, upper_bound_of_none(13)) == pytest.approx(0.05)


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 200), st.data())
def test_the_exact_interval_is_scipys_beta_quantile(sample: int, data: st.DataObject) -> None:
    defective = data.draw(st.integers(0, sample))
    confidence = data.draw(st.sampled_from([0.8, 0.9, 0.95, 0.99]))
    tail = (1 - confidence) / 2
    low, high = exact_interval(defective, sample, confidence)
    clean, rotten = defective == 0, defective == sample
    beta_low = 0 if clean else stats.beta.ppf(tail, defective, sample - defective + 1)
    beta_high = 1 if rotten else stats.beta.ppf(1 - tail, defective + 1, sample - defective)
    assert (low, high) == pytest.approx((beta_low, beta_high), abs=1e-9)
    assert low <= defective / sample <= high


def test_the_t_quantiles_are_scipys_to_three_decimals() -> None:
    for freedom, quantile in sampling._T90.items():
        assert round(float(stats.t.ppf(0.90, freedom)), 3) == quantile


def test_five_assays_leave_their_mean_open_by_a_tenth() -> None:
    values = [10.7, 12.1, 9.8, 11.4, 13.0]
    found = mean_estimate(values)
    low, mean, high = found.low, found.value, found.high
    assert mean == pytest.approx(11.4)
    half = stats.t.ppf(0.90, 4) * np.std(values, ddof=1) / np.sqrt(5)
    assert (low, high) == pytest.approx((mean - half, mean + half), abs=1e-3)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.1, 100), min_size=2, max_size=60))
def test_the_range_of_a_mean_is_students_or_a_little_wider(values: list[float]) -> None:
    found = mean_estimate(values)
    low, mean, high = found.low, found.value, found.high
    half = stats.t.ppf(0.90, len(values) - 1) * stats.sem(values)
    assert low <= mean <= high
    assert half * (1 - 4e-4) - 1e-9 <= high - mean <= half * 1.035 + 1e-9


@pytest.mark.parametrize(
    ("cartons", "sample", "accept"),
    [(601, 13, 2), (1, 6, 1), (2000, 13, 2), (50_000, 126, 13)],
)
def test_the_plan_for_cartons_of_12_5_kg(cartons: int, sample: int, accept: int) -> None:
    row = plan_for(PLAN, cartons=cartons, carton_kg=12.5, level="I")
    assert (row.sample, row.accept) == (sample, accept)


def test_the_plan_depends_on_level_and_carton() -> None:
    assert plan_for(PLAN, cartons=640, carton_kg=12.5, level="II").sample == 21
    assert plan_for(PLAN, cartons=640, carton_kg=1.0, level="I").sample == 6
    for cartons, carton_kg, level in (
        (640, 3.0, "I"),
        (0, 12.5, "I"),
        (640, 12.5, "III"),
        (640, float("nan"), "I"),
    ):
        with pytest.raises(ValueError, match=f"no plan covers {cartons} cartons"):
            plan_for(PLAN, cartons=cartons, carton_kg=carton_kg, level=level)


@pytest.mark.parametrize(
    ("values", "verdict", "mean"),
    [
        ([50] * 8 + [201], Verdict.REJECT, 66.8),
        ([60] * 7 + [150, 200], Verdict.ACCEPT, 85.6),
        ([50] * 6 + [101, 101, 101], Verdict.REJECT, 67.0),
        ([100] * 9, Verdict.ACCEPT, 100.0),
        ([60] * 8, Verdict.UNDECIDED, 60.0),
        ([300], Verdict.REJECT, 300.0),
        ([150, 150, 150], Verdict.REJECT, 150.0),
    ],
)
def test_nine_samples_of_histamine_are_judged_as_the_regulation_says(
    values: list[float], verdict: Verdict, mean: float
) -> None:
    found = histamine(values)
    assert found.verdict is verdict
    assert found.mean == pytest.approx(mean, abs=0.05)


def test_enzyme_ripened_fish_in_brine_may_have_twice_as_much() -> None:
    values = [150.0] * 7 + [350, 399]
    assert histamine(values).verdict is Verdict.REJECT
    assert histamine(values, lower=200, upper=400).verdict is Verdict.ACCEPT


def test_what_was_not_detected_counts_as_half_the_limit_in_the_mean_only() -> None:
    found = histamine([0.0] * 7 + [150, 150], detection_limit=10)
    assert found.mean == pytest.approx((7 * 5 + 300) / 9)
    assert (found.between, found.verdict) == (2, Verdict.ACCEPT)


@given(st.lists(st.floats(0, 250), min_size=1, max_size=9), st.integers(0, 8), st.floats(0, 50))
def test_more_histamine_never_turns_a_rejection_into_an_acceptance(
    values: list[float], place: int, more: float
) -> None:
    worse = list(values)
    worse[place % len(values)] += more
    order = [Verdict.REJECT, Verdict.UNDECIDED, Verdict.ACCEPT]
    before, after = histamine(values).verdict, histamine(worse).verdict
    assert order.index(after) <= order.index(before)


@pytest.mark.parametrize(
    ("values", "verdict"),
    [
        ([6e5, 6e5, 6e5, 6e5, 4e5], Verdict.REJECT),
        ([4e5, 4e5, 4e5, 4e5, 1.1e7], Verdict.REJECT),
        ([4e5, 4e5, 4e5, 4e5, 1e7], Verdict.ACCEPT),
        ([4e5, 4e5, 4e5, 4e5], Verdict.UNDECIDED),
        ([2e7], Verdict.REJECT),
    ],
)
def test_plate_counts_are_judged_in_three_classes(values: list[float], verdict: Verdict) -> None:
    found = three_class(values, samples=5, allowed=3, marginal=5e5, unacceptable=1e7)
    assert found is verdict


@pytest.mark.parametrize(
    ("sample", "accept", "share", "lot"),
    [
        (0, 0, 0.1, None),
        (6, 6, 0.1, None),
        (6, -1, 0.1, None),
        (6, 1, 1.1, None),
        (6, 1, -0.1, None),
        (6, 1, float("nan"), None),
        (1001, 1, 0.1, None),
    ],
)
def test_an_impossible_plan_is_refused(
    sample: int, accept: int, share: float, lot: int | None
) -> None:
    with pytest.raises(ValueError, match="accept must lie between 0 and below sample"):
        acceptance_probability(sample, accept, share, lot=lot)


def test_more_cartons_cannot_be_opened_than_there_are() -> None:
    with pytest.raises(ValueError, match="lot must be at least the sample"):
        acceptance_probability(6, 1, 0.1, lot=5)


@pytest.mark.parametrize(
    ("defective", "sample", "confidence"),
    [(-1, 5, 0.9), (6, 5, 0.9), (0, 0, 0.9), (1, 5, 0.0), (1, 5, 1.0), (1, 5, float("nan"))],
)
def test_an_impossible_sample_is_refused(defective: int, sample: int, confidence: float) -> None:
    with pytest.raises(ValueError, match="defective must lie between 0 and sample"):
        exact_interval(defective, sample, confidence)


def test_no_values_or_broken_ones_are_refused_and_never_accepted() -> None:
    for broken in ([], [float("nan")] * 9, [-1.0] * 9, [50.0] * 8 + [float("nan")]):
        with pytest.raises(ValueError, match="each 0 or more"):
            histamine(broken)
        with pytest.raises(ValueError, match="each 0 or more"):
            three_class(broken, samples=9, allowed=2, marginal=100, unacceptable=200)
    for few in ([], [1.0], [1.0, float("nan")], [1.0, float("inf")]):
        with pytest.raises(ValueError, match="at least two finite numbers"):
            mean_estimate(few)
    with pytest.raises(ValueError, match="sample must be at least 1"):
        upper_bound_of_none(0)
