"""What a core measured by hand does to the range, before it and after it."""

from functools import lru_cache

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from service.assessments.rules.bodies import CORNER, packing_of
from service.assessments.rules.narrowing import bounds_with_checks, of_looks
from service.science.assessment import CHECK_ERROR_K, Bounds
from service.science.estimate import Estimate
from service.science.gaps import AirSeries, air_series
from service.science.outage import Anchor
from service.science.properties import GROUPS
from tests.assessments.words import a_night

CARTON = packing_of(
    "block", 10_000, {"block": {"length_mm": 500, "width_mm": 250, "thickness_mm": 100}}, "fatty"
).carton
START = Estimate(-22.0, -22.5, -21.5, "°C")


def followed(air: AirSeries, *checks: Anchor) -> Bounds:
    return bounds_with_checks(
        GROUPS["fatty"],
        CARTON,
        air,
        CORNER,
        start_c=START,
        checks=checks,
        event_s=(float(air.at_s[0]), float(air.at_s[-1])),
    )


@lru_cache(maxsize=64)
def alone(warm_c: float, hours: float) -> Bounds:
    return followed(a_night(warm_c, hours))


def width(bounds: Bounds) -> float:
    return bounds.high.peak_core_c - bounds.low.peak_core_c


@settings(max_examples=12)
@given(st.sampled_from((-10.0, -6.0)), st.floats(0.05, 0.95), st.floats(1.0, 7.5))
def test_a_check_within_the_range_never_widens_it(warm_c: float, share: float, hour: float) -> None:
    before = alone(warm_c, 8.0)
    low, high = (float(np.interp(hour * 3600, h.at_s, h.core_c)) for h in (before.low, before.high))
    after = followed(a_night(warm_c, 8.0), Anchor(hour * 3600, low + share * (high - low)))
    assert after.high.peak_core_c <= before.high.peak_core_c + 1e-9
    assert after.low.peak_core_c >= before.low.peak_core_c - 1e-9
    assert width(after) <= width(before) + 1e-9
    for line in ("core_c", "surface_c", "mean_c"):
        lows, middles, highs = (getattr(h, line) for h in (after.low, after.central, after.high))
        assert (lows <= middles + 1e-9).all() and (middles <= highs + 1e-9).all()


def test_fish_measured_cold_while_it_warms_was_no_warmer_before() -> None:
    """In warmer air a core only rises: what it is now it was never above."""
    night = a_night(-6.0, 8.0)
    after = followed(night, Anchor(8.95 * 3600, -14.0))
    assert alone(-6.0, 8.0).high.peak_core_c > -9.0
    assert after.high.peak_core_c <= -14.0 + CHECK_ERROR_K + 0.5
    assert any("had not foreseen" in step for step in after.steps)


def test_a_core_measured_after_fish_is_hard_again_says_little_of_before() -> None:
    long_after = followed(a_night(-6.0, 8.0, until=40.0), Anchor(39 * 3600, -21.9))
    before = followed(a_night(-6.0, 8.0, until=40.0))
    assert long_after.high.peak_core_c > before.high.peak_core_c - 0.5


def test_a_core_warmer_than_the_model_knew_raises_the_range() -> None:
    after = followed(a_night(-10.0, 8.0), Anchor(6 * 3600, -5.0))
    assert after.high.peak_core_c >= -5.0


def test_one_cold_carton_does_not_speak_for_a_warmer_one_beside_it() -> None:
    both = [Anchor(6 * 3600, -14.0), Anchor(6 * 3600 + 300, -11.0), Anchor(6 * 3600 + 600, -15.0)]
    assert [look.core_c for look in of_looks(both)] == [-11.0]
    assert followed(a_night(-8.0, 8.0), *both).high.peak_core_c >= -11.0


@settings(max_examples=12)
@given(
    st.sampled_from((-16.0, -12.0, -8.0, -4.0)), st.floats(0.1, 6.0), st.sampled_from((4.0, 8.0))
)
def test_warmer_air_never_gives_a_lower_warm_bound(
    warm_c: float, more_k: float, hours: float
) -> None:
    warmer = followed(a_night(warm_c + more_k, hours))
    assert warmer.high.peak_core_c >= alone(warm_c, hours).high.peak_core_c - 1e-6


def test_a_gap_never_helps() -> None:
    at_s = np.arange(0, 12 * 3600 + 1, 300.0)
    cold = np.full(at_s.size, -21.0)
    kept = (at_s < 3600) | (at_s > 7 * 3600)
    gap = followed(air_series(at_s[kept], cold[kept]))
    assert gap.high.peak_core_c > followed(air_series(at_s, cold)).high.peak_core_c + 1.0


def test_fish_that_may_have_thawed_and_frozen_again_unseen_is_not_cleared_by_a_cold_core() -> None:
    """A day without readings: warm for half of it, cold again for the rest, and hard at the end."""
    at_s = np.arange(0, 26 * 3600 + 1, 300.0)
    kept = (at_s < 3600) | (at_s > 25 * 3600)
    silent = air_series(at_s[kept], np.full(int(kept.sum()), -22.0))
    after = followed(silent, Anchor(25.5 * 3600, -21.0))
    assert after.high.peak_core_c > -12.0


def test_a_short_silence_is_cleared_by_a_cold_core_further_than_by_nothing() -> None:
    at_s = np.arange(0, 8 * 3600 + 1, 300.0)
    kept = (at_s < 3600) | (at_s > 7.9 * 3600)
    silent = air_series(at_s[kept], np.full(int(kept.sum()), -22.0))
    unmeasured, measured = followed(silent), followed(silent, Anchor(7.8 * 3600, -21.4))
    assert measured.high.peak_core_c < unmeasured.high.peak_core_c - 2.0
