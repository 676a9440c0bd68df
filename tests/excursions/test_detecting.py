"""What a series of readings shows: plain numbers, no database."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.excursions.rules import ExcursionKind
from service.excursions.rules.detecting import Finds, Found, Memory, leave, note_standing, watch_on
from service.excursions.rules.limits import Limits, limits_of
from service.quantities import TemperatureUnit, to_celsius
from service.science.arrays import Array, Indices
from service.science.excursion_shape import Cause, cause_of, shape_of
from service.site.rules import PlaceKind, default_policy

FREEZER = limits_of(PlaceKind.FREEZER, default_policy(), TemperatureUnit.C)
AT_ONCE = replace(FREEZER, grace_s=0, cold_s=0, merge_s=0, margin_k=0, rise_k_per_h=None)
MINUTE, HOUR, DAY = 60, 3600, 86400


def seen(
    at_s: Indices, values: Array, limits: Limits = FREEZER, cuts: tuple[int, ...] = ()
) -> Finds:
    """What the watch finds in a series, fed in pieces cut before these numbers."""
    memory, finds = Memory(1, 0), Finds()
    for begin, end in zip((0, *cuts), (*cuts, at_s.size), strict=True):
        watch_on(memory, limits, at_s[:end], values[:end], begin, finds)
        memory = Memory.of_json(memory.as_json())
    note_standing(memory, finds)
    return finds


def spans(finds: Finds, kind: ExcursionKind = ExcursionKind.WARM) -> list[tuple[int, int | None]]:
    """From and until of what was found, in seconds."""
    found = [f for f in finds.excursions.values() if f.kind is kind]
    return [(f.from_s, f.ended_s) for f in sorted(found, key=lambda f: f.from_s)]


def warm(values: list[float], limit_c: float = -18.0) -> list[tuple[int, int | None, float]]:
    """Warm times of readings a minute apart, without any grace."""
    at_s = np.arange(len(values), dtype=np.int64) * MINUTE
    limits = replace(AT_ONCE, limit_c=limit_c, at_once_c=limit_c)
    found = seen(at_s, np.array(values, dtype=np.float64), limits).excursions.values()
    return [(f.from_s, f.ended_s, f.peak_c or 0.0) for f in found]


# --- the limit


def test_it_ends_with_the_first_reading_that_is_cold_again() -> None:
    assert warm([-20, -10, -8, -19]) == [(60, 180, -8.0)]


@pytest.mark.parametrize("limit_c", [-18.0, 0.29, 4.4, 5.0])
def test_a_reading_at_its_limit_is_not_too_warm_and_a_hundredth_above_it_is(
    limit_c: float,
) -> None:
    assert warm([limit_c], limit_c) == []
    assert len(warm([round(limit_c + 0.01, 2)], limit_c)) == 1


def test_no_limit_of_whole_hundredths_is_passed_by_its_own_reading() -> None:
    # 0.57 × 100 is 56.99999999999999 in binary numbers
    hundredths = [c / 100 for c in range(-6000, 1000)]
    assert [c for c in hundredths if warm([c], c)] == []


def test_each_has_its_own_peak() -> None:
    assert warm([-10, -20, -5, -6, -20, -17]) == [
        (0, 60, -10.0),
        (120, 240, -5.0),
        (300, None, -17.0),
    ]


def test_0_f_passes_a_limit_of_0_f_though_it_is_stored_in_hundredths_of_a_degree_c() -> None:
    # 9 CFR 3.105(d) [read]: 0 °F (-18 °C)
    limits = limits_of(PlaceKind.FREEZER, default_policy(), TemperatureUnit.F)
    assert limits.limit_c is not None
    stored = round(to_celsius(0, TemperatureUnit.F), 2)
    assert warm([stored], limits.limit_c) == []
    assert warm([round(to_celsius(0.1, TemperatureUnit.F), 2)], limits.limit_c) != []


# --- grace, the higher limit, hysteresis, merging


def minutely(*parts: tuple[int, float]) -> tuple[Indices, Array]:
    """Readings a minute apart: so many minutes at a temperature, one part after another."""
    values = np.concatenate([np.full(minutes, c) for minutes, c in parts])
    return np.arange(values.size, dtype=np.int64) * MINUTE, values


def test_the_grace_of_a_freezer_is_half_an_hour_and_not_a_minute_more() -> None:
    assert spans(seen(*minutely((60, -22), (30, -10), (60, -22)))) == []
    assert spans(seen(*minutely((60, -22), (31, -10), (60, -22)))) == [(3600, 5460)]


def test_above_freezing_there_is_no_grace() -> None:
    assert spans(seen(*minutely((60, -22), (1, 0.0), (60, -22)))) == []
    assert spans(seen(*minutely((60, -22), (1, 0.01), (60, -22)))) == [(3600, 3660)]


def test_air_that_flaps_about_its_limit_is_one_excursion_not_twenty() -> None:
    flapping = [(2, -17.5), (2, -18.5)] * 100
    found = spans(seen(*minutely((60, -22), *flapping, (60, -22))))
    assert found == [(3600, 3600 + 398 * 60)]


def test_a_freezer_just_below_its_limit_is_over_after_a_while() -> None:
    found = spans(seen(*minutely((60, -22), (40, -10), (200, -18.2))))
    assert found == [(3600, 6000)]


@pytest.mark.parametrize(("apart", "number"), [(29, 1), (31, 2)])
def test_two_that_are_near_are_one(apart: int, number: int) -> None:
    series = minutely((60, -22), (40, -10), (apart, -22), (40, -9), (60, -22))
    assert len(spans(seen(*series))) == number


def test_a_missing_reading_never_ends_an_excursion() -> None:
    at_s = np.array([0, 10, 20, 30, 40, 50, 51, 400, 410, 420], dtype=np.int64) * MINUTE
    values = np.array([-22, -10, -10, -10, -10, -10, -22, -10, -22, -22], dtype=np.float64)
    assert spans(seen(at_s, values)) == [(600, 410 * 60)]


# --- silence and probes that are taken down


def test_silence_is_found_between_readings_however_they_came() -> None:
    at_s = np.array([0, 60, 60 + 3601, 8000], dtype=np.int64)
    found = spans(seen(at_s, np.full(4, -22.0)), ExcursionKind.SILENT)
    assert found == [(60, 3661), (3661, 8000)]


def test_what_goes_on_ends_where_the_probe_is_taken_down() -> None:
    at_s, values = minutely((60, -22), (45, -10))
    memory, finds = Memory(1, 0), Finds()
    watch_on(memory, FREEZER, at_s, values, 0, finds)
    leave(memory, FREEZER, 7000, finds)
    assert spans(finds) == [(3600, 7000)]
    assert spans(finds, ExcursionKind.SILENT) == []


# --- any pieces give the same


@st.composite
def a_series(draw: st.DrawFn) -> tuple[Indices, Array, tuple[int, ...]]:
    """Stretches of cold, limit and warm, with gaps now and then, and where it is cut."""
    steps, values = [], []
    for _ in range(draw(st.integers(1, 25))):
        level = draw(st.sampled_from([-24.0, -19.0, -18.3, -17.9, -15.0, -8.0, 2.0]))
        every = draw(st.sampled_from([60, 300, 900, 1500, 5000]))
        count = draw(st.integers(1, 12))
        slope = draw(st.sampled_from([0.0, 0.0, 0.1, 0.4]))
        steps += [every] * count
        values += [round(level + slope * i, 2) for i in range(count)]
    cuts = draw(st.lists(st.integers(1, len(values)), max_size=6).map(lambda c: sorted(set(c))))
    return np.cumsum(steps), np.array(values), tuple(c for c in cuts if c < len(values))


@given(a_series())
def test_a_series_that_comes_in_pieces_gives_what_it_gives_at_once(
    drawn: tuple[Indices, Array, tuple[int, ...]],
) -> None:
    at_s, values, cuts = drawn
    whole, parts = seen(at_s, values), seen(at_s, values, cuts=cuts)
    assert parts.excursions == whole.excursions
    assert parts.passed == whole.passed


@given(a_series(), st.floats(0, 5))
def test_a_warmer_series_is_never_an_excursion_less(
    drawn: tuple[Indices, Array, tuple[int, ...]], more: float
) -> None:
    at_s, values, _ = drawn
    limits = replace(FREEZER, defrost_s=0, rise_k_per_h=None)
    cooler, warmer = (spans(seen(at_s, v, limits)) for v in (values, values + more))

    def covered(found: list[tuple[int, int | None]]) -> set[int]:
        ends = [(a, int(at_s[-1]) if b is None else b) for a, b in found]
        return {i for i, at in enumerate(at_s) if any(a <= at < b for a, b in ends)}

    warm_before = {i for i in covered(cooler) if values[i] > -18}
    assert warm_before <= covered(warmer)


# --- shapes: invented freezers with noise


def a_day(rng: np.random.Generator, days: int = 3, every_s: int = 300) -> tuple[Indices, Array]:
    at_s = np.arange(0, days * DAY, every_s, dtype=np.int64)
    return at_s, rng.normal(-24.0, 0.15, at_s.size)


def with_spike(
    at_s: Indices, air: Array, from_s: int, height_k: float, heat_s: float, cool_s: float
) -> Array:
    """Air that rises evenly for heat_s and falls back with a time constant."""
    since = at_s - from_s
    up = np.where((since >= 0) & (since <= heat_s), height_k * since / heat_s, 0.0)
    down = np.where(since > heat_s, height_k * np.exp(-np.maximum(since - heat_s, 0) / cool_s), 0.0)
    return air + up + down


def cause_in(at_s: Indices, air: Array, found: Found) -> Cause:
    until = at_s[-1] if found.ended_s is None else found.ended_s + 600
    near = (at_s >= found.from_s - 6 * HOUR) & (at_s <= until)
    shape = shape_of(at_s[near], air[near], found.from_s, found.ended_s, regular=found.regular)
    return cause_of(shape)


seeds = st.integers(0, 10_000)


@given(seeds, st.sampled_from([4, 6, 8, 12]), st.floats(20, 30), st.floats(10, 11))
def test_regular_defrosts_are_counted_and_open_nothing_but_the_first(
    seed: int, hours: int, heat_min: float, height_k: float
) -> None:
    at_s, air = a_day(np.random.default_rng(seed), days=4)
    for begin in range(3 * HOUR, 4 * DAY - 3 * HOUR, hours * HOUR):
        air = with_spike(at_s, air, begin, height_k, heat_min * MINUTE, 700)
    finds = seen(at_s, np.round(air, 2), replace(FREEZER, grace_s=10 * MINUTE))
    last = [f for f in finds.excursions.values() if f.from_s > 3 * HOUR + 3.5 * hours * HOUR]
    assert last == [], "regular, short and cold enough"
    assert len(finds.passed) >= 2
    assert all(p.peak_c <= -12 and p.until_s - p.from_s <= 60 * MINUTE for p in finds.passed)


@given(seeds, st.floats(15, 20), st.floats(15, 30))
def test_a_defrost_that_warms_past_the_fishs_limit_is_an_excursion_however_regular(
    seed: int, height_k: float, heat_min: float
) -> None:
    at_s, air = a_day(np.random.default_rng(seed))
    for begin in range(3 * HOUR, 3 * DAY - 3 * HOUR, 6 * HOUR):
        air = with_spike(at_s, air, begin, height_k, heat_min * MINUTE, 700)
    finds = seen(at_s, np.round(air, 2), replace(FREEZER, grace_s=10 * MINUTE))
    late = [
        f
        for f in finds.excursions.values()
        if f.kind is ExcursionKind.WARM and f.from_s > DAY and (f.peak_c or 0) > -12
    ]
    assert late
    assert {cause_in(at_s, air, found) for found in late} == {Cause.DEFROST}


@given(seeds, st.floats(4, 10))
def test_a_failing_compressor_is_noticed_before_the_limit_and_told_from_a_door(
    seed: int, k_per_h: float
) -> None:
    at_s, air = a_day(np.random.default_rng(seed), days=2)
    begin = DAY
    air = air + np.clip((at_s - begin) / HOUR * k_per_h, 0, 40)
    end = begin + int((10 + 3.2) / k_per_h * HOUR) + 2 * HOUR
    kept = at_s <= end
    finds = seen(at_s[kept], np.round(air[kept], 2))
    (found,) = [f for f in finds.excursions.values() if f.kind is ExcursionKind.WARM]
    if k_per_h <= 4.5:  # slow enough for the rise to last its time below the limit
        rises = [f for f in finds.excursions.values() if f.kind is ExcursionKind.RISING]
        assert rises and min(f.from_s for f in rises) < found.from_s
    assert cause_in(at_s[kept], air[kept], found) is Cause.COMPRESSOR


@given(seeds, st.floats(12, 20), st.floats(20, 40))
def test_a_door_is_steep_and_falls_again(seed: int, height_k: float, minutes: float) -> None:
    at_s, air = a_day(np.random.default_rng(seed), days=2, every_s=60)
    air = with_spike(at_s, air, DAY + 777, height_k, 6 * MINUTE, minutes * 50)
    finds = seen(at_s, np.round(air, 2), replace(FREEZER, grace_s=10 * MINUTE))
    found = [f for f in finds.excursions.values() if f.kind is ExcursionKind.WARM]
    assert [cause_in(at_s, air, f) for f in found] == [Cause.DOOR]


@given(seeds, st.floats(3, 20), st.floats(5, 45))
def test_a_defrost_never_seems_to_be_a_rise(seed: int, height_k: float, heat_min: float) -> None:
    at_s, air = a_day(np.random.default_rng(seed))
    for begin in range(2 * HOUR, 3 * DAY - HOUR, 6 * HOUR):
        air = with_spike(at_s, air, begin, height_k, heat_min * MINUTE, 600)
    assert spans(seen(at_s, np.round(air, 2)), ExcursionKind.RISING) == []
