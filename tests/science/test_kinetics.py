"""Laws of the loss of vitamins."""

from math import exp, log

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from service.science.estimate import Z10
from service.science.kinetics import arrhenius_factor, arrhenius_from_rates, hours_to_histamine
from service.science.residual import LOSS_RATES, LossRate, assay_ln_sd, residual

contents = st.floats(0, 1e5)
days = st.floats(0, 1000)
spreads = st.floats(0, 1)
rates = st.one_of(
    st.none(),
    st.builds(LossRate, st.floats(0, 0.05), st.floats(1, 4)),
    st.sampled_from(list(LOSS_RATES.values())),
)


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


@given(st.lists(st.floats(-90, 90), min_size=2, max_size=2).map(sorted), st.floats(1, 120))
def test_vitamins_are_lost_faster_where_it_is_warmer(pair: list[float], energy: float) -> None:
    cold, warm = (float(arrhenius_factor(c, energy)) for c in pair)
    assert warm >= cold


@given(st.floats(10, 120), st.floats(-40, 20), st.floats(1, 40), st.floats(1e-4, 1))
def test_the_activation_energy_is_found_again_from_two_rates(
    energy: float, at_c: float, apart: float, scale: float
) -> None:
    slow, fast = (scale * float(arrhenius_factor(c, energy)) for c in (at_c, at_c + apart))
    assert arrhenius_from_rates(slow, at_c, fast, at_c + apart) == pytest.approx(energy, rel=1e-6)


@given(st.floats(0.01, 1), st.integers(1, 30))
def test_more_results_of_a_laboratory_narrow_its_spread(cv: float, replicates: int) -> None:
    one = assay_ln_sd(cv, 1)
    # variance of a log-normal: ln(1 + CV²), textbook
    assert one**2 == pytest.approx(log(1 + cv**2))
    assert assay_ln_sd(cv, replicates) == pytest.approx(one / replicates**0.5)


def test_negative_amounts_and_impossible_temperatures_are_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        residual(-1, 1, None, content_ln_sd=0)
    with pytest.raises(ValueError, match="negative"):
        residual(1, -1, None, content_ln_sd=0)
    with pytest.raises(ValueError, match="between -90 and 90"):
        arrhenius_factor(-273.15)
    with pytest.raises(ValueError, match="replicates"):
        assay_ln_sd(0.1, 0)


@given(st.floats(10, 29.9), st.floats(0.01, 0.1))
def test_histamine_is_there_sooner_the_warmer_the_fish_is(at_c: float, by: float) -> None:
    assert float(hours_to_histamine(at_c + by)) < float(hours_to_histamine(at_c))


def test_the_two_published_times_of_histamine_alone_have_a_lower_energy_than_the_growth() -> None:
    # 43 h at 15 and 24 h at 20 °C; Torres et al. 2002 [abstract read] print both and 88.49
    assert arrhenius_from_rates(1 / 43, 15, 1 / 24, 20) == pytest.approx(81.9, abs=0.1)
    assert float(hours_to_histamine(15)) / 43 == pytest.approx(1.048, abs=5e-4)


@pytest.mark.parametrize("at_c", [9.9, 30.1, float("nan")])
def test_no_time_to_histamine_is_given_where_the_species_was_not_measured(at_c: float) -> None:
    with pytest.raises(ValueError, match="temperature_c must"):
        hours_to_histamine([20, at_c])
