"""Water and ice of Choi & Okos against the formulations of the IAPWS, as a library computes them.

Ice: equation of state of ice Ih, release R10-06. Water: liquid at 0.1 MPa, release
SR6-08, from -20 to 110 °C; supercooled, guideline G12-15, down to -38 °C. These are
fits to measurements within their own uncertainty, far below the differences here. The
library has no conductivity of ice: that row is compared with a textbook value in
`test_properties`.

Choi & Okos fit a parabola over -40 to 150 °C, for mixtures of which water is one
component: it cannot follow water's anomalies near 0 °C, let alone below. Each tolerance
is the largest difference measured over its range, rounded up; the sign is tested where
it is one.
"""

import numpy as np
import pytest
from iapws._iapws import _Ice, _Liquid, _Supercooled

from service.science.arrays import Array
from service.science.properties import (
    CONDUCTIVITY_W_MK,
    DENSITY_KG_M3,
    GROUPS,
    SPECIFIC_HEAT_KJ_KGK,
    Polynomial,
    component,
    ice_fraction,
)

KELVIN = 273.15
PRESSURE_MPA = 0.1
FROZEN_C = np.arange(-40.0, 0.0, 0.5)
LIQUID_C = np.arange(0.0, 40.5, 0.5)
# Fish holds water that is colder than it freezes; the library's k ends at -20 °C.
SUPERCOOLED_C = np.arange(-19.5, 0.0, 0.5)
DEEPLY_SUPERCOOLED_C = np.arange(-36.0, -20.0, 0.5)


def ice(name: str, at_c: float) -> float:
    return float(_Ice(at_c + KELVIN, PRESSURE_MPA)[name])


def liquid(name: str, at_c: float) -> float:
    return float(_Liquid(at_c + KELVIN, PRESSURE_MPA)[name])


def supercooled(name: str, at_c: float) -> float:
    return float(_Supercooled(at_c + KELVIN, PRESSURE_MPA)[name])


def apart(table: dict[str, Polynomial], part: str, at_c: Array, expected: list[float]) -> Array:
    """By what share our figures are above those of the library."""
    share: Array = component(table, part, at_c) / np.array(expected) - 1
    return share


def test_ice_has_the_density_of_the_equation_of_state() -> None:
    off = apart(dict(DENSITY_KG_M3), "ice", FROZEN_C, [ice("rho", c) for c in FROZEN_C])
    assert np.abs(off).max() < 2e-4


def test_ice_has_the_specific_heat_of_the_equation_of_state_within_two_percent() -> None:
    # +0.8 % at -40, -1.6 % near 0 °C: one straight line through a slightly bent curve
    off = apart(dict(SPECIFIC_HEAT_KJ_KGK), "ice", FROZEN_C, [ice("cp", c) for c in FROZEN_C])
    assert np.abs(off).max() < 0.017


def test_water_has_the_density_of_the_release_within_three_per_mille() -> None:
    off = apart(dict(DENSITY_KG_M3), "water", LIQUID_C, [liquid("rho", c) for c in LIQUID_C])
    assert np.abs(off).max() < 0.003
    assert (off < 0).all()


def test_water_has_the_specific_heat_of_the_release_within_one_percent() -> None:
    # -1.02 % at 0 °C, where real water rises steeply; below 0.7 % from 5 °C on
    off = apart(dict(SPECIFIC_HEAT_KJ_KGK), "water", LIQUID_C, [liquid("cp", c) for c in LIQUID_C])
    assert np.abs(off).max() < 0.0105
    assert np.abs(off[LIQUID_C >= 5]).max() < 0.007


def test_the_printed_4_1289_of_some_editions_is_further_off_at_every_temperature() -> None:
    real = np.array([liquid("cp", c) for c in LIQUID_C])
    ours = component(SPECIFIC_HEAT_KJ_KGK, "water", LIQUID_C)
    printed = ours - 4.1762 + 4.1289
    assert (np.abs(ours - real) < np.abs(printed - real)).all()
    assert np.abs(printed / real - 1).min() > 0.01


def test_water_conducts_as_the_release_says_within_three_percent() -> None:
    # +2.8 % at 0, +0.4 % at 40 °C
    off = apart(dict(CONDUCTIVITY_W_MK), "water", LIQUID_C, [liquid("k", c) for c in LIQUID_C])
    assert np.abs(off).max() < 0.029
    assert (off > 0).all()
    assert (np.diff(off) < 0).all()


def test_water_colder_than_it_freezes_is_less_well_known_the_colder_it_is() -> None:
    rho = [supercooled("rho", c) for c in SUPERCOOLED_C]
    density = apart(dict(DENSITY_KG_M3), "water", SUPERCOOLED_C, rho)
    assert np.abs(density).max() < 0.003
    # +2.9 % at 0, +9 % at -19.5 °C; of the liquid only, which there is a small part of fish
    k = [liquid("k", c) for c in SUPERCOOLED_C]
    assert np.abs(apart(dict(CONDUCTIVITY_W_MK), "water", SUPERCOOLED_C, k)).max() < 0.091
    # Down to -36 °C a parabola misses that real water grows lighter again, by 2 %.
    rho = [supercooled("rho", c) for c in DEEPLY_SUPERCOOLED_C]
    density = apart(dict(DENSITY_KG_M3), "water", DEEPLY_SUPERCOOLED_C, rho)
    assert np.abs(density).max() < 0.02


@pytest.mark.parametrize("group", list(GROUPS))
def test_what_is_wrong_with_deeply_cold_water_hardly_touches_fish(group: str) -> None:
    # Little of it is left liquid: 2 % of its volume are at most 0.2 % of the fish's.
    food = GROUPS[group]
    for at_c in DEEPLY_SUPERCOOLED_C:
        unfrozen = food.water - float(ice_fraction(food, at_c))
        printed = float(component(DENSITY_KG_M3, "water", at_c))
        volume_apart = abs(unfrozen / printed - unfrozen / supercooled("rho", float(at_c)))
        assert volume_apart * 1000 < 0.002
