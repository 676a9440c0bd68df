"""Outages against the worked carton, an energy balance by SciPy, and a dense solver.

The worked figures are our own runs (scheme and energy balance of the science
reference), made and redone before this code; the dense solver below is written from
the equations alone.
"""

import numpy as np
import pytest
from scipy.integrate import quad

from service.science import heat
from service.science.arrays import Array
from service.science.outage import follow, hours_to_warm, load_kg, octant
from service.science.properties import GROUPS, specific_heat_kj_kgk
from service.science.thawing import Body, Shape, Stage, hours_to_core

LEAN = GROUPS["lean"]
SLAB = Body(Shape.SLAB, 0.1)
CARTON = Body(Shape.BRICK, 0.1, 0.25, 0.5)
HOUR = 3600.0


@pytest.mark.parametrize(
    ("end_c", "expected", "tolerance"),
    [(-15, 4.20, 0.01), (-1.2, 154, 1)],
)
def test_a_closed_freezer_of_200_kg_warms_in_the_worked_hours(
    end_c: float, expected: float, tolerance: float
) -> None:
    found = hours_to_warm(LEAN, 200, 2.5, 25, start_c=-18, end_c=end_c)
    assert found == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize(("start_c", "end_c"), [(-25, -3), (-18, -9), (-10, 4)])
def test_the_energy_balance_of_a_closed_freezer_by_quadrature(start_c: float, end_c: float) -> None:
    def seconds_per_kelvin(at_c: float) -> float:
        heat_kj = 150 * float(specific_heat_kj_kgk(LEAN, at_c))
        return 1000 * heat_kj / (3.0 * (22 - at_c))

    corner = [LEAN.freezing_point_c] if start_c < LEAN.freezing_point_c < end_c else None
    expected, _ = quad(seconds_per_kelvin, start_c, end_c, points=corner, limit=400)
    found = hours_to_warm(LEAN, 150, 3.0, 22, start_c=start_c, end_c=end_c)
    assert found == pytest.approx(expected / 3600, rel=2e-3)


def worked_slab() -> tuple[Array, Array]:
    at_s = np.arange(289, dtype=np.float64) * 300.0
    return at_s, np.full(289, 5.0)


def test_a_100_mm_block_in_air_of_5_c_is_as_warm_as_worked_after_12_and_24_h() -> None:
    at_s, air = worked_slab()
    core = follow(LEAN, SLAB, 6, at_s, air, start_c=-20).core_c
    # the same block by the explicit solver on 80 cells: -4.896 and -2.933
    assert core[144] == pytest.approx(-4.896, abs=0.05)
    assert core[288] == pytest.approx(-2.933, abs=0.03)


def test_a_dense_solver_written_from_the_equations_finds_the_same() -> None:
    # (V·C/dt + G_i + G_i+1)·T'_i - G_i·T'_i-1 - G_i+1·T'_i+1 = V·C·T_i/dt (+ G_N·air),
    # G of harmonic means, C the chord of ±0.02 K; enthalpy corrected after each step
    cells, coefficient, step_s = 10, 6.0, 300.0
    tables = heat.heat_tables(LEAN)
    width = 0.05 / cells
    temperature = np.full(cells, -20.0)
    enthalpy = np.asarray(heat.enthalpy_at(tables, temperature))
    grid_c = np.linspace(-45, 45, tables.k_at.size)
    at_s, air = worked_slab()
    air = air + 4 * np.sin(at_s / 7000)
    found = [temperature[0]]
    for after in air[1:]:
        k = np.interp(temperature, grid_c, tables.k_at)
        chord = (
            heat.enthalpy_at(tables, temperature + 0.02)
            - heat.enthalpy_at(tables, temperature - 0.02)
        ) / 0.04
        between = 2 * k[1:] * k[:-1] / (k[1:] + k[:-1]) / width
        outside = 1 / (1 / coefficient + width / (2 * k[-1]))
        matrix = np.diag(width * chord / step_s)
        for i, g in enumerate(between):
            matrix[i : i + 2, i : i + 2] += np.array([[g, -g], [-g, g]])
        matrix[-1, -1] += outside
        right = width * chord / step_s * temperature
        right[-1] += outside * after
        solved = np.linalg.solve(matrix, right)
        gained = float((width * chord * (solved - temperature)).sum())
        assert gained == pytest.approx(step_s * outside * (after - solved[-1]), rel=1e-6, abs=1e-3)
        enthalpy = enthalpy + chord * (solved - temperature)
        temperature = heat.temperature_of(tables, enthalpy)
        found.append(temperature[0])
    ours = follow(LEAN, SLAB, coefficient, at_s, air, start_c=-20).core_c
    assert float(np.abs(ours - np.array(found)).max()) < 1e-6


def test_the_worked_carton_thaws_by_the_octant_as_by_its_shape_factor() -> None:
    # 2.9 % is the most that the shape factor was off in 21 cases
    at_s = np.arange(0, 110 * 60) * 60.0
    air = np.full(at_s.size, 3.0)
    core = octant(LEAN, CARTON, 8, at_s, air, start_c=-20, cells=10).core_c
    by_octant = float(np.interp(-0.5, core, at_s)) / HOUR
    by_factor = hours_to_core(LEAN, CARTON, [Stage(3, 8)], start_c=-20, core_c=-0.5)
    assert by_factor == pytest.approx(by_octant, rel=0.029)
    assert by_factor == pytest.approx(92.9, abs=0.1)


def test_a_carton_of_lean_fish_weighs_its_volume_times_its_density() -> None:
    # 0.1 × 0.25 × 0.5 m at 1 050.449 kg/m³
    assert load_kg(LEAN, CARTON) == pytest.approx(0.0125 * 1050.449, abs=1e-3)
    assert load_kg(LEAN, Body(Shape.BRICK, 0.1, 0.25, 0.5, packing=0.6)) == pytest.approx(
        0.6 * 0.0125 * 1050.449, abs=1e-3
    )


def test_a_small_piece_with_a_weak_surface_warms_as_an_energy_balance_says() -> None:
    # Bi 0.01: even throughout, so mass · dH = h · area · (air - T) · dt
    sides = (0.02, 0.03, 0.04)
    body = Body(Shape.BRICK, *sides)
    area = 2 * (sides[0] * sides[1] + sides[0] * sides[2] + sides[1] * sides[2])
    expected = hours_to_warm(LEAN, load_kg(LEAN, body), 0.6 * area, 15, start_c=-20, end_c=-2)
    at_s = np.arange(0, 24 * 60) * 60.0
    air = np.full(at_s.size, 15.0)
    for history in (
        octant(LEAN, body, 0.6, at_s, air, start_c=-20),
        follow(LEAN, body, 0.6, at_s, air, start_c=-20),
    ):
        assert float(np.interp(-2, history.mean_c, at_s)) / HOUR == pytest.approx(
            expected, rel=0.01
        )
