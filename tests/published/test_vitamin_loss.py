"""Loss of vitamins against measured pairs and the Arrhenius equation.

Vitamin E of three fish muscles stored 17 weeks at -18 and -12 °C, µg/100 g:
Arslan et al. 1997 [read]; rates and activation energies are derived from them.
"""

from math import exp, log

import pytest

from service.science.exposure import RateTable
from service.science.kinetics import arrhenius_factor, arrhenius_from_rates
from service.science.residual import LOSS_RATES, assay_ln_sd, residual

WEEKS = 17


@pytest.mark.parametrize(
    ("fresh", "at_minus_18", "at_minus_12", "rates", "energy"),
    [
        (787.4, 248.2, 165.2, (0.06791, 0.09186), 27.89),  # carp
        (656.4, 169.8, 78.6, (0.07954, 0.12485), 41.63),  # Capoeta
    ],
    ids=["carp", "capoeta"],
)
def test_the_measured_losses_give_the_published_rates_and_activation_energy(
    fresh: float,
    at_minus_18: float,
    at_minus_12: float,
    rates: tuple[float, float],
    energy: float,
) -> None:
    slow, fast = (log(fresh / left) / WEEKS for left in (at_minus_18, at_minus_12))
    assert (slow, fast) == pytest.approx(rates, abs=5e-5)
    assert arrhenius_from_rates(slow, -18, fast, -12) == pytest.approx(energy, abs=0.02)


def test_our_rate_of_vitamin_e_lies_within_the_three_measured_ones() -> None:
    measured = [log(711.3 / 228.8), log(787.4 / 248.2), log(656.4 / 169.8)]
    per_day = [loss / (WEEKS * 7) for loss in measured]
    assert min(per_day) <= LOSS_RATES["VITE"].per_day_at_minus_18 <= max(per_day)


def test_the_activation_energy_of_trout_gives_back_the_two_rates_it_came_from() -> None:
    slow, fast = log(711.3 / 228.8), log(711.3 / 52.4)
    energy = arrhenius_from_rates(slow, -18, fast, -12)
    assert float(arrhenius_factor(-12, energy)) == pytest.approx(fast / slow, rel=1e-12)


@pytest.mark.parametrize(
    ("at_c", "factor"),
    # Arrhenius equation with 60 kJ/mol, 1 at -18 °C
    [
        (-30, 0.2476),
        (-28, 0.3155),
        (-25, 0.4503),
        (-20, 0.7998),
        (-18, 1.0),
        (-15, 1.3891),
        (-12, 1.9152),
        (-10, 2.3627),
    ],
)
def test_vitamins_are_lost_as_many_times_faster_as_the_arrhenius_equation_says(
    at_c: float, factor: float
) -> None:
    assert float(arrhenius_factor(at_c)) == pytest.approx(factor, abs=1e-4)


def test_after_90_days_at_minus_18_up_to_seven_tenths_of_vitamin_e_are_left() -> None:
    left = residual(1.0, 90, LOSS_RATES["VITE"], content_ln_sd=0.0)
    assert left.high == pytest.approx(0.686, abs=1e-3)


@pytest.mark.parametrize(
    ("days", "shares"),
    [(30, (0.475, 0.736, 0.882)), (180, (0.0115, 0.160, 0.470))],
)
def test_the_share_of_vitamin_e_left_has_the_worked_10_to_90_percent_range(
    days: float, shares: tuple[float, float, float]
) -> None:
    left = residual(1.0, days, LOSS_RATES["VITE"], content_ln_sd=0.0)
    assert (left.low, left.value, left.high) == pytest.approx(shares, abs=1e-3)


def test_colder_days_count_for_less_in_the_loss() -> None:
    # 120 d at -24 °C and 30 d at -18 °C: exp(-0.0102 (120 × 0.5061 + 30))
    table = RateTable(arrhenius_factor)
    equivalent = 120 * float(table.at(-24)) + 30 * float(table.at(-18))
    left = residual(1.0, equivalent, LOSS_RATES["VITE"], content_ln_sd=0.0)
    assert left.value == pytest.approx(exp(-0.0102 * (120 * 0.5061 + 30)), abs=1e-4)


def test_the_range_joins_the_laboratory_s_spread_and_the_rate_s() -> None:
    # 12 mg/kg, coefficient of variation 15 % of 3 results, loss exponent 0.5, spread 2
    rate = LOSS_RATES["VITE"]
    days = 0.5 / rate.per_day_at_minus_18
    left = residual(12, days, rate, content_ln_sd=assay_ln_sd(0.15, 3))
    assert (left.value, left.high) == pytest.approx((7.28, 9.97), abs=0.01)
