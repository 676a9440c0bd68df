"""Amounts, bounds, seasons and feeds: laws that hold for any diet."""

from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.diets.rules import AmountBy, AmountsFor
from service.diets.rules.amounts import Eaters, Line, Prescription, day_grams, mixed, shared
from service.diets.rules.season import season_factor, season_mean
from service.diets.rules.substituting import swapped

KCAL = {"HER": 1580.0, "CAP": 912.0, "SQI": 692.0}
shares = st.lists(st.integers(min_value=1, max_value=100), min_size=1, max_size=8)
months = st.lists(st.floats(min_value=0, max_value=5), min_size=12, max_size=12)


@given(grams=st.integers(min_value=0, max_value=10**7), parts=shares)
def test_shares_add_up_and_are_right_to_a_gram(grams: int, parts: list[int]) -> None:
    fractions = [part / sum(parts) for part in parts]
    found = shared(grams, fractions)
    assert sum(found) == grams
    assert all(abs(g - grams * f) < 1 + 1e-3 for g, f in zip(found, fractions, strict=True))


@given(months=months, day=st.integers(min_value=0, max_value=730))
def test_a_season_has_no_jumps_and_leaves_its_months_nowhere_behind(
    months: list[float], day: int
) -> None:
    on = date(2027, 6, 1) + timedelta(days=day)  # over a leap year
    today, tomorrow = (season_factor(months, on + timedelta(days=n)) for n in (0, 1))
    assert min(months) - 1e-9 <= today <= max(months) + 1e-9
    # Mid-months lie at least 28 days apart.
    assert abs(tomorrow - today) <= 2 * (max(months) - min(months)) / 28 + 1e-9


@given(months=months)
def test_a_season_is_what_numpy_interpolates_round_the_year(months: list[float]) -> None:
    starts = [(date(2026, m, 1) - date(2026, 1, 1)).days for m in range(1, 13)] + [365]
    middles = [(a + b) / 2 for a, b in pairwise(starts)]
    noons = np.arange(365) + 0.5
    expected = np.interp(noons, middles, months, period=365)
    found = [season_factor(months, date(2026, 1, 1) + timedelta(days=n)) for n in range(365)]
    assert found == pytest.approx(list(expected), abs=1e-9)
    assert season_mean(months) == pytest.approx(float(expected.mean()), abs=1e-6)


@given(
    kcal=st.floats(min_value=200, max_value=50_000),
    parts=st.lists(st.integers(min_value=1, max_value=9), min_size=3, max_size=3),
    heads=st.integers(min_value=1, max_value=50),
)
def test_a_ration_carries_the_energy_that_was_ordered(
    kcal: float, parts: list[int], heads: int
) -> None:
    lines = [
        Line(species, AmountBy.SHARE, part / sum(parts))
        for species, part in zip(KCAL, parts, strict=True)
    ]
    diet = Prescription(lines, AmountsFor.ANIMAL, AmountBy.ENERGY, kcal)
    grams = day_grams(diet, Eaters(heads), factor=1.0, kcal_per_kg=KCAL)
    # To half a gram of each species.
    carried = sum(g / 1000 * KCAL[s] for s, g in grams.items())
    assert carried == pytest.approx(kcal * heads, abs=3 * 1.6)


@given(
    target=st.floats(min_value=1, max_value=1e5),
    parts=st.lists(st.integers(min_value=1, max_value=9), min_size=2, max_size=5),
    bounds=st.lists(
        st.tuples(st.floats(min_value=0, max_value=1e4), st.floats(min_value=0, max_value=1e4)),
        min_size=5,
        max_size=5,
    ),
)
def test_a_mixture_keeps_its_bounds_and_comes_as_near_as_they_allow(
    target: float, parts: list[int], bounds: list[tuple[float, float]]
) -> None:
    names = [f"S{n}" for n in range(len(parts))]
    least_most = {
        n: (min(pair), min(pair) + max(pair)) for n, pair in zip(names, bounds, strict=False)
    }
    wanted = dict(zip(names, (p / sum(parts) for p in parts), strict=True))
    grams = mixed(target, wanted, dict.fromkeys(names, 1.0), least_most)
    assert all(low <= grams[n] <= high for n, (low, high) in least_most.items())
    within = min(
        max(target, sum(low for low, _ in least_most.values())),
        sum(high for _, high in least_most.values()),
    )
    assert sum(grams.values()) == pytest.approx(within, rel=1e-6, abs=1e-6)


def test_a_bound_is_per_animal() -> None:
    diet = Prescription([Line("HER", AmountBy.MASS, 500, maximum_g=400)])
    assert day_grams(diet, Eaters(7), factor=1.0, kcal_per_kg=KCAL) == {"HER": 2800}
    nobody = day_grams(diet, Eaters(0), factor=1.0, kcal_per_kg=KCAL)
    assert nobody == {"HER": 0}


def test_the_basal_rate_of_a_group_is_the_sum_of_each() -> None:
    diet = Prescription([Line("HER", AmountBy.BASAL, 1)], AmountsFor.GROUP)
    # Kleiber: 2 213.6 kcal for 100 kg and 198.0 for 4 kg; one not weighed counts as their mean.
    grams = day_grams(diet, Eaters(3, (100_000, 4_000)), factor=1.0, kcal_per_kg={"HER": 1000.0})
    assert grams["HER"] == pytest.approx(1.5 * (2213.6 + 198.0), abs=1)


@given(
    feeds=st.lists(st.integers(min_value=0, max_value=5000), min_size=1, max_size=6),
    gives=st.integers(min_value=1, max_value=20_000),
    gets=st.integers(min_value=1, max_value=20_000),
)
def test_a_swap_moves_whole_grams_only(feeds: list[int], gives: int, gets: int) -> None:
    was = [{"HER": grams} for grams in feeds]
    now = swapped(was, "HER", gives, "CAP", gets)
    total = sum(feeds)
    assert sum(feed["HER"] for feed in now) == total - min(gives, total)
    assert all(feed["HER"] >= 0 for feed in now)
    # Where less is left to give up, so much less comes for it.
    came = sum(feed.get("CAP", 0) for feed in now)
    assert came == pytest.approx(gets * min(1, total / gives), abs=0.5)
