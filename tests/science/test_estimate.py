"""Laws of an estimate, and of what a kitchen learns from its own thaws."""

from math import exp, inf, log, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.science.estimate import Estimate, SiteFactor

positive = st.floats(0.01, 1000)
spread = st.floats(0.0, 1.0)


@given(positive, spread, positive, spread)
def test_a_product_is_less_sure_than_either_and_surer_than_their_worst(
    one: float, one_sd: float, two: float, two_sd: float
) -> None:
    product = Estimate.log_normal(one, one_sd).times(Estimate.log_normal(two, two_sd))
    assert product.value == pytest.approx(one * two)
    width = log(product.high / product.low) / 2 / 1.28155
    assert max(one_sd, two_sd) - 1e-9 <= width <= one_sd + two_sd + 1e-9


def test_a_range_holds_eight_of_ten_draws_of_what_it_describes() -> None:
    # SciPy's log-normal distribution, quantiles to five digits
    found = Estimate.log_normal(92.3, 0.22).times(Estimate.log_normal(1.19, 0.12))
    drawn = stats.lognorm(s=np.hypot(0.22, 0.12), scale=92.3 * 1.19)
    assert (found.low, found.high) == pytest.approx(drawn.ppf([0.1, 0.9]), rel=1e-5)


def test_each_source_is_named_once_and_steps_stay_in_order() -> None:
    first = Estimate.log_normal(2.0, 0.1, unit="h", steps=["a"], sources=["A", "B"])
    found = first.times(Estimate.log_normal(3.0, 0.1, steps=["b"], sources=["B", "C"])).scaled(2)
    assert (found.unit, found.steps, found.sources) == ("h", ("a", "b"), ("A", "B", "C"))
    assert found.value == pytest.approx(12.0)


@pytest.mark.parametrize(
    ("value", "low", "high"), [(1, 2, 3), (4, 2, 3), (nan, 0, 1), (1, nan, 2), (1, 0, inf)]
)
def test_a_range_that_does_not_hold_its_value_is_refused(
    value: float, low: float, high: float
) -> None:
    with pytest.raises(ValueError, match="must be finite and in this order"):
        Estimate(value, low, high)


@pytest.mark.parametrize("bad", [-1.0, nan, inf])
def test_impossible_numbers_are_refused_by_name(bad: float) -> None:
    with pytest.raises(ValueError, match="value and ln_sd must be 0 or more"):
        Estimate.log_normal(bad, 0.1)
    with pytest.raises(ValueError, match="value and ln_sd must be 0 or more"):
        Estimate.log_normal(1.0, bad)
    with pytest.raises(ValueError, match="factor must be 0 or more"):
        Estimate(1, 1, 1).scaled(bad)
    with pytest.raises(ValueError, match="only estimates above zero"):
        Estimate(1, 0, 1).times(Estimate(1, 1, 1))


@given(st.floats(0.7, 1.4), st.floats(1.001, 3.0))
def test_a_thaw_seen_between_two_looks_counts_less_the_further_they_are_apart(
    ratio: float, apart: float
) -> None:
    watched = SiteFactor().updated(10, 10 * ratio)
    looked = SiteFactor().updated_between(10, 10 * ratio / apart, 10 * ratio * apart)
    assert abs(looked.mean) <= abs(watched.mean) + 1e-12
    assert looked.precision <= watched.precision


def test_a_thaw_seen_between_two_looks_is_the_mean_of_an_even_guess() -> None:
    # SciPy: sd of a uniform distribution over ln 8 h … ln 11 h, with 0.12 of a watched one
    even = stats.uniform(log(8), log(11 / 8))
    spread = np.hypot(0.12, even.std())
    looked = SiteFactor().updated_between(10, 8, 11)
    by_hand = SiteFactor().updated(10, exp(even.mean()), ln_sd=float(spread))
    assert looked.mean == pytest.approx(by_hand.mean)
    assert looked.precision == pytest.approx(by_hand.precision)


@pytest.mark.parametrize(("not_yet", "thawed"), [(0, 5), (5, 5), (6, 5), (1, inf), (nan, 5)])
def test_looks_in_the_wrong_order_are_refused(not_yet: float, thawed: float) -> None:
    with pytest.raises(ValueError, match="not_yet_h must be more than zero and before"):
        SiteFactor().updated_between(10, not_yet, thawed)


def test_a_kitchen_that_has_logged_nothing_says_nothing_of_logs() -> None:
    assert SiteFactor().factor().steps == ()
    assert "2 logged thaws" in SiteFactor().updated(10, 11).updated(10, 12).factor().steps[0]
