"""Properties of fish against handbook tables, worked examples and measured enthalpy.

Beef: worked example of the ASHRAE Handbook [from memory, high]. White fish: measured
enthalpy in Johnston, Nicholson, Roger & Stroud 1994, FAO Fisheries Technical Paper
340, tables 30 and 31 [read]. The defaults of the food groups are our own arithmetic,
done twice from the same tables. Rows of the check table: `test_science_checks`.
"""

import numpy as np
import pytest

from service.science.properties import (
    CONDUCTIVITY_W_MK,
    DENSITY_KG_M3,
    GROUPS,
    SPECIFIC_HEAT_KJ_KGK,
    Composition,
    component,
    conductivity_w_mk,
    density_kg_m3,
    enthalpy_kj_kg,
    ice_fraction,
    specific_heat_kj_kgk,
    tchigeov_ice_fraction,
    unfrozen_specific_heat_kj_kgk,
)
from tests.published.white_fish import KJ_PER_KCAL, WHITE_FISH_KCAL_KG

LEAN = GROUPS["lean"]


@pytest.mark.parametrize(
    ("table", "name", "at_c", "measured", "share"),
    # Pure water and ice, textbook values [from memory, high]: an independent look at
    # the coefficients, within what polynomials over 190 K can do.
    [
        (CONDUCTIVITY_W_MK, "water", 20, 0.598, 0.015),
        (CONDUCTIVITY_W_MK, "ice", 0, 2.22, 0.01),
        (DENSITY_KG_M3, "water", 20, 998.2, 0.005),
        (DENSITY_KG_M3, "ice", 0, 916.7, 0.001),
        (SPECIFIC_HEAT_KJ_KGK, "water", 20, 4.182, 0.005),
        (SPECIFIC_HEAT_KJ_KGK, "ice", -10, 2.00, 0.01),
    ],
)
def test_water_and_ice_are_as_any_textbook_has_them(
    table: dict[str, tuple[float, float, float]],
    name: str,
    at_c: float,
    measured: float,
    share: float,
) -> None:
    assert float(component(table, name, at_c)) == pytest.approx(measured, rel=share)


def test_half_of_the_handbooks_beef_is_ice_at_minus_20() -> None:
    assert round(float(tchigeov_ice_fraction(0.58, -1.7, -20)), 2) == 0.52  # as printed


def test_freezing_white_fish_takes_what_the_second_table_of_the_paper_says() -> None:
    # table 30: 81.3 kcal/kg from +10 to -30; table 31 interpolated between -32 and -28
    ours = float(enthalpy_kj_kg(LEAN, 10) - enthalpy_kj_kg(LEAN, -30)) / KJ_PER_KCAL
    assert ours == pytest.approx(81.31, rel=0.035)


def test_lean_fish_has_the_measured_enthalpy_of_white_fish() -> None:
    at = np.array(list(WHITE_FISH_KCAL_KG), dtype=float)
    measured = np.array(list(WHITE_FISH_KCAL_KG.values())) * KJ_PER_KCAL
    apart = enthalpy_kj_kg(LEAN, at) - measured
    compared = (at >= -36) & (at <= 12)
    assert float(np.sqrt((apart[compared] ** 2).mean())) < 6.5
    # At -1 °C, 0.1 K below freezing, a kilojoule is 4 mK: there the temperature is compared.
    away = compared & (at != -1)
    assert float(np.abs(apart[away]).max()) < 11.0
    assert float(at[away][np.abs(apart[away]).argmax()]) == 0
    fine = np.linspace(-1.2, -0.8, 4001)
    same_heat_c = float(np.interp(measured[at == -1][0], enthalpy_kj_kg(LEAN, fine), fine))
    assert same_heat_c == pytest.approx(-1, abs=0.06)


def test_the_freezing_point_of_minus_2_2_is_far_from_the_measured_enthalpy() -> None:
    # Why that handbook figure for marine fish is never used: off by more than 100 kJ/kg.
    handbook = Composition.from_percent(
        water=80.3, protein=17.8, fat=0.7, ash=1.2, freezing_point_c=-2.2
    )
    measured = WHITE_FISH_KCAL_KG[-2] * KJ_PER_KCAL
    assert float(enthalpy_kj_kg(handbook, -2)) - measured > 100
    assert abs(float(enthalpy_kj_kg(LEAN, -2)) - measured) < 11


@pytest.mark.parametrize(("at_c", "measured"), [(-2.2, 0.55), (-5, 0.70)])
def test_the_share_of_water_frozen_is_near_what_was_measured(at_c: float, measured: float) -> None:
    # FAO Technical Paper 340 [read]: 55 % at -2.2 °C, 70 % at -5 °C
    share = float(ice_fraction(LEAN, at_c)) / LEAN.water
    assert share == pytest.approx(measured, abs=0.05)


@pytest.mark.parametrize(
    ("group", "thawed", "frozen", "cu", "to_thaw", "k_frozen", "k_thawed", "share"),
    [
        ("lean", 1050.4, 990.2, 3.732, 270.8, 1.556, 0.518, 0.866),
        ("medium", 1042.3, 982.5, 3.725, 273.8, 1.548, 0.509, 0.878),
        ("fatty", 1045.0, 993.7, 3.524, 243.4, 1.268, 0.469, 0.845),
        ("very_fatty", 1043.3, 998.4, 3.364, 222.9, 1.089, 0.437, 0.829),
        ("squid", 1058.0, 1000.6, 3.690, 258.3, 1.464, 0.513, 0.823),
    ],
)
def test_every_food_group_has_its_computed_properties(
    group: str,
    thawed: float,
    frozen: float,
    cu: float,
    to_thaw: float,
    k_frozen: float,
    k_thawed: float,
    share: float,
) -> None:
    food = GROUPS[group]
    assert float(density_kg_m3(food, 5)) == pytest.approx(thawed, abs=0.06)
    assert float(density_kg_m3(food, -20)) == pytest.approx(frozen, abs=0.06)
    assert unfrozen_specific_heat_kj_kgk(food) == pytest.approx(cu, abs=6e-4)
    assert float(enthalpy_kj_kg(food, 0) - enthalpy_kj_kg(food, -20)) == pytest.approx(
        to_thaw, abs=0.06
    )
    assert float(conductivity_w_mk(food, -20)) == pytest.approx(k_frozen, abs=6e-4)
    assert float(conductivity_w_mk(food, 5)) == pytest.approx(k_thawed, abs=6e-4)
    assert float(ice_fraction(food, -18)) / food.water == pytest.approx(share, abs=6e-4)


def test_chens_specific_heat_agrees_with_the_sum_of_the_components() -> None:
    # Choi & Okos: the heats of the components, weighted by mass; above freezing
    parts = ("water", "protein", "fat", "carbohydrate", "ash")
    for food in GROUPS.values():
        summed = sum(
            getattr(food, part) * float(component(SPECIFIC_HEAT_KJ_KGK, part, 10)) for part in parts
        )
        assert unfrozen_specific_heat_kj_kgk(food) == pytest.approx(summed, rel=0.025)


@pytest.mark.parametrize("group", list(GROUPS))
def test_conductivity_lies_between_layers_along_and_layers_across(group: str) -> None:
    # the parallel and the series model bound every isotropic mixture (Wiener 1912)
    food = GROUPS[group]
    for at_c in (-35.0, -20.0, -10.0, -5.0, -2.5, 0.0, 5.0, 20.0):
        ice = float(ice_fraction(food, at_c))
        masses = {
            "ice": ice,
            "water": food.water - ice,
            "protein": food.protein,
            "fat": food.fat,
            "carbohydrate": food.carbohydrate,
            "ash": food.ash,
        }
        volumes = {n: m / float(component(DENSITY_KG_M3, n, at_c)) for n, m in masses.items()}
        total = sum(volumes.values())
        each = {n: float(component(CONDUCTIVITY_W_MK, n, at_c)) for n in volumes}
        along = sum(volumes[n] / total * each[n] for n in volumes)
        across = 1 / sum(volumes[n] / total / each[n] for n in volumes)
        assert across <= float(conductivity_w_mk(food, at_c)) <= along


@pytest.mark.parametrize("group", list(GROUPS))
def test_apparent_specific_heat_is_the_slope_of_enthalpy(group: str) -> None:
    food = GROUPS[group]
    for at_c in (-50.0, -39.0, -20.0, -5.0, 5.0, 30.0):
        slope = float(enthalpy_kj_kg(food, at_c + 1e-4) - enthalpy_kj_kg(food, at_c - 1e-4)) / 2e-4
        assert slope == pytest.approx(float(specific_heat_kj_kgk(food, at_c)), rel=1e-5)


@pytest.mark.parametrize("group", list(GROUPS))
def test_enthalpy_only_rises_and_has_no_jump(group: str) -> None:
    at = np.linspace(-60, 45, 50_001)
    gained = np.diff(enthalpy_kj_kg(GROUPS[group], at))
    assert float(gained.min()) > 0
    assert float(gained.max()) < 0.8  # 2.1 mK at 330 kJ/kgK, the steepest of the plateau


def percent(**changed: float) -> Composition:
    figures = {"water": 80.0, "protein": 17.0, "fat": 1.5, "ash": 1.5, "freezing_point_c": -1.0}
    return Composition.from_percent(**(figures | changed))


def test_a_table_that_sums_to_101_is_taken_as_shares_of_101() -> None:
    food = percent(water=81)
    assert food.water == pytest.approx(81 / 101)
    assert food.water + food.protein + food.fat + food.ash == pytest.approx(1)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"water": 70.0}, "sum to 90 g.*between 95 and 105"),
        ({"water": 90.0, "fat": 10.0}, "must sum to between 95 and 105"),
        ({"water": 30.0, "fat": 51.5}, "water must lie between 40 and 92"),
        ({"water": 95.0, "protein": 3.0}, "water must lie between 40 and 92"),
        ({"fat": -1.0}, "0 or more"),
        ({"fat": float("nan")}, "0 or more"),
        ({"water": float("inf")}, "0 or more"),
        ({"freezing_point_c": 0.0}, "freezing_point_c must lie between -3 and -0.3"),
        ({"freezing_point_c": -5.0}, "freezing_point_c must lie between -3 and -0.3"),
        ({"freezing_point_c": float("nan")}, "freezing_point_c must lie between -3 and -0.3"),
    ],
)
def test_an_impossible_analysis_is_refused_by_name(changed: dict[str, float], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        percent(**changed)


def test_mass_fractions_must_sum_to_one_and_lie_between_none_and_all() -> None:
    with pytest.raises(ValueError, match="must sum to 1"):
        Composition(0.8, 0.1, 0.05, 0.0, 0.0, -1.0)
    with pytest.raises(ValueError, match="protein must be a mass fraction"):
        Composition(0.8, -0.1, 0.3, 0.0, 0.0, -1.0)
    with pytest.raises(ValueError, match="water must be a mass fraction"):
        Composition(float("nan"), 0.1, 0.1, 0.0, 0.0, -1.0)


@pytest.mark.parametrize("at_c", [-61, 46, float("nan"), float("inf")])
def test_a_temperature_beyond_the_tables_is_refused_by_name(at_c: float) -> None:
    for of in (ice_fraction, density_kg_m3, enthalpy_kj_kg, specific_heat_kj_kgk):
        with pytest.raises(ValueError, match="temperature_c must"):
            of(LEAN, at_c)
    with pytest.raises(ValueError, match="temperature_c must"):
        conductivity_w_mk(LEAN, [0.0, at_c])
