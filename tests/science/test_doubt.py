"""A thermometer that is stuck, jumps, or sends nonsense is doubted; a door or a defrost is not."""

from math import exp

import numpy as np
import pytest

from service.science.arrays import Array
from service.science.doubt import Hours, jumping, noise_c, noisy, out_of_range, stuck

AT = np.arange(8 * 24) * 3600


def hours_of(minutes_c: Array) -> Hours:
    """Hours of minute readings."""
    table = minutes_c.reshape(-1, 60)
    return Hours(np.arange(table.shape[0]) * 3600, table.min(axis=1), table.max(axis=1))


def freezer(days: int = 8, seed: int = 3) -> Array:
    """Minutes of a freezer: a compressor that cycles, two defrosts a day, a door now and then."""
    rng = np.random.default_rng(seed)
    minute = np.arange(days * 1440)
    course = -20 + np.sin(minute * 2 * np.pi / 25)
    since_defrost = minute % 720
    course += 9 * np.exp(-since_defrost / 15) * (since_defrost > 0)
    for opened in rng.choice(minute.size, 40, replace=False):
        rest = minute[opened:] - opened
        course[opened:] += 12 * np.exp(-rest / 4) * (1 - np.exp(-(rest + 1) / 2))
    return np.round(course + rng.normal(0, 0.05, minute.size), 2)


@pytest.mark.parametrize("seed", range(10))
def test_compressor_defrosts_and_doors_are_no_fault_of_the_probe(seed: int) -> None:
    course = freezer(seed=seed)
    hours, day = hours_of(course), slice(-1440, None)
    assert stuck(hours, least_h=6, others=[]) is None
    assert out_of_range(hours) is None
    at_s = np.arange(course.size) * 60
    assert jumping(at_s[day], course[day], time_constant_s=59) is None
    assert noisy(at_s[day], course[day], course[:1440]) is None


@pytest.mark.parametrize(("still_h", "doubted"), [(5, False), (6, True), (40, True)])
def test_air_that_does_not_move_for_six_hours_is_doubted(still_h: int, doubted: bool) -> None:
    course = freezer()
    course[-still_h * 60 :] = -20.25
    found = stuck(hours_of(course), least_h=6, others=[])
    assert (found is not None) is doubted
    if found is not None:
        assert found.from_s == AT[-still_h]
        assert "-20.25 °C without a change" in found.because


def test_a_coarse_probe_in_quiet_fish_is_not_stuck() -> None:
    """It stood still for two days before, and does so again."""
    course = np.repeat(np.where(np.arange(4) % 2 == 0, -20.0, -19.5), 2 * 1440)
    course[-1] = -19.5
    assert stuck(hours_of(course), least_h=48, others=[]) is None


def test_a_quiet_place_is_not_a_stuck_probe_but_a_moving_neighbour_makes_it_one() -> None:
    still = freezer()
    still[-600:] = -20.0
    quiet, moving = np.full(8 * 1440, -20.3), freezer(seed=9)
    assert stuck(hours_of(still), least_h=6, others=[hours_of(quiet)]) is None
    found = stuck(hours_of(still), least_h=6, others=[hours_of(quiet), hours_of(moving)])
    assert found is not None and "beside it moved" in found.because


def test_a_standstill_that_is_over_is_not_held_against_it() -> None:
    course = freezer()
    course[3000:5000] = -20.0
    assert stuck(hours_of(course), least_h=6, others=[]) is None


def test_a_broken_wire_is_out_of_range_and_a_hot_day_is_not() -> None:
    course = freezer()
    course[100] = 45.0
    assert out_of_range(hours_of(course)) is None
    course[200] = 85.0
    found = out_of_range(hours_of(course))
    assert found is not None and found.from_s == 3 * 3600


@pytest.mark.parametrize("step_s", [10, 60, 300])
def test_a_probe_carried_from_the_freezer_into_the_sun_does_not_jump(step_s: int) -> None:
    """The exact lumped response of a τ = 59 s rod to 60 °C; by hand, 1 min: 60·(1 − e^−1.017)."""
    at_s = np.arange(0, 3600, step_s)
    there = -30 + 60 * -np.expm1(-at_s / 59)
    back = 30 - 60 * -np.expm1(-at_s / 59)
    both = np.concatenate((there, back, there, back))
    assert jumping(np.arange(both.size) * step_s, both, time_constant_s=59) is None
    assert 60 * (1 - exp(-60 / 59)) == pytest.approx(38.3, abs=0.1)


def test_faster_than_a_thermometer_can_follow_three_times_is_a_jump() -> None:
    course = np.full(1440, -20.0)
    at_s = np.arange(1440) * 60
    course[100] = 25.0
    assert jumping(at_s, course, time_constant_s=59) is None, "up and down once: somebody's hand"
    course[500] = 25.0
    found = jumping(at_s, course, time_constant_s=59)
    assert found is not None and found.from_s == 6000 and found.because.startswith("4 steps")


def test_the_scatter_of_a_straight_course_is_that_of_its_readings() -> None:
    """Standard deviations put in and found again; normal scatter of 20 000 readings."""
    rng = np.random.default_rng(5)
    for sd in (0.1, 1.0, 3.0):
        course = np.linspace(-30, 5, 20_000) + rng.normal(0, sd, 20_000)
        assert noise_c(course) == pytest.approx(sd, rel=0.03)


def test_noise_is_told_only_where_it_was_quieter_before() -> None:
    rng = np.random.default_rng(6)
    rough, quiet = -20 + rng.normal(0, 2, 1440), -20 + rng.normal(0, 0.1, 1440)
    at_s = np.arange(1440) * 60
    found = noisy(at_s, rough, quiet)
    assert found is not None and found.because.startswith("it scatters by")
    assert noisy(at_s, rough, rough) is None
    assert noisy(at_s, rough, np.empty(0)) is None
    assert noisy(at_s, quiet, np.full(1440, -20.0)) is None
