"""The table of thaw times answers as the solver does, only sooner."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import heat, thaw_table
from service.science.properties import GROUPS
from service.science.thaw_table import BIOT, MEDIUM_C, START_C, load, slab_hours
from service.science.thawing import Body, Shape, Stage, fully_thawed_core_c, hours_to_core

CASES = 200
groups = st.sampled_from(sorted(GROUPS))


def solved(
    group: str, thickness_m: float, coefficient: float, start_c: float, medium_c: float
) -> float:
    food = GROUPS[group]
    return hours_to_core(
        food,
        Body(Shape.SLAB, thickness_m),
        [Stage(medium_c, coefficient)],
        start_c=start_c,
        core_c=fully_thawed_core_c(food),
    )


@pytest.mark.parametrize("group", list(GROUPS))
def test_the_table_is_within_half_a_percent_of_the_solver(group: str) -> None:
    random = np.random.default_rng(2112)
    biot = np.exp(random.uniform(np.log(0.04), np.log(80), CASES))
    # as thick as the coefficient allows: the solver's time does not depend on it
    thickness = random.uniform(0.01, 0.04, CASES)
    coefficient = biot * heat.heat_tables(GROUPS[group]).k_thawed * 2 / thickness
    able = (coefficient >= 0.5) & (coefficient <= 2000)
    start = random.uniform(-33, -6, CASES)
    medium = 1 / random.uniform(1 / 25, 1 / 3, CASES) - 1
    cases = np.column_stack((thickness, coefficient, start, medium))[able]
    found = slab_hours(group, *cases.T)
    apart = np.array([f / solved(group, *case) - 1 for f, case in zip(found, cases, strict=True)])
    assert able.sum() > 0.8 * CASES
    assert float(np.abs(apart).max()) < 0.005
    assert float(np.abs(apart).mean()) < 0.001


@pytest.mark.parametrize("group", list(GROUPS))
def test_the_file_that_ships_holds_what_the_solver_says(group: str) -> None:
    table = load(group)
    assert table.shape == (BIOT.size, START_C.size, MEDIUM_C.size)
    conductivity = heat.heat_tables(GROUPS[group]).k_thawed
    for i, j, k in ((0, 0, 0), (23, 11, 13), (12, 5, 6), (3, 9, 1), (20, 2, 10)):
        hours = solved(group, 0.06, BIOT[i] * conductivity / 0.03, START_C[j], MEDIUM_C[k])
        value = np.log(hours * 3600 * (MEDIUM_C[k] + 1) / (0.03**2 * (1 + 2 / BIOT[i])))
        assert table[i, j, k] == pytest.approx(value, abs=1e-6)


@settings(max_examples=50, deadline=None)
@given(groups, st.floats(0.03, 0.1), st.floats(8, 150), st.floats(-32, -7), st.floats(2.1, 20))
def test_warmer_thinner_or_better_stirred_thaws_sooner_by_the_table_too(
    group: str, thickness: float, coefficient: float, start: float, medium: float
) -> None:
    base = slab_hours(group, thickness, coefficient, start, medium)
    assert slab_hours(group, thickness, coefficient, start, medium * 1.05) < base
    assert slab_hours(group, thickness / 1.05, coefficient, start, medium) < base
    assert slab_hours(group, thickness, coefficient * 1.05, start, medium) < base
    assert slab_hours(group, thickness, coefficient, start * 0.95, medium) < base


def test_many_cases_at_once_are_the_same_as_one_by_one() -> None:
    thickness = np.array([0.03, 0.06, 0.1])[:, None]
    medium = np.array([3.0, 5.0, 10.0, 20.0])
    together = slab_hours("lean", thickness, 20, -20, medium)
    assert together.shape == (3, 4)
    alone = [[float(slab_hours("lean", t, 20, -20, m)) for m in medium] for t in thickness[:, 0]]
    assert together == pytest.approx(np.array(alone), rel=1e-12)


@pytest.mark.parametrize(
    ("thickness", "coefficient", "start", "medium", "says"),
    [
        (0.001, 10, -20, 3, "thickness_m must lie between 0.005 and 0.5"),
        (0.1, 0.1, -20, 3, "coefficient_w_m2k must lie between 0.5 and 2000"),
        (0.1, 10, -40, 3, "start_c must lie between -33 and -6"),
        (0.1, 10, -2, 3, "start_c must lie between -33 and -6"),
        (0.1, 10, -20, 1, "medium_c must lie between 2 and 24"),
        (0.1, 10, -20, [3, float("nan")], "medium_c must be finite"),
        (0.005, 0.6, -20, 3, "Biot number must lie between 0.04 and 80"),
        (0.5, 1999, -20, 3, "Biot number must lie between 0.04 and 80"),
    ],
)
def test_a_case_outside_the_table_is_refused_by_name(
    thickness: float, coefficient: float, start: float, medium: float, says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        slab_hours("lean", thickness, coefficient, start, medium)


def test_a_group_without_a_table_is_refused() -> None:
    with pytest.raises(KeyError):
        slab_hours("mammal", 0.1, 10, -20, 3)
    with pytest.raises(KeyError):
        load("mammal")


def test_making_the_files_again_starts_from_the_same_physics() -> None:
    assert thaw_table._AXES[0][2] == BIOT.size
    assert thaw_table._AXES[1] == (START_C[0], START_C[-1], START_C.size)
    assert thaw_table._AXES[2][:2] == pytest.approx((1 / (MEDIUM_C[0] + 1), 1 / (MEDIUM_C[-1] + 1)))
