"""Shape factors against worked figures, limits, and a solver in three dimensions.

Brick: Hossain, Cleland & Cleland 1992 [formula from memory; its limits and the
three-dimensional solver agree]. Ellipse: Pham / McNabb type expression [from memory,
medium]. The worked figures are our own arithmetic from these formulas; the brick's
21.153 h are a run of 32 × 48 × 48 cells made before this code was written.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from service.science.outage import octant
from service.science.properties import GROUPS, Composition
from service.science.shapes import brick_factor, ellipse_factor, ellipsoid_factor
from service.science.thawing import Body, Shape, Stage, hours_to_core

LEAN = GROUPS["lean"]
REFERENCE = replace(LEAN, freezing_point_c=-1.0)  # the food of the three-dimensional run

biots = st.floats(0.01, 200)
ratios = st.floats(1, 12)


def hours_in_space(
    food: Composition, body: Body, stage: Stage, *, cells: int, most_h: float
) -> float:
    """Hours until the core of a brick at -20 °C passes -0.5 °C, by the octant solver."""
    at_s = np.linspace(0, most_h * 3600, int(most_h * 60) + 1)
    air = np.full(at_s.size, stage.medium_c)
    history = octant(food, body, stage.coefficient_w_m2k, at_s, air, start_c=-20, cells=cells)
    return float(np.interp(-0.5, history.core_c, at_s)) / 3600


def test_when_only_the_surface_resists_a_body_thaws_by_its_surface_over_its_volume() -> None:
    # Bi -> 0: E = surface·R/volume; a cube 3, a long square rod 2, a 1 × 2 × 4 brick 1.75
    assert float(brick_factor(1e-5, 1, 1)) == pytest.approx(3, abs=1e-3)
    assert float(brick_factor(1e-5, 1, 1e5)) == pytest.approx(2, abs=1e-3)
    assert float(brick_factor(1e-5, 2, 4)) == pytest.approx(1 + 1 / 2 + 1 / 4, abs=1e-3)
    assert float(ellipse_factor(1e-6, 1)) == pytest.approx(2, abs=1e-3)
    assert float(ellipsoid_factor(1e-6, 1, 1)) == pytest.approx(3, abs=1e-3)


def test_when_only_the_inside_resists_a_cube_and_a_sphere_have_their_exact_factors() -> None:
    # Bi -> infinity, after Plank: a long cylinder 2, a sphere 3 (slab R²/2, sphere R²/6);
    # a cube has the ratio of the mid-plane values of Poisson's problem, 0.5 / 0.2249
    assert float(ellipse_factor(1e6, 1)) == pytest.approx(2, abs=1e-4)
    assert float(ellipsoid_factor(1e6, 1, 1)) == pytest.approx(3, abs=1e-4)
    assert float(brick_factor(1e6, 1, 1)) == pytest.approx(0.5 / poisson_at_the_middle(), rel=2e-4)


def poisson_at_the_middle() -> float:
    """The middle of -Δu = 1 on the cube of half side 1, u = 0 outside: by eigenfunctions."""
    odd = np.arange(1, 200, 2)
    sign = np.where(odd % 4 == 1, 1.0, -1.0)
    one = sign * 4 / (odd * np.pi)
    k, m, n = np.meshgrid(odd, odd, odd, indexing="ij")
    a, b, c = np.meshgrid(one, one, one, indexing="ij")
    return float((a * b * c / ((k**2 + m**2 + n**2) * np.pi**2 / 4)).sum())


def test_a_flat_brick_is_a_slab() -> None:
    assert float(brick_factor(2.0, 1e4, 1e4)) == pytest.approx(1, abs=1e-4)
    assert float(ellipse_factor(2.0, 1e4)) == pytest.approx(1, abs=1e-4)


def test_the_series_of_the_brick_starts_at_the_roots_that_scipy_finds() -> None:
    # The slab's first root z tan z = Bi, and the rod's factor summed from scipy's roots
    biot, beta = 1.3, 1.7
    s1 = 0.0
    for n in range(40):
        z = brentq(lambda x: x * np.sin(x) - biot * np.cos(x), n * np.pi + 1e-12, (n + 0.5) * np.pi)
        sin_z, far = np.sin(z), min(z * beta, 300.0)
        s1 += sin_z / (z**3 * (1 + sin_z**2 / biot) * (z / biot * np.sinh(far) + np.cosh(far)))
    slab = 1 + 2 / biot
    assert float(brick_factor(biot, beta, 1e5)) == pytest.approx(slab / (slab - 4 * s1), rel=1e-6)


def test_twelve_terms_are_enough() -> None:
    for biot in (0.05, 1.0, 30.0):
        few, many = (brick_factor(biot, [1, 1.5, 3], [1, 2, 5], terms=t) for t in (12, 40))
        assert np.abs(few / many - 1).max() < 1e-9


@pytest.mark.parametrize(
    ("thickness", "width", "length", "coefficient"),
    [
        (0.10, 0.10, 0.10, 6),
        (0.10, 0.10, 0.10, 25),
        (0.10, 0.10, 0.10, 200),
        (0.06, 0.12, 0.12, 25),
        (0.10, 0.25, 0.50, 6),
        (0.15, 0.15, 0.60, 25),
    ],
)
def test_a_brick_thaws_in_the_time_that_a_solver_in_three_dimensions_finds(
    thickness: float, width: float, length: float, coefficient: float
) -> None:
    # 21 such cases were at most 2.9 % off; the slab alone would be up to 165 % off
    body = Body(Shape.BRICK, thickness, width, length)
    stage = Stage(10.0, coefficient)
    ours = hours_to_core(LEAN, body, [stage], start_c=-20, core_c=-0.5)
    space = hours_in_space(LEAN, body, stage, cells=8, most_h=1.1 * ours)
    assert ours == pytest.approx(space, rel=0.029)


def test_the_block_of_10_by_25_by_50_cm_thaws_in_21_h() -> None:
    body, stage = Body(Shape.BRICK, 0.1, 0.25, 0.5), Stage(10.0, 25.0)
    ours = hours_to_core(REFERENCE, body, [stage], start_c=-20, core_c=-0.5)
    assert ours == pytest.approx(20.683, abs=0.005)  # slab over factor: 2.2 % short


def test_a_round_fish_is_the_cylinder_that_the_solver_marches() -> None:
    stage = Stage(5.0, 15.0)
    round_fish = Body(Shape.FISH, 0.05, 0.05)
    by_factor = hours_to_core(LEAN, round_fish, [stage], start_c=-20, core_c=-0.5)
    cylinder = Body(Shape.CYLINDER, 0.05)
    by_radius = hours_to_core(LEAN, cylinder, [stage], start_c=-20, core_c=-0.5)
    assert by_factor == pytest.approx(by_radius, rel=0.017)


@settings(max_examples=60, deadline=None)
@given(biots, ratios, ratios)
def test_a_brick_lies_between_a_slab_and_a_cube(biot: float, beta1: float, beta2: float) -> None:
    factor = float(brick_factor(biot, beta1, beta2))
    assert 1 - 1e-9 <= factor <= float(brick_factor(biot, 1, 1)) + 1e-6 <= 3 + 1e-6


@settings(max_examples=60, deadline=None)
@given(biots, ratios, ratios, st.floats(1.01, 3))
def test_a_longer_brick_is_never_faster(
    biot: float, beta1: float, beta2: float, longer: float
) -> None:
    assert brick_factor(biot, beta1, beta2 * longer) <= brick_factor(biot, beta1, beta2) + 1e-6
    assert ellipse_factor(biot, beta1 * longer) <= ellipse_factor(biot, beta1)


@settings(max_examples=40, deadline=None)
@given(biots, ratios, ratios)
def test_which_of_the_two_long_sides_is_named_first_does_not_matter(
    biot: float, beta1: float, beta2: float
) -> None:
    assert float(brick_factor(biot, beta1, beta2)) == pytest.approx(
        float(brick_factor(biot, beta2, beta1)), rel=1e-12
    )


@pytest.mark.parametrize(
    ("biot", "beta1", "beta2", "says"),
    [
        (0, 1, 1, "biot must lie between"),
        (-1, 1, 1, "biot must lie between"),
        (float("nan"), 1, 1, "biot must be finite"),
        (1, 0.5, 1, "beta1 must lie between"),
        (1, 1, 0.9, "beta2 must lie between"),
        (1, 1, float("inf"), "beta2 must be finite"),
    ],
)
def test_an_impossible_brick_is_refused_by_name(
    biot: float, beta1: float, beta2: float, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        brick_factor(biot, beta1, beta2)
    if beta2 == 1:
        with pytest.raises(ValueError, match=says.replace("beta1", "beta")):
            ellipse_factor(biot, beta1)
