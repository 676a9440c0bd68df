"""Laws of an outage's assessment: what is not known never helps, ranges hold, checks count."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.arrays import Array
from service.science.assessment import (
    Assessment,
    Bounds,
    Limits,
    Model,
    Suggestion,
    assess,
    follow_bounds,
    suggest,
)
from service.science.cabinet import (
    cabinet_air_c,
    cabinet_series,
    fitted_conductance_w_k,
    unfitted_conductance_w_k,
)
from service.science.estimate import Estimate
from service.science.gaps import AirSeries, GapRule, air_series
from service.science.outage import Anchor, History, follow, octant
from service.science.properties import GROUPS
from service.science.storage_life import LifeProfile
from service.science.thawing import Body, Shape

LEAN = GROUPS["lean"]
CARTON = Body(Shape.BRICK, 0.1, 0.25, 0.5)
STACK = Body(Shape.BRICK, 0.4, 0.8, 1.0)
KNOTS = LifeProfile("lean", (-30, -24, -18, -12), (24, 15, 9, 4), 12)
RULE = GapRule()
STEP = 300.0
WALK_K = 0.05  # by how much the walk may be out of order: it is linearised

bodies = st.sampled_from([CARTON, STACK, Body(Shape.BRICK, 0.06, 0.2, 0.3)])
coefficients = st.sampled_from([Estimate(5, 5, 5), Estimate(5, 3.5, 6.5), Estimate(8, 6, 11)])


@st.composite
def places(draw: st.DrawFn) -> tuple[Array, Array]:
    """Up to a day of readings of a place that warms and cools no faster than the rule says."""
    legs = draw(st.lists(st.tuples(st.booleans(), st.integers(1, 80)), min_size=1, max_size=6))
    air = [draw(st.floats(-28, -16))]
    for warming, count in legs:
        share = draw(st.floats(0, 1))
        for _ in range(count):
            now = air[-1]
            if warming:
                gained = (RULE.ambient_c - now) * (1 - np.exp(-STEP / RULE.warm_up_s))
            else:
                gained = -min(RULE.pull_down_k_per_s * STEP, now + 30)
            air.append(now + share * float(gained))
    kept: Array = np.array(air[:288], dtype=np.float64)
    return np.arange(kept.size, dtype=np.float64) * STEP, kept


@st.composite
def places_with_gaps(draw: st.DrawFn) -> tuple[Array, Array, Array]:
    """Readings of a place, and which are left; the first and the last always are."""
    at_s, air = draw(places())
    left = np.ones(at_s.size, dtype=bool)
    for _ in range(draw(st.integers(1, 4))):
        begin = draw(st.integers(1, at_s.size))
        left[begin : begin + draw(st.integers(1, 100))] = False
    left[0] = left[-1] = True
    return at_s, air, left


def judged(air: AirSeries, body: Body = CARTON, coefficient: Estimate | None = None) -> Assessment:
    bounds = follow_bounds(LEAN, body, air, coefficient or Estimate(5, 3.5, 6.5))
    return assess(LEAN, bounds, KNOTS)


def three(bounds: Bounds) -> tuple[History, History, History]:
    return bounds.low, bounds.central, bounds.high


def figures(found: Assessment) -> dict[str, Estimate]:
    named = {
        "core": found.peak_core_c,
        "mean": found.peak_mean_c,
        "life": found.life_share,
        "ice": found.frozen_water_share,
    }
    named |= {f"mean above {c}": e for c, e in found.hours_of_mean_above.items()}
    return named | {f"surface above {c}": e for c, e in found.hours_of_surface_above.items()}


# A missing reading never helps


@settings(max_examples=150, deadline=None)
@given(places_with_gaps())
def test_air_is_never_taken_for_colder_than_the_readings_that_are_missing(
    place: tuple[Array, Array, Array],
) -> None:
    at_s, air, left = place
    gappy = air_series(at_s[left], air[left])
    assert (np.interp(at_s, gappy.at_s, gappy.high_c) >= air - 1e-9).all()
    complete = air_series(at_s, air)
    assert (np.interp(gappy.at_s, at_s, air) <= gappy.high_c + 0.01).all()
    assert (complete.high_c == complete.low_c).all()


@settings(max_examples=60, deadline=None)
@given(places_with_gaps(), bodies, coefficients)
def test_a_missing_reading_never_helps(
    place: tuple[Array, Array, Array], body: Body, coefficient: Estimate
) -> None:
    at_s, air, left = place
    whole = follow_bounds(LEAN, body, air_series(at_s, air), coefficient)
    gappy = follow_bounds(LEAN, body, air_series(at_s[left], air[left]), coefficient)
    # hours above a limit jump where a temperature rests at it: ask a little above it
    a_little_above = [limit + WALK_K for limit in (-12.0, -9.0, -5.0)]
    known = assess(LEAN, whole, KNOTS, mean_limits_c=a_little_above)
    less_known = assess(LEAN, gappy, KNOTS)
    assert less_known.peak_core_c.high >= known.peak_core_c.high - WALK_K
    assert less_known.peak_mean_c.high >= known.peak_mean_c.high - WALK_K
    assert less_known.life_share.high >= known.life_share.high * 0.99
    for limit, asked in zip((-12.0, -9.0, -5.0), a_little_above, strict=True):
        hours = known.hours_of_mean_above[asked].high
        assert less_known.hours_of_mean_above[limit].high >= hours - 0.01
    assert less_known.frozen_water_share.low <= known.frozen_water_share.low + 0.02


def test_more_warmth_never_seems_colder_where_three_dimensions_take_over() -> None:
    at_s = np.arange(288) * STEP
    peaks = []
    models = set()
    for top in np.linspace(-9, -3, 25):
        air = np.where((at_s > 3e4) & (at_s < 7.5e4), top, -20.0)
        bounds = follow_bounds(LEAN, CARTON, air_series(at_s, air))
        models.add(bounds.model)
        peaks.append((bounds.high.core_c.max(), bounds.high.mean_c.max()))
    assert models == set(Model)
    assert float(np.diff(peaks, axis=0).min()) > -WALK_K


# Ranges


@settings(max_examples=60, deadline=None)
@given(places_with_gaps(), bodies, coefficients, st.lists(st.floats(0, 1), max_size=2))
def test_low_is_below_central_and_central_below_high(
    place: tuple[Array, Array, Array], body: Body, coefficient: Estimate, checks: list[float]
) -> None:
    at_s, air, left = place
    series = air_series(at_s[left], air[left], begin_s=-3600, end_s=float(at_s[-1]) + 3600)
    anchors = [Anchor(share * float(at_s[-1]), -12.0) for share in checks]
    bounds = follow_bounds(LEAN, body, series, coefficient, checks=anchors)
    low, central, high = three(bounds)
    for line in ("core_c", "surface_c", "mean_c"):
        assert (getattr(low, line) <= getattr(central, line)).all()
        assert (getattr(central, line) <= getattr(high, line)).all()
    for estimate in figures(assess(LEAN, bounds, KNOTS)).values():
        assert estimate.low <= estimate.value <= estimate.high


@settings(max_examples=40, deadline=None)
@given(places(), bodies, st.floats(0.1, 8))
def test_a_warmer_history_never_leaves_less_harm(
    place: tuple[Array, Array], body: Body, warmer: float
) -> None:
    at_s, air = place
    base, more = (judged(air_series(at_s, air + k), body) for k in (0.0, warmer))
    order = list(Suggestion)
    assert more.peak_core_c.high >= base.peak_core_c.high - WALK_K
    assert more.life_share.high >= base.life_share.high * 0.99
    assert more.frozen_water_share.low <= base.frozen_water_share.low + 0.02
    if base.peak_core_c.high + WALK_K < more.peak_core_c.high:
        assert max(map(order.index, more.suggestions)) >= max(map(order.index, base.suggestions))


@settings(max_examples=30, deadline=None)
@given(places(), bodies)
def test_where_all_is_known_there_is_one_history(place: tuple[Array, Array], body: Body) -> None:
    at_s, air = place
    bounds = follow_bounds(LEAN, body, air_series(at_s, air), Estimate(6, 6, 6))
    if bounds.model is Model.SCALED:
        for history in (bounds.low, bounds.high):
            for line in ("core_c", "surface_c", "mean_c"):
                assert (getattr(history, line) == getattr(bounds.central, line)).all()
        found = assess(LEAN, bounds, KNOTS, life_ln_sd=0, warm_life_ln_sd=0)
        assert all(e.low == e.value == e.high for e in figures(found).values())


def test_a_certain_event_in_three_dimensions_has_one_core_but_two_surfaces() -> None:
    at_s = np.arange(288) * STEP
    air = np.where(at_s > 2e4, 5.0, -20.0)
    bounds = follow_bounds(LEAN, CARTON, air_series(at_s, air), Estimate(6, 6, 6))
    assert bounds.model is Model.OCTANT
    assert bounds.low.core_c == pytest.approx(bounds.central.core_c, abs=1e-9)
    assert bounds.low.mean_c == pytest.approx(bounds.central.mean_c, abs=1e-9)
    # warm core and mean may be what one dimension said, up to the change of model
    warmer = bounds.high.core_c > bounds.central.core_c + 1e-9
    assert (bounds.high.core_c[warmer] <= -8 + 1e-9).all()


# Checks


@settings(max_examples=40, deadline=None)
@given(places_with_gaps(), st.floats(0.05, 0.95), st.floats(-20, -3), st.floats(0, 2))
def test_a_check_resets_all_three_and_narrows_them(
    place: tuple[Array, Array, Array], share: float, core_c: float, error_k: float
) -> None:
    at_s, air, left = place
    series = air_series(at_s[left], air[left])
    check = Anchor(share * float(at_s[-1]), core_c)
    checked = follow_bounds(LEAN, CARTON, series, checks=[check], check_error_k=error_k)
    instant = int(np.flatnonzero(checked.central.at_s == check.at_s)[0])
    found = [h.core_c[instant] for h in three(checked)]
    assert found == pytest.approx([core_c - error_k, core_c, core_c + error_k], abs=1e-6)
    plain = follow_bounds(LEAN, CARTON, series.with_points([check.at_s]))
    if checked.model is plain.model is Model.SCALED:
        for with_check, without in zip(three(checked), three(plain), strict=True):
            before = with_check.core_c[:instant]
            assert before == pytest.approx(without.core_c[:instant], abs=1e-9)


def test_after_a_check_only_gaps_and_the_surface_widen_again() -> None:
    at_s = np.arange(288) * STEP
    air = air_series(at_s, np.full(288, -20.0))
    checks = [Anchor(100 * STEP, -20.0)]
    still = follow_bounds(LEAN, CARTON, air, checks=checks, check_error_k=0)
    assert np.ptp([h.core_c[101:] for h in three(still)], axis=0).max() < 1e-3
    gappy = air_series(np.delete(at_s, range(150, 250)), np.full(188, -20.0))
    wide = follow_bounds(LEAN, CARTON, gappy, checks=checks, check_error_k=0)
    apart = wide.high.core_c - wide.low.core_c
    until = int(np.searchsorted(wide.high.at_s, 149 * STEP))
    assert apart[:until].max() < 1e-3
    assert apart.max() > 1


def test_what_a_shell_was_warmer_than_the_core_stays_after_a_check_in_the_warm_bound() -> None:
    at_s = np.arange(200) * STEP
    air = air_series(at_s, np.where(at_s > 1e4, -5.0, -25.0))
    check = Anchor(2.5e4, -18.0)
    for history in three(follow_bounds(LEAN, CARTON, air, checks=[check]))[1:]:
        instant = int(np.flatnonzero(history.at_s == check.at_s)[0])
        assert history.mean_c[instant] > history.core_c[instant] + 0.2


@pytest.mark.parametrize("model", [follow, octant])
def test_a_check_keeps_of_the_shell_what_it_is_told(model: Callable[..., History]) -> None:
    at_s = np.arange(120) * STEP
    air = np.where(at_s > 6e3, 5.0, -25.0)

    def apart(kept: float) -> float:
        anchor = Anchor(3e4, -15.0, kept_warmer=kept)
        history = model(LEAN, CARTON, 6, at_s, air, start_c=-25, anchors=[anchor])
        return float(history.mean_c[100] - history.core_c[100])

    plain = model(LEAN, CARTON, 6, at_s, air, start_c=-25)
    assert apart(0.0) == pytest.approx(0, abs=1e-6)
    assert apart(1.0) == pytest.approx(plain.mean_c[100] - plain.core_c[100], abs=1e-3)
    assert apart(0.5) == pytest.approx(apart(1.0) / 2, abs=1e-3)


def test_checks_count_in_any_order() -> None:
    at_s = np.arange(200) * STEP
    air = air_series(at_s, np.where(at_s > 1e4, 8.0, -25.0))
    checks = [Anchor(2e4, -15.0), Anchor(4e4, -6.0)]
    there, back = (follow_bounds(LEAN, CARTON, air, checks=c) for c in (checks, checks[::-1]))
    for one, other in zip(three(there), three(back), strict=True):
        assert (one.core_c == other.core_c).all()


# Readings in pieces, events in parts


@settings(max_examples=60, deadline=None)
@given(places_with_gaps(), st.lists(st.integers(1, 287), max_size=4))
def test_readings_in_any_pieces_make_the_same_air(
    place: tuple[Array, Array, Array], cuts: list[int]
) -> None:
    at_s, air = place[0][place[2]], place[1][place[2]]
    whole = air_series(at_s, air)
    ends = sorted({0, at_s.size - 1, *(c for c in cuts if c < at_s.size - 1)})
    pieces = [air_series(at_s[a : b + 1], air[a : b + 1]) for a, b in pairwise(ends)]
    for line in ("at_s", "low_c", "central_c", "high_c"):
        joined = [getattr(p, line)[:-1] for p in pieces] + [getattr(whole, line)[-1:]]
        assert (np.concatenate(joined) == getattr(whole, line)).all()
    if pieces:
        assert (np.concatenate([p.unknown for p in pieces]) == whole.unknown).all()


@settings(max_examples=40, deadline=None)
@given(places_with_gaps(), st.lists(st.floats(0, 1), max_size=5))
def test_further_points_on_the_lines_change_nothing(
    place: tuple[Array, Array, Array], shares: list[float]
) -> None:
    at_s, air, left = place
    series = air_series(at_s[left], air[left])
    more = series.with_points([s * float(at_s[-1]) for s in shares])
    assert more.unknown_s(0, 1e6) == pytest.approx(series.unknown_s(0, 1e6))
    one, other = judged(series), judged(more)
    assert other.peak_core_c.high == pytest.approx(one.peak_core_c.high, abs=0.1)
    assert other.life_share.value == pytest.approx(one.life_share.value, rel=0.01)


@settings(max_examples=30, deadline=None)
@given(places_with_gaps(), st.floats(0.1, 0.9))
def test_hours_and_life_of_two_parts_of_an_event_are_those_of_the_whole(
    place: tuple[Array, Array, Array], share: float
) -> None:
    at_s, air, left = place
    series = air_series(at_s[left], air[left])
    end = float(at_s[-1])
    parts = [(0.0, share * end), (share * end, end)]
    series = series.with_points([share * end])

    def of(event: tuple[float, float]) -> Assessment:
        bounds = follow_bounds(LEAN, CARTON, series, event_s=event, octant_from_c=45)
        return assess(LEAN, bounds, KNOTS, life_ln_sd=0, warm_life_ln_sd=0)

    whole, first, second = of((0.0, end)), of(parts[0]), of(parts[1])
    assert first.life_share.high + second.life_share.high == pytest.approx(whole.life_share.high)
    for limit, hours in whole.hours_of_mean_above.items():
        both = first.hours_of_mean_above[limit].value + second.hours_of_mean_above[limit].value
        assert both == pytest.approx(hours.value, abs=1e-9)
    unknown = first.bounds.unknown_s + second.bounds.unknown_s
    assert unknown == pytest.approx(whole.bounds.unknown_s, abs=1e-6)
    peak = max(first.peak_core_c.high, second.peak_core_c.high)
    assert peak == pytest.approx(whole.peak_core_c.high)


# The cabinet


@settings(max_examples=60, deadline=None)
@given(st.floats(20, 500), st.floats(5, 200), st.floats(0.5, 8), st.floats(5, 35), st.floats(0, 50))
def test_a_cabinet_without_power_warms_steadily_and_its_range_holds(
    mass: float, surface: float, conductance: float, ambient: float, power: float
) -> None:
    at_s = np.linspace(0, 72 * 3600, 100)
    guess = unfitted_conductance_w_k(conductance)
    air = cabinet_series(LEAN, mass, surface, guess, ambient, at_s, start_c=-20, power_w=power)
    for line in (air.low_c, air.central_c, air.high_c):
        assert (np.diff(line) >= -1e-9).all()
        assert line[0] > -20
    assert air.unknown.all()
    if power == 0:
        assert air.high_c.max() < ambient


def test_a_cabinet_that_nobody_logged_can_be_assessed() -> None:
    at_s = np.arange(200) * STEP
    air = cabinet_series(LEAN, 200, 60, unfitted_conductance_w_k(2.5), 25, at_s, start_c=-20)
    found = judged(air)
    assert found.bounds.unknown_s == pytest.approx(at_s[-1])
    assert found.peak_core_c.low < found.peak_core_c.value < found.peak_core_c.high


# Bad input


def test_a_check_within_the_blink_of_a_reading_leaves_no_hole() -> None:
    checks = [Anchor(1e-308, -12.0), Anchor(300 + 1e-9, -11.0)]
    bounds = follow_bounds(LEAN, CARTON, an_hour(), checks=checks)
    for history in three(bounds):
        assert np.isfinite(history.core_c).all() and np.isfinite(history.surface_c).all()


@pytest.mark.parametrize(
    ("at_s", "air_c", "says"),
    [
        ([], [], "at_s must hold at least one"),
        ([0, 0], [-20, -20], "at_s must ascend"),
        ([[0], [300]], [[-20], [-20]], "at_s must hold"),
        ([0, 300], [-20], "air_c must have one value"),
        ([0, 300], [-20, float("nan")], "air_c must be finite"),
        ([0, 300], [-20, 200], "air_c must lie between -90 and 90"),
        ([0, float("inf")], [-20, -20], "at_s must be finite"),
    ],
)
def test_broken_readings_are_refused_by_name(
    at_s: list[float], air_c: list[float], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        air_series(at_s, air_c)


@pytest.mark.parametrize(
    "window", [{"begin_s": 1.0}, {"end_s": 299.0}, {"end_s": float("nan")}, {"end_s": float("inf")}]
)
def test_a_time_that_leaves_readings_out_or_never_ends_is_refused(window: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="begin_s and end_s must be finite"):
        air_series([0, 300], [-20, -20], **window)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "field",
    ["interval_s", "straight_intervals", "limit_s", "ambient_c", "warm_up_s", "pull_down_k_per_s"],
)
@pytest.mark.parametrize("value", [float("nan"), -1e9, 1e9])
def test_an_impossible_gap_rule_is_refused_by_name(field: str, value: float) -> None:
    with pytest.raises(ValueError, match=f"{field} must"):
        replace(RULE, **{field: value})


def an_hour() -> AirSeries:
    return air_series(np.arange(13) * STEP, np.full(13, -20.0))


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"low_c": np.full(13, -10.0)}, "in this order"),
        ({"high_c": np.full(12, -10.0)}, "high_c must have one value"),
        ({"central_c": np.full(13, np.nan)}, "central_c must be finite"),
        ({"unknown": np.zeros(13, dtype=bool)}, "unknown must have one"),
        ({"at_s": np.zeros(13)}, "at_s must ascend"),
    ],
)
def test_broken_lines_of_air_are_refused(changed: dict[str, Array], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        replace(an_hour(), **changed)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="instants_s must"):
        an_hour().with_points([-1.0])


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"coefficient_w_m2k": Estimate(5, 0.1, 6)}, "coefficient_w_m2k must lie"),
        ({"start_c": Estimate(-60, -60, -50)}, "start_c must lie"),
        ({"check_error_k": -1.0}, "check_error_k must lie"),
        ({"check_error_k": float("nan")}, "check_error_k must be finite"),
        ({"checks": [Anchor(0, -70.0)]}, "core_c of checks must lie"),
        ({"checks": [Anchor(9e9, -7.0)]}, "instants_s must lie"),
        ({"octant_from_c": float("nan")}, "octant_from_c must be finite"),
        ({"event_s": (-5.0, 100.0)}, "event_s must lie"),
        ({"event_s": (300.0, 0.0)}, "event_s must not end"),
    ],
)
def test_an_impossible_question_is_refused_by_name(wrong: dict[str, object], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        follow_bounds(LEAN, CARTON, an_hour(), **wrong)  # type: ignore[arg-type]


def test_impossible_limits_and_spreads_are_refused_by_name() -> None:
    bounds = follow_bounds(LEAN, CARTON, an_hour())
    with pytest.raises(ValueError, match="life_ln_sd must lie"):
        assess(LEAN, bounds, KNOTS, life_ln_sd=-0.1)
    with pytest.raises(ValueError, match="mean_limits_c"):
        assess(LEAN, bounds, KNOTS, mean_limits_c=[float("nan")])
    with pytest.raises(ValueError, match="limits must"):
        Limits(hold_c=float("nan"))
    with pytest.raises(ValueError, match="peak_core_c"):
        suggest(float("nan"), -5.0)
    with pytest.raises(ValueError, match="kept_warmer"):
        Anchor(0, -5.0, kept_warmer=2.0)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"mass_kg": 0.0}, "mass_kg must"),
        ({"surface_w_k": float("nan")}, "surface_w_k must"),
        ({"conductance_w_k": Estimate(1, 0, 2)}, "conductance_w_k must"),
        ({"ambient_c": 80.0}, "ambient_c must"),
        ({"start_c": 25.0}, "start_c must"),
        ({"power_w": -1.0}, "power_w must"),
        ({"at_s": []}, "at_s must"),
        ({"at_s": [0.0, 0.0]}, "at_s must"),
    ],
)
def test_an_impossible_cabinet_is_refused_by_name(wrong: dict[str, object], says: str) -> None:
    known: dict[str, object] = {
        "mass_kg": 200.0,
        "surface_w_k": 60.0,
        "conductance_w_k": Estimate(2.5, 2, 3),
        "ambient_c": 20.0,
        "at_s": [0.0, 3600.0],
        "start_c": -18.0,
    }
    with pytest.raises(ValueError, match=says):
        cabinet_series(LEAN, **{**known, **wrong})  # type: ignore[arg-type]


def test_a_conductance_is_not_fitted_to_nothing() -> None:
    with pytest.raises(ValueError, match="nothing to fit"):
        fitted_conductance_w_k(LEAN, 200, -18, -17.8, [0, 3600], [-17, -17], 25)
    with pytest.raises(ValueError, match="ambient_c must be warmer"):
        fitted_conductance_w_k(LEAN, 200, -18, -15, [0, 3600], [-17, -17], -20)
    with pytest.raises(ValueError, match="at_s must ascend"):
        fitted_conductance_w_k(LEAN, 200, -18, -15, [0], [-17], 25)
    with pytest.raises(ValueError, match="guess_w_k must"):
        unfitted_conductance_w_k(0)
    with pytest.raises(ValueError, match="power_w must"):
        cabinet_air_c(2.5, 20, float("nan"), [6.0], [-20.0])
