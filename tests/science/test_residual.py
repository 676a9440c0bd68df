"""Laws of what is left of a nutrient."""

from math import exp, log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from service.science.estimate import Z10
from service.science.residual import (
    LEACHING,
    LOSS_RATES,
    Band,
    LossRate,
    Start,
    assay_ln_sd,
    content_left,
    learned_rate,
    least_after_water_thaw,
    residual,
    share_left,
)

contents = st.floats(0, 1e5)
days = st.floats(0, 1000)
spreads = st.floats(0, 1)
rates = st.one_of(
    st.none(),
    st.builds(LossRate, st.floats(0, 0.05), st.floats(1, 4)),
    st.sampled_from(list(LOSS_RATES.values())),
)
starts = st.one_of(
    st.builds(Start, contents, spreads),
    st.builds(lambda limit: Start(limit / 2, limit=limit), st.floats(0.001, 1e5)),
)
learnable = st.builds(LossRate, st.floats(1e-4, 0.05), st.floats(1.1, 4))


def exactly(elapsed: float) -> Band:
    return Band.of(elapsed, elapsed, elapsed)


def test_the_range_is_from_10_to_90_percent_of_a_normal_distribution() -> None:
    assert pytest.approx(norm.ppf(0.9), abs=1e-5) == Z10


@given(contents, days, rates, spreads)
def test_the_value_lies_within_its_range_and_is_never_more_than_at_first(
    content: float, elapsed: float, rate: LossRate | None, spread: float
) -> None:
    left = residual(content, elapsed, rate, content_ln_sd=spread)
    assert 0 <= left.low <= left.value <= left.high
    assert left.value <= content


@given(contents, days, days, rates, spreads)
def test_waiting_never_brings_a_vitamin_back(
    content: float, elapsed: float, more: float, rate: LossRate | None, spread: float
) -> None:
    before = residual(content, elapsed, rate, content_ln_sd=spread)
    after = residual(content, elapsed + more, rate, content_ln_sd=spread)
    assert after.value <= before.value
    assert after.low <= before.low * (1 + 1e-9)
    assert after.high <= before.high * (1 + 1e-9)


@given(st.floats(1, 1e3), days, days, rates)
def test_two_stays_lose_what_one_stay_of_both_lengths_loses(
    content: float, first: float, second: float, rate: LossRate | None
) -> None:
    halfway = residual(content, first, rate, content_ln_sd=0).value
    assert residual(halfway, second, rate, content_ln_sd=0).value == pytest.approx(
        residual(content, first + second, rate, content_ln_sd=0).value, rel=1e-9, abs=1e-300
    )


@given(contents, days, st.floats(0, 100), st.floats(0, 100), spreads)
def test_not_knowing_the_time_widens_the_range_and_keeps_the_value(
    content: float, elapsed: float, fewer: float, more: float, spread: float
) -> None:
    rate = LOSS_RATES["VITE"]
    known = residual(content, elapsed, rate, content_ln_sd=spread)
    unknown = residual(
        content,
        elapsed,
        rate,
        content_ln_sd=spread,
        equivalent_days_range=(max(0.0, elapsed - fewer), elapsed + more),
    )
    assert unknown.value == known.value
    assert unknown.low <= known.low * (1 + 1e-12)
    assert unknown.high >= known.high * (1 - 1e-12)


@given(contents, days, spreads)
def test_a_nutrient_that_does_not_fall_keeps_its_content(
    content: float, elapsed: float, spread: float
) -> None:
    left = residual(content, elapsed, None, content_ln_sd=spread)
    assert left.value == content
    assert left.low == pytest.approx(content * exp(-Z10 * spread))


@given(st.floats(0.01, 1), st.integers(1, 30))
def test_more_results_of_a_laboratory_narrow_its_spread(cv: float, replicates: int) -> None:
    one = assay_ln_sd(cv, 1)
    # variance of a log-normal: ln(1 + CV²), textbook
    assert one**2 == pytest.approx(log(1 + cv**2))
    assert assay_ln_sd(cv, replicates) == pytest.approx(one / replicates**0.5)


def test_negative_amounts_are_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        residual(-1, 1, None, content_ln_sd=0)
    with pytest.raises(ValueError, match="negative"):
        residual(1, -1, None, content_ln_sd=0)
    with pytest.raises(ValueError, match="replicates"):
        assay_ln_sd(0.1, 0)


@given(starts, rates, st.lists(days, min_size=1, max_size=20))
def test_many_instants_at_once_are_what_each_one_is_alone(
    start: Start, rate: LossRate | None, elapsed: list[float]
) -> None:
    at = np.array(elapsed)
    together = content_left(start, rate, Band(0.9 * at, at, 1.2 * at))
    for i, one in enumerate(elapsed):
        alone = content_left(start, rate, Band.of(one, 0.9 * one, 1.2 * one))
        for many, single in zip(together.triple, alone.only, strict=True):
            assert float(many[i]) == pytest.approx(single, rel=1e-12)


@given(starts, rates, days)
def test_the_range_of_any_start_holds_its_value(
    start: Start, rate: LossRate | None, elapsed: float
) -> None:
    low, value, high = content_left(start, rate, exactly(elapsed)).only
    assert 0 <= low <= value <= high


@given(contents, st.floats(0, 1), spreads, rates, days)
def test_less_at_first_never_leaves_more(
    content: float, part: float, spread: float, rate: LossRate | None, elapsed: float
) -> None:
    more = content_left(Start(content, spread), rate, exactly(elapsed)).only
    less = content_left(Start(content * part, spread), rate, exactly(elapsed)).only
    assert all(a <= b for a, b in zip(less, more, strict=True))


@given(st.floats(0.001, 1e4), rates, days, days)
def test_below_a_detection_limit_nothing_to_the_limit_is_left(
    limit: float, rate: LossRate | None, elapsed: float, more: float
) -> None:
    start = Start(limit / 2, limit=limit)
    low, value, high = content_left(start, rate, exactly(elapsed)).only
    share = share_left(rate, exactly(elapsed))
    assert low == 0
    assert value == pytest.approx(limit / 2 * float(share.value))
    assert high == pytest.approx(limit * float(share.high))
    assert content_left(start, rate, exactly(elapsed + more)).only[2] <= high


@given(days)
def test_of_epa_and_dha_anything_from_all_to_the_fastest_loss_may_be_left(elapsed: float) -> None:
    """Science reference 6.1: no change in 9 months in one study; the fastest, kilka 0.00239
    a day at -24 °C, is 0.00239 / 0.5061 = 0.0047 a day at -18 °C."""
    for tag in ("F20D5N3", "F22D6N3"):
        low, value, high = share_left(LOSS_RATES[tag], exactly(elapsed)).only
        assert high == 1
        assert value == pytest.approx(exp(-0.0010 * elapsed))
        assert low == pytest.approx(exp(-0.0047 * elapsed))


@given(learnable, st.floats(0.1, 1e3), st.floats(0.1, 1e3), st.floats(30, 800), spreads, spreads)
def test_a_learned_rate_lies_between_the_known_and_the_seen_one_and_is_no_wider(
    rate: LossRate, first: float, second: float, elapsed: float, one: float, other: float
) -> None:
    now = learned_rate(
        rate, first=first, second=second, days=elapsed, first_ln_sd=one, second_ln_sd=other
    )
    seen = max(log(first / second) / elapsed, rate.slowest)
    least, most = sorted((rate.per_day_at_minus_18, seen))
    assert least * (1 - 1e-9) <= now.per_day_at_minus_18 <= most * (1 + 1e-9)
    assert 1 <= now.geometric_sd <= rate.geometric_sd * (1 + 1e-9)


@given(learnable, st.floats(0.1, 1e3), st.floats(1, 10), st.floats(30, 800), st.floats(0.01, 1))
def test_two_samples_never_show_that_nothing_is_lost(
    rate: LossRate, first: float, times: float, elapsed: float, spread: float
) -> None:
    now = learned_rate(
        rate,
        first=first,
        second=first * times,
        days=elapsed,
        first_ln_sd=spread,
        second_ln_sd=spread,
    )
    assert now.per_day_at_minus_18 >= rate.slowest * (1 - 1e-9)


def test_a_rate_that_is_a_band_learns_nothing_and_impossible_samples_are_refused() -> None:
    epa = LOSS_RATES["F20D5N3"]
    noise = {"first_ln_sd": 0.1, "second_ln_sd": 0.1}
    assert learned_rate(epa, first=2, second=1, days=90, **noise) is epa
    with pytest.raises(ValueError, match="more than zero"):
        learned_rate(LOSS_RATES["VITE"], first=2, second=0, days=90, **noise)
    with pytest.raises(ValueError, match="more than zero"):
        learned_rate(LOSS_RATES["VITE"], first=2, second=1, days=0, **noise)


@given(contents)
def test_a_thaw_in_water_takes_b_vitamins_and_never_gives_any(low: float) -> None:
    assert 0 <= float(least_after_water_thaw(low)) <= low
    assert frozenset({"THIA", "RIBF", "NIA"}) == LEACHING
