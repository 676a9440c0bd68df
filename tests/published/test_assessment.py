"""Outages against analytic solutions, quadrature, a stiff integrator and the worked table.

Figures by hand stand beside their reckoning; the rest is worked here from the
equations, without the code under test.
"""

from math import exp, log

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from service.science.arrays import Array
from service.science.assessment import (
    COEFFICIENTS,
    Model,
    Packed,
    Suggestion,
    assess,
    follow_bounds,
    suggest,
)
from service.science.cabinet import (
    cabinet_air_c,
    cabinet_series,
    fitted_conductance_w_k,
    unfitted_conductance_w_k,
)
from service.science.estimate import Estimate
from service.science.exposure import gap_bound
from service.science.gaps import AirSeries, GapRule, air_series
from service.science.outage import Anchor, follow, hours_to_warm, load_kg, octant
from service.science.properties import GROUPS, enthalpy_kj_kg, ice_fraction, specific_heat_kj_kgk
from service.science.storage_life import LifeProfile
from service.science.thawing import Body, Shape

LEAN = GROUPS["lean"]
CARTON = Body(Shape.BRICK, 0.1, 0.25, 0.5)
KNOTS = LifeProfile("lean", (-30, -24, -18, -12), (24, 15, 9, 4), 12)
HOUR = 3600.0


def exact(value: float) -> Estimate:
    return Estimate(value, value, value)


def at(air: AirSeries, line: Array, at_s: float) -> float:
    return float(np.interp(at_s, air.at_s, line))


# Air with gaps, by the table


def test_a_gap_of_an_hour_is_straight_in_the_middle_and_enveloped_above() -> None:
    air = air_series([0, HOUR], [-20, -18])
    half = HOUR / 2
    # warming: 20 - 40 exp(-1/8) = -15.2999; pull-down from -18 + 5 = -13 is warmer
    assert at(air, air.high_c, half) == pytest.approx(20 - 40 * exp(-0.125), abs=0.01)
    assert at(air, air.central_c, half) == pytest.approx(-19, abs=1e-9)
    assert at(air, air.low_c, half) == pytest.approx(-20, abs=1e-9)
    assert not air.unknown.any()


def test_a_longer_gap_is_half_envelope_half_straight_and_unknown() -> None:
    air = air_series([0, 4 * HOUR], [-20, -18])
    high = 20 - 40 * exp(-0.5)
    assert at(air, air.high_c, 2 * HOUR) == pytest.approx(high, abs=0.01)
    assert at(air, air.central_c, 2 * HOUR) == pytest.approx((high - 19) / 2, abs=0.01)
    assert air.unknown.all()
    assert air.unknown_s(HOUR, 10 * HOUR) == pytest.approx(3 * HOUR)


def test_one_missing_reading_is_bridged_straight_where_the_rule_says_two_intervals() -> None:
    rule = GapRule(straight_intervals=2)
    bridged = air_series([0, 600, 1200], [-20, -18, -20], rule)
    assert bridged.at_s.tolist() == [0, 600, 1200]
    assert (bridged.high_c == bridged.low_c).all()
    # our default does not: what the missing reading was might have been warmer
    ours = air_series([0, 600], [-20, -18])
    assert at(ours, ours.high_c, 300) > -19


@pytest.mark.parametrize(("before", "after"), [(-20.0, -18.0), (-10.0, -22.0), (-22.0, 3.0)])
@pytest.mark.parametrize("hours", [0.5, 3.0, 30.0])
def test_the_envelope_is_that_of_a_single_gap(before: float, after: float, hours: float) -> None:
    bound = gap_bound(0, hours * HOUR, before, after)
    air = air_series([0, hours * HOUR], [before, after])
    inside = np.linspace(2, hours * HOUR - 2, 500)
    expected = np.interp(inside, bound.at_s, bound.envelope_c)
    found = np.interp(inside, air.at_s, air.high_c)
    # where a line leaves its floor a point every five minutes cuts the corner, on the warm side
    assert found == pytest.approx(expected, abs=0.25)
    assert (found > expected - 0.03).all()
    assert np.interp(inside, air.at_s, air.low_c) == pytest.approx(bound.low_c, abs=1e-9)


def test_after_the_last_reading_a_place_warms_as_long_as_nobody_looks() -> None:
    air = air_series([0, 300], [-20, -20], end_s=300 + 8 * HOUR)
    assert air.high_c[-1] == pytest.approx(20 - 40 * exp(-2), abs=1e-9)
    assert air.low_c[-1] == -20
    assert air.central_c[-1] == pytest.approx((air.high_c[-1] - 20) / 2)
    assert air.unknown.tolist()[:1] == [False] and air.unknown[1:].all()


def test_before_the_first_reading_a_place_may_just_have_been_pulled_down() -> None:
    air = air_series([0, 300], [-20, -20], begin_s=-2 * HOUR)
    assert air.high_c[0] == pytest.approx(-20 + 10 * 2, abs=1e-9)
    early = air_series([0, 300], [-20, -20], begin_s=-20 * HOUR)
    assert early.high_c[0] == 20  # no warmer than the room


# The product


def test_a_small_frozen_piece_follows_the_exponential_of_a_lump() -> None:
    # Bi 0.02; between -39 and -31 °C the specific heat hardly changes: T = a - (a - T0) exp(-t/tau)
    sides = (0.02, 0.03, 0.04)
    body = Body(Shape.BRICK, *sides)
    area = 2 * (sides[0] * sides[1] + sides[0] * sides[2] + sides[1] * sides[2])
    mean_heat = 1000 * float(np.mean(specific_heat_kj_kgk(LEAN, np.linspace(-38, -33, 50))))
    tau = load_kg(LEAN, body) * mean_heat / (2.0 * area)
    at_s = np.arange(0, 3 * HOUR, 60.0)
    air = air_series(at_s, np.full(at_s.size, -30.0))
    bounds = follow_bounds(LEAN, body, air, exact(2.0), start_c=exact(-38.0))
    expected = -30 - 8 * np.exp(-at_s / tau)
    for history in (bounds.low, bounds.central, bounds.high):
        assert history.mean_c == pytest.approx(expected, abs=0.1)
    assert expected[-1] > -33  # it had time to warm


def test_while_frozen_it_is_the_scaled_slab_and_near_thawing_the_octant() -> None:
    at_s = np.arange(0, 48 * HOUR, 300.0)
    for peak_c, model in ((-10.0, Model.SCALED), (8.0, Model.OCTANT)):
        air = np.where((at_s > 6 * HOUR) & (at_s < 24 * HOUR), peak_c, -22.0)
        bounds = follow_bounds(LEAN, CARTON, air_series(at_s, air), exact(6.0))
        follower = octant if model is Model.OCTANT else follow
        alone = follower(LEAN, CARTON, 6.0, at_s, air, start_c=-22.0)
        assert bounds.model is model
        assert bounds.central.core_c == pytest.approx(alone.core_c, abs=1e-9)
        assert bounds.central.mean_c == pytest.approx(alone.mean_c, abs=1e-9)
        assert any(str(model) in step for step in bounds.steps)


def test_a_fish_on_a_shelf_has_no_octant() -> None:
    at_s = np.arange(0, 24 * HOUR, 300.0)
    fish = Body(Shape.FISH, 0.04, 0.08)
    air = air_series(at_s, np.where(at_s > 4 * HOUR, 10.0, -22.0))
    bounds = follow_bounds(LEAN, fish, air, COEFFICIENTS[Packed.SHELF])
    assert bounds.model is Model.SCALED
    assert bounds.high.peak_core_c > -1


def test_after_a_check_the_core_is_what_was_measured_and_as_far_off_as_the_thermometer() -> None:
    at_s = np.arange(0, 48 * HOUR, 300.0)
    air = air_series(np.delete(at_s, range(50, 200)), np.full(at_s.size - 150, -20.0))
    check = Anchor(30 * HOUR + 17, -13.0)
    bounds = follow_bounds(LEAN, CARTON, air, checks=[check], check_error_k=0.5)
    place = int(np.flatnonzero(bounds.central.at_s == check.at_s)[0])
    found = [h.core_c[place] for h in (bounds.low, bounds.central, bounds.high)]
    assert found == pytest.approx([-13.5, -13.0, -12.5], abs=1e-9)


# Figures


def figures_at(temperature_c: float, hours: float, sd: float = 0.0):  # type: ignore[no-untyped-def]
    air = air_series(
        [0, hours * HOUR], [temperature_c] * 2, GapRule(interval_s=86400, limit_s=86400)
    )
    bounds = follow_bounds(LEAN, CARTON, air, exact(5.0))
    return assess(LEAN, bounds, KNOTS, life_ln_sd=sd, warm_life_ln_sd=sd)


def test_a_day_at_minus_18_uses_a_day_of_nine_months() -> None:
    found = figures_at(-18, 24)
    assert found.life_share.value == pytest.approx(1 / (9 * 30.4375), rel=1e-6)
    assert found.hours_of_mean_above[-12.0].value == 0
    assert found.suggestions == (Suggestion.NO_ACTION,)


def test_the_spread_of_a_storage_life_table_is_in_the_range() -> None:
    found = figures_at(-18, 24, sd=0.30).life_share
    # 10-90 %: × 0.68 to × 1.47
    assert found.low / found.value == pytest.approx(0.68, abs=0.005)
    assert found.high / found.value == pytest.approx(1.47, abs=0.005)


def test_a_slow_warming_uses_the_worked_share_of_life() -> None:
    # 24 h along a line from -18 to -12 °C: 0.56270 % by the logarithmic mean of the rates
    at_s = np.linspace(0, 24 * HOUR, 289)
    piece = Body(Shape.BRICK, 0.002, 0.01, 0.01)  # so thin that it is as warm as the air
    air = air_series(at_s, np.linspace(-18, -12, 289))
    found = assess(LEAN, follow_bounds(LEAN, piece, air, exact(300.0)), KNOTS, life_ln_sd=0)
    rates = [1 / (months * 30.4375) for months in (9, 4)]
    by_hand = (rates[1] - rates[0]) / log(rates[1] / rates[0])
    assert by_hand == pytest.approx(0.0056270, abs=1e-7)
    assert found.life_share.value == pytest.approx(by_hand, rel=2e-3)


def test_a_carton_at_minus_8_for_ten_hours_counts_its_hours() -> None:
    found = figures_at(-8, 10)
    hours = {limit: e.value for limit, e in found.hours_of_mean_above.items()}
    assert hours == pytest.approx({-12.0: 10, -9.0: 10, -5.0: 0})
    assert found.frozen_water_share.value == pytest.approx(
        float(ice_fraction(LEAN, -8)) / LEAN.water, abs=1e-6
    )
    assert found.suggestions == (Suggestion.USE_FIRST,)


@pytest.mark.parametrize(
    ("core_c", "surface_c", "expected"),
    [
        (-12.0, -10.0, (Suggestion.NO_ACTION,)),
        (-11.9, -5.0, (Suggestion.USE_FIRST,)),
        (-5.0, 4.4, (Suggestion.USE_FIRST,)),
        (-4.9, 4.4, (Suggestion.HOLD,)),
        (-4.9, 4.5, (Suggestion.HOLD, Suggestion.EXPOSURE_RULES)),
        (-20.0, 5.0, (Suggestion.EXPOSURE_RULES,)),
    ],
)
def test_an_outage_calls_for_what_the_table_says(
    core_c: float, surface_c: float, expected: tuple[Suggestion, ...]
) -> None:
    assert suggest(core_c, surface_c) == expected


def test_a_suggestion_says_that_its_limits_are_our_own() -> None:
    assert any("our default, memory low" in s for s in figures_at(-20, 1).peak_core_c.sources)


# The cabinet


def test_air_between_walls_and_fish_balances_what_comes_in_and_goes_on() -> None:
    ua, ambient, power = 2.5, 22.0, 40.0
    surface, at_c = np.array([9.0, 4.0, 0.5]), np.array([-18.0, -12.0, -3.0])
    air = float(cabinet_air_c(ua, ambient, power, surface, at_c))
    assert ua * (ambient - air) + power == pytest.approx(float((surface * (air - at_c)).sum()))


def test_a_closed_cabinet_warms_as_a_stiff_integrator_finds() -> None:
    mass, surface, ua, ambient, power = 150.0, 40.0, 3.0, 24.0, 15.0

    def warming(_: float, enthalpy: Array) -> Array:
        load = np.interp(enthalpy, known_h, known_c)
        air = (ua * ambient + power + surface * load) / (ua + surface)
        return np.asarray(surface * (air - load) / (1000 * mass))

    known_c = np.linspace(-40, 40, 20_001)
    known_h = enthalpy_kj_kg(LEAN, known_c)
    at_s = np.linspace(0, 60 * HOUR, 61)
    begin = [float(enthalpy_kj_kg(LEAN, -22))]
    solved = solve_ivp(warming, (0, 60 * HOUR), begin, "LSODA", at_s, rtol=1e-8, atol=1e-8)
    load = np.interp(solved.y[0], known_h, known_c)
    expected = (ua * ambient + power + surface * load) / (ua + surface)
    air = cabinet_series(LEAN, mass, surface, exact(ua), ambient, at_s, start_c=-22, power_w=power)
    assert air.central_c == pytest.approx(expected, abs=0.02)


def test_with_a_large_surface_a_cabinet_warms_in_the_worked_hours() -> None:
    # 200 kg, 2.5 W/K, 25 °C: -18 to -9 °C in 16.65 h
    at_s = np.array([0, 16.65 * HOUR])
    air = cabinet_series(LEAN, 200, 1e5, exact(2.5), 25, at_s, start_c=-18)
    assert air.central_c[-1] == pytest.approx(-9, abs=0.02)
    assert hours_to_warm(LEAN, 200, 2.5, 25, start_c=-18, end_c=-9) == pytest.approx(16.65, abs=0.1)


def test_a_conductance_is_found_again_from_the_warming_it_made() -> None:
    def per_kelvin(c: float) -> float:
        return 1000 * 200 * float(specific_heat_kj_kgk(LEAN, c)) / (2.5 * (25 - c))

    load = np.linspace(-18, -10, 60)
    at_s = [quad(per_kelvin, -18, c)[0] for c in load]
    fit = fitted_conductance_w_k(LEAN, 200, -18, -10, at_s, load, 25)
    assert fit.value == pytest.approx(2.5, rel=0.01)
    assert fit.low < 2.5 < fit.high
    assert unfitted_conductance_w_k(2.5).low == 1.25
