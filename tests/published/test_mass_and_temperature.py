"""Pounds and degrees: the agreement of 1959 and the pair of the regulation.

1 lb = 0.45359237 kg exactly, international yard and pound agreement of 1959
[memory, high]. 9 CFR 3.105(d): frozen food is kept at a maximum of 0 °F (-18 °C) [read].
"""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.quantities import (
    GRAMS_PER,
    MassUnit,
    Temperature,
    TemperatureLimit,
    TemperatureUnit,
    Units,
    parse_mass,
    parse_temperature,
    to_celsius,
)
from service.site.rules import PlaceKind, default_policy, place_limit_c


def test_a_pound_is_453_59237_grams_and_sixteen_ounces_are_a_pound() -> None:
    assert GRAMS_PER[MassUnit.LB] == Decimal("453.59237")
    assert 16 * GRAMS_PER[MassUnit.OZ] == GRAMS_PER[MassUnit.LB]


@pytest.mark.parametrize(
    ("said", "grams"),
    [
        ("1 lb", 454),
        ("25 lb", 11_340),  # 11 339.80925 g
        ("100000 lb", 45_359_237),
        ("1 oz", 28),
        ("8 oz", 227),
        ("11.3 kg", 11_300),
        ("0.0005 kg", 1),  # half a gram rounds up
        ("0.0004 kg", 0),
    ],
)
def test_a_mass_becomes_whole_grams_once(said: str, grams: int) -> None:
    assert parse_mass(said).grams == grams


@given(st.decimals(0, 100_000, places=3), st.sampled_from(MassUnit))
def test_grams_are_the_exact_product_rounded_half_up(value: Decimal, unit: MassUnit) -> None:
    exact = Fraction(value) * Fraction(GRAMS_PER[unit])
    assert parse_mass(f"{value} {unit}").grams == int(exact + Fraction(1, 2))


@given(st.integers(0, 10**7))
def test_a_mass_shown_in_pounds_and_read_again_is_within_a_hundredth_of_a_pound(grams: int) -> None:
    shown = Units(mass=MassUnit.LB).mass_out(grams)
    again = parse_mass(f"{shown.value:.2f} lb").grams
    assert abs(again - grams) <= 3  # half of 4.536 g, and half a gram of rounding


@pytest.mark.parametrize(("f", "c"), [(32, 0), (212, 100), (-40, -40), (41, 5), (70, 21.111111)])
def test_fahrenheit_and_celsius_meet_at_their_fixed_points(f: float, c: float) -> None:
    assert to_celsius(f, TemperatureUnit.F) == pytest.approx(c, abs=1e-6)


@pytest.mark.parametrize(
    ("said", "passes"),
    [
        ("-18 °C", True),
        ("-17.9 °C", False),
        ("0 °F", True),  # -17.78 °C, and the regulation's own figure
        ("0.1 °F", False),
        ("-0.4 °F", True),  # -18 °C
    ],
)
def test_a_limit_of_minus_18_c_is_0_f_for_who_measures_in_fahrenheit(
    said: str, passes: bool
) -> None:
    assert TemperatureLimit(-18.0).passed_by(parse_temperature(said)) is passes


@pytest.mark.parametrize(
    ("said", "passes"), [("-15 °C", True), ("5 °F", True), ("5.1 °F", False), ("-14.9 °C", False)]
)
def test_any_other_limit_is_converted_exactly(said: str, passes: bool) -> None:
    assert TemperatureLimit(-15.0).passed_by(parse_temperature(said)) is passes


@given(
    st.floats(-60, 0),
    st.decimals(-90, 50, places=2),
    st.decimals(0, 5, places=2),
    st.sampled_from(TemperatureUnit),
)
def test_what_is_colder_than_a_passing_core_passes_too(
    limit: float, warm: Decimal, by: Decimal, unit: TemperatureUnit
) -> None:
    held = TemperatureLimit(limit)
    if held.passed_by(Temperature(warm, unit)):
        assert held.passed_by(Temperature(warm - by, unit))


def test_a_freezer_of_a_fahrenheit_site_may_be_at_0_f_and_of_a_celsius_site_at_minus_18() -> None:
    policy = default_policy()
    f, c = TemperatureUnit.F, TemperatureUnit.C
    assert place_limit_c(PlaceKind.FREEZER, policy, f) == pytest.approx(to_celsius(0, f))
    assert place_limit_c(PlaceKind.FREEZER, policy, c) == -18


def test_a_freezer_limit_that_the_site_set_colder_holds_in_either_unit() -> None:
    policy = default_policy().model_copy(update={"freezer_legal_max": -25.0})
    for unit in TemperatureUnit:
        assert place_limit_c(PlaceKind.FREEZER, policy, unit) == -25
