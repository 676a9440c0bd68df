"""Laws of rates that warmth changes."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.kinetics import arrhenius_factor, arrhenius_from_rates, hours_to_histamine


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


def test_impossible_temperatures_are_refused() -> None:
    with pytest.raises(ValueError, match="between -90 and 90"):
        arrhenius_factor(-273.15)
