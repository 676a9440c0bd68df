"""What counts as too warm, and how readings become even steps: plain series."""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.rules import life_profiles
from service.science.arrays import Array, Indices
from service.science.kinetics import arrhenius_factor
from service.science.storage_life import life_rate_per_day
from service.temperatures.rules import life_column, rate_tables, vitamin_column
from service.temperatures.rules.steps import Steps, steps_of

values = st.lists(st.integers(-3000, 500).map(lambda c: c / 100), max_size=40)


# --- the rates that every hour integrates


def test_each_profile_of_the_catalogue_has_its_own_rate_and_vitamins_come_last() -> None:
    tables = rate_tables()
    assert len(tables) == len(life_profiles()) + 1
    for profile in life_profiles():
        rate = float(tables[life_column(profile)].at(-20.0))
        assert rate == pytest.approx(float(life_rate_per_day(profile, -20.0)), rel=1e-6)
    vitamins = float(tables[vitamin_column()].at(-24.0))
    assert vitamins == pytest.approx(float(arrhenius_factor(-24.0)), rel=1e-6)


# --- even steps


@dataclass(frozen=True)
class Series:
    at_s: Indices
    temperature_c: Array


@st.composite
def series_of_readings(draw: st.DrawFn) -> Series:
    gaps = draw(st.lists(st.integers(1, 40), max_size=12))
    at_s = np.cumsum(np.array([draw(st.integers(-50, 50)), *gaps], dtype=np.int64))
    temperature = [draw(st.integers(-3000, 500)) / 100 for _ in range(at_s.size)]
    return Series(at_s, np.array(temperature, dtype=np.float64))


def steps(series: Series, *, to_s: int, step_s: int, gap_s: int) -> Steps:
    cuts_s = step_s * np.arange(-(-to_s // step_s) + 1)
    return steps_of(series.at_s, series.temperature_c, cuts_s, from_s=0, to_s=to_s, gap_s=gap_s)


@given(series_of_readings(), st.integers(1, 120), st.integers(1, 50), st.integers(1, 45))
def test_every_step_has_the_mean_of_its_measured_seconds(
    series: Series, to_s: int, step_s: int, gap_s: int
) -> None:
    found = steps(series, to_s=to_s, step_s=step_s, gap_s=gap_s)
    # second by second: the line's value in the middle of each second, where it was measured
    seconds: dict[int, list[float]] = {}
    for second in range(to_s):
        i = int(np.searchsorted(series.at_s, second, side="right")) - 1
        if not 0 <= i < series.at_s.size - 1:
            continue
        t0, t1 = int(series.at_s[i]), int(series.at_s[i + 1])
        if t1 - t0 <= gap_s:
            c0, c1 = series.temperature_c[i], series.temperature_c[i + 1]
            middle = c0 + (c1 - c0) * (second + 0.5 - t0) / (t1 - t0)
            seconds.setdefault(second // step_s * step_s, []).append(float(middle))
    covered = dict(zip(found.at_s.tolist(), found.covered_s.tolist(), strict=True))
    assert {at_s: s for at_s, s in covered.items() if s} == {
        at_s: len(values_) for at_s, values_ in seconds.items()
    }
    for at_s, mean_c in zip(found.at_s.tolist(), found.mean_c.tolist(), strict=True):
        if at_s in seconds:
            assert mean_c == pytest.approx(np.mean(seconds[at_s]), abs=1e-9)


@given(series_of_readings(), st.integers(1, 120), st.integers(1, 50), st.integers(1, 45))
def test_no_reading_in_the_window_is_lost_from_the_range_of_its_step(
    series: Series, to_s: int, step_s: int, gap_s: int
) -> None:
    found = steps(series, to_s=to_s, step_s=step_s, gap_s=gap_s)
    shown = found.at_s.tolist()
    for at_s, c in zip(series.at_s.tolist(), series.temperature_c.tolist(), strict=True):
        if 0 <= at_s < to_s:
            row = shown.index(at_s // step_s * step_s)
            assert found.min_c[row] <= c <= found.max_c[row]
    assert (found.min_c <= found.max_c).all()
    assert shown == sorted(set(shown))


def test_a_lonely_reading_shows_its_value_and_covers_no_time() -> None:
    lonely = Series(np.array([90], dtype=np.int64), np.array([-21.5]))
    found = steps(lonely, to_s=180, step_s=60, gap_s=3600)
    assert (found.at_s.tolist(), found.mean_c.tolist()) == ([60], [-21.5])
    assert found.covered_s.tolist() == [0.0]


def test_a_gap_longer_than_the_limit_leaves_its_steps_out() -> None:
    apart = Series(np.array([0, 600], dtype=np.int64), np.array([-20.0, -10.0]))
    assert steps(apart, to_s=660, step_s=60, gap_s=599).at_s.tolist() == [0, 600]
    measured = steps(apart, to_s=660, step_s=60, gap_s=600)
    assert measured.at_s.tolist() == list(range(0, 660, 60))
    assert measured.mean_c[:2].tolist() == pytest.approx([-19.5, -18.5])
