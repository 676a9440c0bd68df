"""Thermometers side by side: the trend that wild points do not bend, and who wanders."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from service.science.drift import (
    MONTH_DAYS,
    Difference,
    Trend,
    against_the_others,
    daily_medians,
    difference,
    theil_sen,
    wanders,
)

HOURS = np.arange(24 * 60) * 3600


@given(
    st.lists(st.tuples(st.integers(0, 60), st.integers(-50, 50)), min_size=2, max_size=40).filter(
        lambda points: len({x for x, _ in points}) > 1
    ),
    st.sampled_from([0.5, 0.9, 0.95]),
)
def test_the_robust_line_is_that_of_scipy_ties_included(
    points: list[tuple[int, int]], confidence: float
) -> None:
    """scipy.stats.theilslopes, a second implementation of Theil 1950 and Sen 1968."""
    x, y = np.array(points, dtype=float).T / 10
    ours = theil_sen(x, y, confidence=confidence)
    theirs = theilslopes(y, x, confidence)
    assume(np.isfinite(theirs).all())  # its variance may come out below nothing among ties
    found = (ours.slope, ours.intercept, ours.low, ours.high)
    assert found == pytest.approx(tuple(theirs), abs=1e-12)


@given(st.integers(0, 2**32 - 1))
def test_a_quarter_of_wild_days_hardly_bends_the_trend(seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.arange(80.0)
    y = 0.02 * x + rng.normal(0, 0.05, 80)
    wild = rng.choice(80, 20, replace=False)
    y[wild] += rng.uniform(5, 30, 20)
    assert theil_sen(x, y).slope == pytest.approx(0.02, abs=0.015)


@pytest.mark.parametrize(
    ("x", "y"),
    [([1.0], [1.0]), ([1.0, 2.0], [1.0]), ([3.0, 3.0], [1.0, 2.0]), ([1.0, 2.0], [1.0, np.nan])],
)
def test_points_without_a_line_are_refused(x: list[float], y: list[float]) -> None:
    with pytest.raises(ValueError, match=r"x|y"):
        theil_sen(x, y)


def test_a_day_that_was_measured_for_less_than_half_has_no_median() -> None:
    kept = np.concatenate((HOURS[:24], HOURS[24:35], HOURS[48:60]))
    day, median = daily_medians(kept, np.ones(kept.size))
    assert (day.tolist(), median.tolist()) == ([0, 2], [1.0, 1.0])


@given(st.floats(-3, 3), st.floats(-2, 2), st.integers(0, 2**32 - 1))
def test_two_thermometers_apart_and_wandering_are_found_so(
    apart: float, per_month: float, seed: int
) -> None:
    """Both see the same course, defrosts included; what is between them is what was put there."""
    rng = np.random.default_rng(seed)
    course = -20 + 2 * np.sin(HOURS / 3600 * 2 * np.pi / 24) + rng.exponential(0.5, HOURS.size)
    drift = per_month * HOURS / 86400 / MONTH_DAYS
    found = difference(HOURS, course + apart + drift + rng.normal(0, 0.1, HOURS.size), course)
    assert found.hours == HOURS.size and found.days == 60
    assert found.mean_c == pytest.approx(apart + float(np.mean(drift)), abs=0.02)
    assert found.per_month is not None
    assert found.per_month.slope == pytest.approx(per_month, abs=0.05)
    assert found.per_month.low <= found.per_month.slope <= found.per_month.high


def test_six_days_have_no_trend() -> None:
    few = HOURS[: 24 * 6]
    assert difference(few, np.zeros(few.size), np.zeros(few.size)).per_month is None


def test_the_one_of_three_that_wanders_is_the_one_that_is_flagged() -> None:
    rng = np.random.default_rng(7)
    means = -20 + rng.normal(0, 0.1, (3, HOURS.size))
    means[1] += 1.5 * HOURS / 86400 / MONTH_DAYS
    flagged = []
    for i in range(3):
        others = against_the_others(means, i)
        assert others is not None
        hours, median, _ = others
        found = difference(HOURS[hours], means[i, hours], median)
        flagged.append(wanders(found, window_days=60, class_c=2.0))
    assert flagged == [False, True, False]


@pytest.mark.parametrize(
    ("days", "line", "flagged"),
    [
        (90, Trend(0.70, 0, 0.5, 0.9), True),  # 0.70 · 90 / 30.4375 = 2.07
        (90, Trend(-0.70, 0, -0.9, -0.5), True),
        (90, Trend(0.67, 0, 0.5, 0.9), False),  # 1.98
        (90, Trend(0.70, 0, -0.1, 0.9), False),  # it may be none at all
        (44, Trend(0.70, 0, 0.5, 0.9), False),  # half of the window was not measured
        (90, None, False),
    ],
)
def test_only_a_sure_and_large_drift_over_half_of_the_window_is_flagged(
    days: int, line: Trend | None, flagged: bool
) -> None:
    found = Difference(days * 24, days, 0.0, 0.1, line)
    assert wanders(found, window_days=90, class_c=2.0) is flagged


def test_nobody_to_compare_with_says_nothing() -> None:
    assert against_the_others(np.zeros((1, 5)), 0) is None
    assert against_the_others(np.array([[0.0, np.nan], [np.nan, 1.0]]), 0) is None
