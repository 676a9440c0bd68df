"""Laws of what a temperature series has done, against plain sums and quadrature."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import pairwise
from math import exp

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from service.catalogue.rules import life_profiles
from service.science.arrays import Array, Indices
from service.science.exposure import (
    THRESHOLDS_C,
    HourRollups,
    RateTable,
    gap_bound,
    hour_rollups,
    seconds_above,
)
from service.science.kinetics import arrhenius_factor
from service.science.storage_life import LifeProfile, life_rate_per_day

HOUR = 3600
centi_degrees = st.integers(-4000, 3000).map(lambda c: c / 100)  # as readings are stored


@lru_cache(maxsize=32)
def life_table(profile: LifeProfile) -> RateTable:
    return RateTable(partial(life_rate_per_day, profile))


@lru_cache(maxsize=1)
def vitamin_table() -> RateTable:
    return RateTable(arrhenius_factor)


def integrated_mean(rate: Callable[[float], Array], start_c: float, end_c: float) -> float:
    """The mean of a rate along a straight line, by adaptive quadrature."""
    low, high = min(start_c, end_c), max(start_c, end_c)
    area = quad(lambda c: float(rate(c)), low, high, epsabs=0, epsrel=1e-8, limit=500)[0]
    return float(area / (high - low))


# --- rates along a straight line


@given(centi_degrees, centi_degrees)
def test_the_mean_loss_of_vitamins_along_a_line_is_its_integral(start: float, end: float) -> None:
    assume(start != end)
    expected = integrated_mean(arrhenius_factor, start, end)
    assert float(vitamin_table().mean(start, end)) == pytest.approx(expected, rel=1e-6)


@settings(max_examples=50)
@given(st.sampled_from(life_profiles()), centi_degrees, centi_degrees)
def test_the_mean_use_of_life_along_a_line_is_its_integral_across_all_kinks(
    profile: LifeProfile, start: float, end: float
) -> None:
    assume(abs(end - start) >= 1)
    expected = integrated_mean(partial(life_rate_per_day, profile), start, end)
    assert float(life_table(profile).mean(start, end)) == pytest.approx(expected, rel=1e-6)


@given(st.sampled_from(life_profiles()), centi_degrees, centi_degrees)
def test_warming_and_cooling_along_the_same_line_use_the_same_life(
    profile: LifeProfile, start: float, end: float
) -> None:
    table = life_table(profile)
    assert table.mean(start, end) == pytest.approx(table.mean(end, start), rel=1e-12)


@given(st.sampled_from(life_profiles()), centi_degrees, centi_degrees)
def test_the_mean_lies_between_the_rates_at_both_ends(
    profile: LifeProfile, start: float, end: float
) -> None:
    cold, warm = (float(life_rate_per_day(profile, c)) for c in sorted((start, end)))
    assert cold * (1 - 1e-4) <= life_table(profile).mean(start, end) <= warm * (1 + 1e-4)


@given(centi_degrees)
def test_at_a_steady_temperature_the_mean_is_the_rate(at_c: float) -> None:
    table = vitamin_table()
    assert float(table.mean(at_c, at_c)) == float(table.at(at_c))
    assert float(table.at(at_c)) == pytest.approx(float(arrhenius_factor(at_c)), rel=1e-6)


# --- seconds above a limit

durations = st.floats(0, 1e5)
limits = st.sampled_from(THRESHOLDS_C)


@given(durations, st.floats(-60, 60), st.floats(-60, 60), limits)
def test_seconds_above_lie_between_none_and_all_and_agree_with_counting(
    duration: float, start: float, end: float, limit: float
) -> None:
    above = float(seconds_above(duration, start, end, limit))
    assert 0 <= above <= duration
    steps = 20_000
    middles = start + (end - start) * (np.arange(steps) + 0.5) / steps
    counted = float((middles > limit).mean()) * duration
    assert above == pytest.approx(counted, abs=duration / steps + 1e-9)


@given(durations, st.floats(-60, 60), st.floats(-60, 60), st.floats(0, 1), limits)
def test_seconds_above_are_the_same_however_a_segment_is_cut(
    duration: float, start: float, end: float, share: float, limit: float
) -> None:
    middle = start + (end - start) * share
    whole = float(seconds_above(duration, start, end, limit))
    first = float(seconds_above(duration * share, start, middle, limit))
    second = float(seconds_above(duration * (1 - share), middle, end, limit))
    # a level that the line only touches may fall to either side of a rounding
    assume(abs(start - end) > 1e-6)
    assert first + second == pytest.approx(whole, abs=1e-6 * max(1.0, duration))


@given(durations, st.floats(-60, 60), st.floats(-60, 60), st.floats(0, 30))
def test_warmer_fish_is_never_above_a_limit_for_less_time(
    duration: float, start: float, end: float, by: float
) -> None:
    here = float(seconds_above(duration, start, end, 4.4))
    warmer = float(seconds_above(duration, start + by, end + by, 4.4))
    assert warmer >= here - 1e-9 * max(1.0, duration)


def test_fish_exactly_at_a_limit_is_not_above_it() -> None:
    assert float(seconds_above(3600, 4.4, 4.4, 4.4)) == 0
    assert float(seconds_above(3600, 4.4, 6.0, 4.4)) == 3600


# --- hours of a probe


@dataclass(frozen=True)
class Series:
    """Readings of one probe."""

    at_s: Indices
    temperature_c: Array


# steps of a recorder: at least a minute, sometimes with a gap, sometimes on the hour
_steps = st.one_of(
    st.integers(60, 900), st.sampled_from([300, 600, 900, 1800, 3600, 3601]), st.integers(901, 9000)
)


@st.composite
def series(draw: st.DrawFn) -> Series:
    steps = draw(st.lists(_steps, max_size=14))
    start = draw(st.one_of(st.just(0), st.integers(0, 10_000), st.integers(1_900_000_000, 2**31)))
    at_s = np.cumsum(np.array([start, *steps], dtype=np.int64))
    values = [draw(centi_degrees) for _ in range(at_s.size)]
    return Series(at_s, np.array(values, dtype=np.float64))


gaps = st.sampled_from([600, 900, 1800, 3600])


def growing(at_c: Array) -> Array:
    """A rate whose integral along a line is known in closed form."""
    rate: Array = np.exp(0.1 * at_c)
    return rate


GROWING = RateTable(growing)


def rolled(one: Series, gap_s: int, rates: Sequence[RateTable] = (GROWING,)) -> HourRollups:
    label = np.zeros(one.at_s.size, dtype=np.int64)
    return hour_rollups(label, one.at_s, one.temperature_c, gap_s=gap_s, rates=rates)


@dataclass(frozen=True)
class Measured:
    """A stretch of line between two neighbours, within one hour."""

    hour_s: int
    duration_s: float
    start_c: float
    end_c: float


def measured(one: Series, gap_s: int) -> list[Measured]:
    """The measured stretches, walked through one by one and cut at every full hour."""
    found = []
    for i in range(one.at_s.size - 1):
        t0, t1 = int(one.at_s[i]), int(one.at_s[i + 1])
        c0, c1 = float(one.temperature_c[i]), float(one.temperature_c[i + 1])
        if t1 - t0 > gap_s:
            continue
        cuts = [t0, *(h for h in range((t0 // HOUR + 1) * HOUR, t1, HOUR)), t1]
        for a, b in pairwise(cuts):
            at_a, at_b = (c0 + (c1 - c0) * (t - t0) / (t1 - t0) for t in (a, b))
            found.append(Measured(a // HOUR * HOUR, b - a, at_a, at_b))
    return found


@given(series(), gaps)
def test_every_hour_covers_the_seconds_between_readings_that_are_close_enough(
    one: Series, gap_s: int
) -> None:
    rollups = rolled(one, gap_s)
    expected = dict.fromkeys(rollups.hour_s.tolist(), 0.0)
    for piece in measured(one, gap_s):
        expected[piece.hour_s] += piece.duration_s
    assert dict(zip(rollups.hour_s.tolist(), rollups.covered_s.tolist(), strict=True)) == expected
    assert (rollups.covered_s <= HOUR).all()


@given(series(), gaps)
def test_the_integrals_of_all_hours_add_up_to_the_integral_of_all_measured_time(
    one: Series, gap_s: int
) -> None:
    def closed_form(start: float, end: float) -> float:
        if start == end:
            return exp(0.1 * start)
        return (exp(0.1 * end) - exp(0.1 * start)) / (0.1 * (end - start))

    step = np.diff(one.at_s)
    pairs = zip(step, one.temperature_c[:-1], one.temperature_c[1:], strict=True)
    direct = sum(float(d) * closed_form(a, b) for d, a, b in pairs if d <= gap_s)
    assert rolled(one, gap_s).integrals.sum() == pytest.approx(direct, rel=1e-6)


@given(series(), gaps)
def test_each_hour_s_time_above_every_limit_is_that_of_its_own_stretches(
    one: Series, gap_s: int
) -> None:
    rollups = rolled(one, gap_s)
    above = {hour: [0.0] * len(THRESHOLDS_C) for hour in rollups.hour_s.tolist()}
    for p in measured(one, gap_s):
        for j, limit in enumerate(THRESHOLDS_C):
            warm = max(p.start_c, p.end_c) - limit
            spread = abs(p.end_c - p.start_c)
            share = min(1.0, max(0.0, warm / spread)) if spread else float(warm > 0)
            above[p.hour_s][j] += share * p.duration_s
    for row, hour in enumerate(rollups.hour_s.tolist()):
        assert rollups.above_s[row] == pytest.approx(above[hour], abs=1e-5)


@settings(max_examples=50)
@given(series(), gaps)
def test_the_mean_and_spread_of_an_hour_are_those_of_ten_samples_a_second(
    one: Series, gap_s: int
) -> None:
    rollups = rolled(one, gap_s)
    samples: dict[int, list[Array]] = {}
    for p in measured(one, gap_s):
        count = int(p.duration_s * 10)
        middles: Array = (np.arange(count) + 0.5) / count
        samples.setdefault(p.hour_s, []).append(p.start_c + (p.end_c - p.start_c) * middles)
    for row, hour in enumerate(rollups.hour_s.tolist()):
        if hour not in samples:
            assert rollups.covered_s[row] == 0 and rollups.m2[row] == 0
            continue
        every = np.concatenate(samples[hour])
        assert rollups.mean_c[row] == pytest.approx(every.mean(), abs=1e-6)
        spread = ((every - every.mean()) ** 2).sum() / 10
        assert rollups.m2[row] == pytest.approx(spread, rel=1e-4, abs=1e-4)


@given(series(), gaps)
def test_each_hour_keeps_its_readings_count_extremes_and_edges(one: Series, gap_s: int) -> None:
    rollups = rolled(one, gap_s)
    hours = one.at_s // HOUR * HOUR
    assert rollups.hour_s.tolist() == sorted(set(hours.tolist()))
    for row, hour in enumerate(rollups.hour_s.tolist()):
        inside = hours == hour
        at_s, values = one.at_s[inside], one.temperature_c[inside]
        assert rollups.readings[row] == values.size
        assert (rollups.min_c[row], rollups.max_c[row]) == (values.min(), values.max())
        assert (rollups.first_at_s[row], rollups.last_at_s[row]) == (at_s[0], at_s[-1])
        assert (rollups.first_c[row], rollups.last_c[row]) == (values[0], values[-1])
        if rollups.covered_s[row] == 0:
            assert rollups.mean_c[row] == pytest.approx(values.mean())


@given(st.lists(series(), min_size=2, max_size=4), gaps)
def test_many_probes_at_once_give_what_each_gives_alone(many: list[Series], gap_s: int) -> None:
    labels = [np.full(one.at_s.size, 7 * i, dtype=np.int64) for i, one in enumerate(many)]
    together = hour_rollups(
        np.concatenate(labels),
        np.concatenate([one.at_s for one in many]),
        np.concatenate([one.temperature_c for one in many]),
        gap_s=gap_s,
        rates=(GROWING,),
    )
    for i, one in enumerate(many):
        rows = together.series == 7 * i
        alone = rolled(one, gap_s)
        for name in ("hour_s", "readings", "first_at_s", "last_at_s", "min_c", "max_c"):
            assert (getattr(together, name)[rows] == getattr(alone, name)).all()
        for name in ("covered_s", "mean_c", "m2", "above_s", "integrals"):
            assert getattr(together, name)[rows] == pytest.approx(
                getattr(alone, name), rel=1e-9, abs=1e-9
            )


@given(series())
def test_a_wider_gap_limit_never_covers_less(one: Series) -> None:
    covered = [rolled(one, gap_s).covered_s.sum() for gap_s in (600, 1800, 3600)]
    assert covered == sorted(covered)


def test_readings_exactly_the_gap_limit_apart_count_and_a_second_further_not() -> None:
    values = np.array([-20.0, -20.0])
    for apart, covered in ((1800, 1800.0), (1801, 0.0)):
        one = Series(np.array([0, apart], dtype=np.int64), values)
        assert rolled(one, 1800).covered_s.sum() == covered


def test_one_probe_s_last_reading_and_another_s_first_are_no_segment() -> None:
    rollups = hour_rollups(
        np.array([1, 2], dtype=np.int64),
        np.array([0, 60], dtype=np.int64),
        np.array([-20.0, 20.0]),
        gap_s=3600,
        rates=(GROWING,),
    )
    assert rollups.series.tolist() == [1, 2]
    assert rollups.covered_s.tolist() == [0, 0]
    assert rollups.integrals.sum() == 0


def test_no_readings_and_a_gap_limit_beyond_an_hour_are_refused() -> None:
    nothing = np.array([], dtype=np.int64)
    one = np.array([0], dtype=np.int64)
    with pytest.raises(ValueError, match="at least one reading"):
        hour_rollups(nothing, nothing, np.array([]), gap_s=3600, rates=())
    for gap_s in (0, 3601):
        with pytest.raises(ValueError, match="gap_s"):
            hour_rollups(one, one, np.array([-20.0]), gap_s=gap_s, rates=())


# --- times without readings

lengths = st.floats(1, 40 * 86_400)
known = st.floats(-60, 30)
neighbours = st.tuples(st.none() | known, st.none() | known).filter(lambda n: n != (None, None))


@given(lengths, neighbours)
def test_nobody_takes_a_silent_freezer_for_colder_than_its_neighbours(
    length: float, ends: tuple[float | None, float | None]
) -> None:
    bound = gap_bound(0, length, *ends)
    readings = [c for c in ends if c is not None]
    assert (bound.envelope_c >= max(readings)).all()
    assert (bound.envelope_c >= bound.straight_c - 1e-9).all()
    assert bound.low_c == min(readings)
    assert (bound.straight_c >= bound.low_c - 1e-9).all()


@given(lengths, neighbours)
def test_nor_for_warmer_than_its_surroundings(
    length: float, ends: tuple[float | None, float | None]
) -> None:
    bound = gap_bound(0, length, *ends, ambient_c=20)
    assert (bound.envelope_c <= max(20, *(c for c in ends if c is not None)) + 1e-9).all()


@given(lengths, neighbours)
def test_the_line_of_a_gap_goes_from_its_start_to_its_end(
    length: float, ends: tuple[float | None, float | None]
) -> None:
    bound = gap_bound(1000, 1000 + length, *ends)
    assert bound.at_s[0] == 1000 and bound.at_s[-1] == pytest.approx(1000 + length)
    assert (np.diff(bound.at_s) >= 0).all()
    before, after = ends
    assert bound.straight_c[0] == pytest.approx(after if before is None else before)
    assert bound.straight_c[-1] == pytest.approx(before if after is None else after)


@given(lengths, lengths, neighbours)
def test_a_longer_silence_never_bounds_fish_colder(
    one: float, other: float, ends: tuple[float | None, float | None]
) -> None:
    short, long = sorted((one, other))
    brief, lasting = gap_bound(0, short, *ends), gap_bound(0, long, *ends)
    into = np.interp(brief.at_s, lasting.at_s, lasting.envelope_c)
    # points lie at most 480 s apart, and the line turns at its peak: a chord
    # across the turn hangs less than 0.5 K below it
    assert (into >= brief.envelope_c - 0.5).all()


def test_a_gap_without_length_or_without_neighbours_is_refused() -> None:
    with pytest.raises(ValueError, match="after start_s"):
        gap_bound(10, 10, -20, -20)
    with pytest.raises(ValueError, match="both be missing"):
        gap_bound(0, 10, None, None)
