"""Thaw times against exact solutions and a worked set of blocks and single fish.

Exact: Neumann's two-phase solution and the series of a body of constant properties,
Carslaw & Jaeger 1959 [from memory, high], roots by SciPy. Tylose, the test substance
of freezing research: k 1.65 and 0.55 W/mK, 1.90 and 3.71 MJ/m³K, 209 MJ/m³, -0.6 °C
[from memory, medium]. The worked hours are our own runs on finer grids and by a
re-implementation made before this code; they stand for no measured fish.
"""

from dataclasses import replace

import numpy as np
import pytest

from service.science import heat
from service.science.estimate import SiteFactor
from service.science.properties import GROUPS
from service.science.thawing import (
    Body,
    Shape,
    Stage,
    earliest_thawed_core_c,
    formula_hours,
    fully_thawed_core_c,
    hours_to_core,
    thaw_time,
)
from tests.science.exact import neumann_lambda, plain_tables, series_theta, two_phase_tables

LEAN, FATTY, SQUID = GROUPS["lean"], GROUPS["fatty"], GROUPS["squid"]
BLOCK = Body(Shape.SLAB, 0.1)
CARTON = Body(Shape.BRICK, 0.1, 0.25, 0.5)
TEN_HOURS_S = 36_000.0


def hours(group: str, body: Body, medium_c: float, coefficient: float) -> float:
    """From -20 °C until fully thawed."""
    food = GROUPS[group]
    stage = Stage(medium_c, coefficient)
    return hours_to_core(food, body, [stage], start_c=-20, core_c=fully_thawed_core_c(food))


def test_neumanns_front_in_tylose_is_where_it_should_be_after_ten_hours() -> None:
    tylose = {"heat_frozen": 1.90e6, "heat_thawed": 3.71e6, "latent": 209e6}
    tables = two_phase_tables(k_frozen=1.65, k_thawed=0.55, freezing_c=-0.6, **tylose)
    growth = neumann_lambda(tables, spans_k=(10 + 0.6, 20 - 0.6), **tylose)
    front_m = 2 * growth * np.sqrt(0.55 / 3.71e6 * TEN_HOURS_S)

    # The same by the solver: 1 m deep, so that the far side has not noticed in ten hours.
    cut = heat.cells_of(1.0, heat.SLAB, 500)
    enthalpy = np.full(500, float(heat.enthalpy_at(tables, -20.0)))
    held = 1e7  # W/m²K: the surface is held at the medium
    count = int(np.ceil(TEN_HOURS_S / heat.largest_step_s(cut, tables, held)))
    heat.march(
        enthalpy,
        cut,
        tables,
        coefficient_w_m2k=held,
        medium_c=10.0,
        step_s=TEN_HOURS_S / count,
        most_steps=count,
        target_core_c=40.0,
        warming=True,
    )
    solid = float(heat.enthalpy_at(tables, -0.62))
    melted_m = float(np.clip((enthalpy - solid) / 209e6, 0, 1).sum()) * cut.width_m
    assert melted_m == pytest.approx(front_m, rel=0.002)


@pytest.mark.parametrize("geometry", [heat.SLAB, heat.CYLINDER, heat.SPHERE])
def test_a_body_that_does_not_melt_cools_as_its_series_says(geometry: int) -> None:
    # Biot 1, Fourier 1; the core is the middle of the innermost of 40 cells
    cells, radius, conductivity, capacity = 40, 0.05, 0.5, 2e6
    tables = plain_tables(conductivity, capacity)
    cut = heat.cells_of(radius, geometry, cells)
    enthalpy = np.full(cells, float(heat.enthalpy_at(tables, 20.0)))
    coefficient, whole_s = conductivity / radius, radius**2 * capacity / conductivity
    count = int(np.ceil(whole_s / heat.largest_step_s(cut, tables, coefficient)))
    heat.march(
        enthalpy,
        cut,
        tables,
        coefficient_w_m2k=coefficient,
        medium_c=-20.0,
        step_s=whole_s / count,
        most_steps=count,
        target_core_c=-40.0,
        warming=False,
    )
    theta = (heat.temperature_of(tables, enthalpy) + 20) / 40
    places = (np.arange(cells) + 0.5) / cells
    exact = np.array([series_theta(geometry, 1.0, 1.0, float(place)) for place in places])
    assert float(np.abs(theta - exact).max()) < 2e-4


@pytest.mark.parametrize(
    ("group", "body", "medium_c", "coefficient", "expected", "tolerance"),
    [
        ("lean", BLOCK, 3, 15, 69.5, 0.1),
        ("lean", CARTON, 3, 8, 92.9, 0.1),
        ("lean", CARTON, 3, 15, 61.9, 0.1),
        ("lean", BLOCK, 10, 150, 13.8, 0.06),
        ("lean", CARTON, 10, 150, 13.1, 0.06),
        ("lean", Body(Shape.SLAB, 0.06), 3, 10, 49.9, 0.06),
        ("lean", Body(Shape.CYLINDER, 0.03), 3, 10, 11.5, 0.06),
        ("lean", Body(Shape.CYLINDER, 0.03), 10, 60, 1.25, 0.006),
    ],
)
def test_lean_fish_thaws_in_the_worked_hours(
    group: str,
    body: Body,
    medium_c: float,
    coefficient: float,
    expected: float,
    tolerance: float,
) -> None:
    assert hours(group, body, medium_c, coefficient) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(
    ("food", "body", "medium_c", "coefficient", "expected", "tolerance"),
    [
        # These were worked to the same core of -0.5 °C whatever the fish.
        (FATTY, BLOCK, 3, 8, 92.9, 0.3),
        (SQUID, BLOCK, 3, 8, 80.5, 0.3),
        (SQUID, BLOCK, 3, 15, 50.9, 0.3),
        (FATTY, BLOCK, 10, 150, 13.0, 0.06),
    ],
)
def test_fatty_fish_and_squid_thaw_in_the_worked_hours(
    food: object, body: Body, medium_c: float, coefficient: float, expected: float, tolerance: float
) -> None:
    assert isinstance(food, type(LEAN))
    stage = Stage(medium_c, coefficient)
    assert hours_to_core(food, body, [stage], start_c=-20, core_c=-0.5) == pytest.approx(
        expected, abs=tolerance
    )


def test_the_freezing_point_of_minus_2_2_would_make_a_refrigerator_a_third_too_fast() -> None:
    def to_half_below(freezing_c: float) -> float:
        food = replace(LEAN, freezing_point_c=freezing_c)
        return hours_to_core(food, BLOCK, [Stage(3, 10)], start_c=-20, core_c=-0.5)

    assert to_half_below(-1.0) == pytest.approx(88.8, abs=0.1)
    assert to_half_below(-2.2) == pytest.approx(63.1, abs=0.1)


@pytest.mark.parametrize(
    ("core_c", "expected"), [(-1, 89.6), (-0.9, 92.0), (-0.5, 92.3), (0, 93.1)]
)
def test_which_core_counts_as_thawed_moves_a_refrigerator_thaw_by_hours_only(
    core_c: float, expected: float
) -> None:
    found = hours_to_core(LEAN, BLOCK, [Stage(3, 10)], start_c=-20, core_c=core_c)
    assert found == pytest.approx(expected, abs=0.15)


def test_the_cores_from_which_fish_counts_as_thawed() -> None:
    assert fully_thawed_core_c(LEAN) == -0.5
    assert [earliest_thawed_core_c(f) for f in (LEAN, FATTY, SQUID)] == [-1.0, -1.2, -2.0]


def test_sixteen_hours_in_the_refrigerator_then_water_thaw_a_whole_block_in_28_h() -> None:
    stages = [Stage(3, 10, hours=16), Stage(10, 150)]
    found = hours_to_core(LEAN, BLOCK, stages, start_c=-20, core_c=-0.5)
    assert found == pytest.approx(27.7, abs=0.1)


def test_a_block_in_warm_water_needs_three_times_as_long_as_its_separated_fish() -> None:
    # 102 mm blocks of cod in water of 15.5 °C, separated midway, took about 3 h:
    # MacCallum & Ellis 1964 [abstract read]. Whole they take more than nine.
    assert 9 < hours("lean", Body(Shape.SLAB, 0.102), 15.5, 300) < 10
    assert hours("lean", Body(Shape.CYLINDER, 0.06), 15.5, 300) == pytest.approx(1.8, abs=0.05)
    assert hours("lean", Body(Shape.CYLINDER, 0.08), 15.5, 300) == pytest.approx(3.1, abs=0.05)


@pytest.mark.parametrize("group", list(GROUPS))
def test_the_closed_formula_is_within_fifteen_percent_of_the_solver(group: str) -> None:
    # Cleland, Cleland, Earle & Byrne 1986 [from memory, medium]: sd 3.9, at most 14.6 %
    food = GROUPS[group]
    apart = []
    for thickness in (0.03, 0.06, 0.1):
        for medium_c, coefficient in ((5.0, 10.0), (10.0, 30.0), (15.0, 100.0)):
            body = Body(Shape.SLAB, thickness)
            stage = Stage(medium_c, coefficient)
            formula = formula_hours(food, body, stage, start_c=-20)
            apart.append(formula / hours(group, body, medium_c, coefficient) - 1)
    assert max(abs(a) for a in apart) < 0.146
    assert abs(float(np.mean(apart))) < 0.08


@pytest.mark.parametrize(
    ("body", "stage", "low", "high"),
    [
        # spread of 0.22 and 0.12 in the logarithm, worked from the elasticities
        (BLOCK, Stage(3, 10), 0.75, 1.33),
        (Body(Shape.SLAB, 0.05), Stage(10, 150), 0.86, 1.17),
    ],
    ids=["refrigerator", "water"],
)
def test_the_range_of_a_thaw_is_as_wide_as_its_inputs_are_uncertain(
    body: Body, stage: Stage, low: float, high: float
) -> None:
    found = thaw_time(LEAN, body, [stage])
    assert found.low / found.value == pytest.approx(low, abs=0.01)
    assert found.high / found.value == pytest.approx(high, abs=0.015)
    assert not found.formula_disagrees


def test_a_kitchen_whose_three_thaws_took_longer_learns_a_factor_of_1_19() -> None:
    # Conjugate normal update, textbook, without forgetting:
    # (ln 1.20 + ln 1.12 + ln 1.30) / 0.12² over 1/0.25² + 3/0.12²
    learned = SiteFactor()
    for ratio in (1.20, 1.12, 1.30):
        learned = learned._with(np.log(ratio), 0.12, fading=1.0)
    factor = learned.factor()
    assert (factor.low, factor.value) == pytest.approx((0.997, 1.1886), abs=5e-4)


def test_older_thaws_count_half_after_34_newer_ones() -> None:
    first = SiteFactor().updated(10, 12)
    kept = 0.98**34
    assert kept == pytest.approx(0.5, abs=0.005)
    learned = first
    for _ in range(34):
        learned = learned.updated(10, 10)
    weight = kept * first.precision / learned.precision
    assert learned.mean == pytest.approx(first.mean * weight, rel=1e-9)


def test_a_thaw_that_took_three_times_as_long_is_reviewed_before_it_is_learned_from() -> None:
    with pytest.raises(ValueError, match="reviewed before it is learned from"):
        SiteFactor().updated(10, 30)
    assert SiteFactor().updated(10, 20).mean > 0
