"""Laws of storage life that hold for every table and every history."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.rules import life_profiles
from service.science.storage_life import (
    LifeProfile,
    days_left,
    life_rate_per_day,
    life_used,
    practical_storage_life_d,
    relative_spoilage_rate,
)

profiles = st.sampled_from(life_profiles())
degrees = st.floats(-60, 30)
stays = st.tuples(st.floats(0, 200), degrees)
histories = st.lists(stays, max_size=12)


@given(profiles, histories, st.integers(0, 12), st.floats(0, 1))
def test_life_used_is_the_same_however_a_history_is_split(
    profile: LifeProfile, history: list[tuple[float, float]], at: int, share: float
) -> None:
    whole = life_used(profile, history)
    first, second = history[:at], history[at:]
    assert life_used(profile, first) + life_used(profile, second) == pytest.approx(whole, rel=1e-9)
    halves = [part for days, c in history for part in ((days * share, c), (days * (1 - share), c))]
    assert life_used(profile, halves) == pytest.approx(whole, rel=1e-9)


@given(profiles, histories)
def test_the_order_of_stays_does_not_matter(
    profile: LifeProfile, history: list[tuple[float, float]]
) -> None:
    assert life_used(profile, history[::-1]) == pytest.approx(life_used(profile, history), rel=1e-9)


@given(profiles, histories, st.data())
def test_a_warmer_history_never_leaves_more_life(
    profile: LifeProfile, history: list[tuple[float, float]], data: st.DataObject
) -> None:
    warmer = [(days, c + data.draw(st.floats(0, 20))) for days, c in history]
    used, used_warmer = life_used(profile, history), life_used(profile, warmer)
    assert used_warmer >= used * (1 - 1e-12)
    assert days_left(profile, used_warmer, -20.0) <= days_left(profile, used, -20.0) + 1e-9


@given(profiles, st.lists(degrees, min_size=2, max_size=2).map(sorted))
def test_no_fish_keeps_longer_or_spoils_slower_where_it_is_warmer(
    profile: LifeProfile, pair: list[float]
) -> None:
    cold, warm = pair
    assert life_rate_per_day(profile, warm) >= life_rate_per_day(profile, cold) * (1 - 1e-12)
    assert practical_storage_life_d(profile, warm) <= practical_storage_life_d(profile, cold) * (
        1 + 1e-12
    )
    assert relative_spoilage_rate(warm) >= relative_spoilage_rate(cold)


@given(profiles, st.floats(-39, 29), st.floats(1e-6, 1e-3))
def test_the_rate_has_no_jumps(profile: LifeProfile, at_c: float, step: float) -> None:
    here, there = (float(life_rate_per_day(profile, c)) for c in (at_c, at_c + step))
    assert there - here <= 2.0 * step * max(here, there)


@given(profiles, st.floats(-300, -40))
def test_colder_than_minus_40_nothing_is_gained(profile: LifeProfile, at_c: float) -> None:
    assert practical_storage_life_d(profile, at_c) == practical_storage_life_d(profile, -40.0)


@given(profiles, st.floats(1, 5))
def test_fish_past_its_life_has_no_days_left(profile: LifeProfile, used: float) -> None:
    assert days_left(profile, used, -25.0) == 0


@given(profiles, st.floats(-40, -12), st.floats(0, 1))
def test_kept_for_the_days_it_has_left_fish_is_just_used_up(
    profile: LifeProfile, at_c: float, used: float
) -> None:
    left = days_left(profile, used, at_c)
    assert used + life_used(profile, [(left, at_c)]) == pytest.approx(1, abs=1e-9)


def test_days_in_the_past_and_broken_temperatures_are_refused() -> None:
    profile = life_profiles()[0]
    with pytest.raises(ValueError, match="negative"):
        life_used(profile, [(-1, -20)])
    with pytest.raises(ValueError, match="finite"):
        life_used(profile, [(1, float("nan"))])
    with pytest.raises(ValueError, match="finite"):
        practical_storage_life_d(profile, float("inf"))


@pytest.mark.parametrize(
    ("knots", "months", "ice_life", "message"),
    [
        ((-20.0,), (6.0,), 8.0, "two knots"),
        ((-20.0, -10.0), (6.0,), 8.0, "two knots"),
        ((-10.0, -20.0), (6.0, 3.0), 8.0, "ascend"),
        ((-20.0, -20.0), (6.0, 3.0), 8.0, "ascend"),
        ((-20.0, -10.0), (6.0, 0.0), 8.0, "more than zero"),
        ((-20.0, -10.0), (6.0, 3.0), 0.0, "more than zero"),
    ],
)
def test_a_table_that_cannot_be_read_is_refused(
    knots: tuple[float, ...], months: tuple[float, ...], ice_life: float, message: str
) -> None:
    with pytest.raises(ValueError, match=message):
        LifeProfile("broken", knots, months, ice_life)
