"""Storage life and spoilage against published tables and worked figures.

Tables: Torry tasting panels (Reay, Banks & Cutting 1950), read; recommendations
for frozen foods of the International Institute of Refrigeration, from memory
(medium). Rule of summed shares: Van Arsdel; IIR, from memory (high). The figures
of the worked histories are our own arithmetic from those tables, redone by hand.
"""

from functools import partial

import numpy as np
import pytest
from scipy.optimize import brentq

from service.catalogue.rules import ICE_LIFE_D, life_profile
from service.science.exposure import RateTable
from service.science.storage_life import (
    DAYS_PER_MONTH,
    LifeProfile,
    days_left,
    life_rate_per_day,
    life_used,
    practical_storage_life_d,
    relative_spoilage_rate,
)

LEAN = life_profile("lean", ICE_LIFE_D["lean"])
FATTY = life_profile("fatty", ICE_LIFE_D["fatty"])
HERRING = life_profile("torry_herring_gutted", ICE_LIFE_D["fatty"])
WHITE = life_profile("torry_white_gutted", ICE_LIFE_D["lean"])
HALF_A_YEAR_AND_MORE = [(60, -25), (7, -18), (120, -22), (2, -8), (90, -20)]


def months(profile: LifeProfile, at_c: float) -> float:
    return float(practical_storage_life_d(profile, at_c)) / DAYS_PER_MONTH


@pytest.mark.parametrize(
    ("profile", "at_c", "expected"),
    [
        # Torry tasting panels, time until no longer "good" [read]
        (WHITE, -9, 1),
        (WHITE, -21, 4),
        (WHITE, -29, 8),
        (HERRING, -9, 1),
        (HERRING, -21, 3),
        (HERRING, -29, 6),
        # IIR recommendations [memory, medium]; lean at -24 is our interpolation of "> 12"
        (LEAN, -12, 4),
        (LEAN, -18, 9),
        (LEAN, -24, 15),
        (LEAN, -30, 24),
        (FATTY, -12, 3),
        (FATTY, -18, 5),
        (FATTY, -24, 9),
        (FATTY, -30, 12),
    ],
)
def test_storage_life_at_a_published_temperature_is_the_published_figure(
    profile: LifeProfile, at_c: float, expected: float
) -> None:
    assert months(profile, at_c) == pytest.approx(expected, rel=1e-12)


def test_herring_between_two_knots_of_the_torry_table_keeps_their_geometric_mean() -> None:
    # -25 °C lies halfway between -29 (6 months) and -21 (3 months): sqrt(6 × 3)
    assert months(HERRING, -25) == pytest.approx(18**0.5, rel=1e-12)
    assert months(HERRING, -25) == pytest.approx(4.2426, abs=1e-4)


def test_life_between_the_knots_of_the_default_tables() -> None:
    assert float(practical_storage_life_d(LEAN, -21)) == pytest.approx(353.652, abs=0.01)
    assert float(practical_storage_life_d(FATTY, -15)) == pytest.approx(117.884, abs=0.01)


def test_torry_herring_through_three_stores_uses_three_quarters_of_its_life() -> None:
    # 60/(6 months) + 30/(3 months) + 3/(1 month), month = 30.4375 d
    used = life_used(HERRING, [(60, -29), (30, -21), (3, -9)])
    assert used == pytest.approx((60 / 6 + 30 / 3 + 3 / 1) / DAYS_PER_MONTH, rel=1e-9)
    assert used == pytest.approx(0.755647, abs=1e-5)
    assert days_left(HERRING, used, -29) == pytest.approx(44.6, abs=0.05)
    assert days_left(HERRING, used, -21) == pytest.approx(22.3, abs=0.05)


@pytest.mark.parametrize(
    ("profile", "percent"), [(FATTY, 130.458), (LEAN, 76.4002)], ids=["fatty", "lean"]
)
def test_a_history_of_five_stores_uses_the_worked_share_of_life(
    profile: LifeProfile, percent: float
) -> None:
    assert 100 * life_used(profile, HALF_A_YEAR_AND_MORE) == pytest.approx(percent, abs=0.01)


def test_life_left_is_a_share_of_the_life_where_the_fish_goes_next_and_not_a_difference() -> None:
    # used 6/12 + 2/6 + 1/22; at a store with 12 months it keeps 1.455 months, not 12 - 9
    ladder = LifeProfile("ladder", (-30.0, -20.0, -10.0), (22.0, 12.0, 6.0), 8.0)
    used = life_used(
        ladder,
        [(6 * DAYS_PER_MONTH, -20), (2 * DAYS_PER_MONTH, -10.0001), (DAYS_PER_MONTH, -30)],
    )
    left = days_left(ladder, used, -20.0) / DAYS_PER_MONTH
    assert left == pytest.approx(12 * (1 - (6 / 12 + 2 / 6 + 1 / 22)), abs=1e-3)
    assert left == pytest.approx(1.455, abs=1e-3)


def test_a_day_of_warming_uses_the_logarithmic_mean_of_the_rates() -> None:
    lean = RateTable(partial(life_rate_per_day, LEAN))
    fatty = RateTable(partial(life_rate_per_day, FATTY))
    # one knot interval: (r1 - r0) / ln(r1 / r0)
    r0, r1 = (float(1 / practical_storage_life_d(LEAN, t)) for t in (-18, -12))
    assert float(lean.mean(-18, -12)) == pytest.approx((r1 - r0) / np.log(r1 / r0), rel=1e-7)
    assert 100 * float(lean.mean(-18, -12)) == pytest.approx(0.562698, abs=1e-5)
    # two knot intervals, split at -18
    assert 100 * float(fatty.mean(-24, -12)) == pytest.approx(0.67719, abs=1e-4)


@pytest.mark.parametrize(
    ("profile", "crossing_c"), [(LEAN, -4.942), (FATTY, -6.213)], ids=["lean", "fatty"]
)
def test_bacteria_overtake_rancidity_at_the_worked_temperature(
    profile: LifeProfile, crossing_c: float
) -> None:
    def lead(at_c: float) -> float:
        frozen = float(1 / practical_storage_life_d(profile, at_c))
        return float(life_rate_per_day(profile, at_c)) / frozen - 1 - 1e-9

    assert lead(crossing_c - 0.01) < 0 < lead(crossing_c + 0.01)
    assert brentq(lead, crossing_c - 0.01, crossing_c + 0.01) == pytest.approx(
        crossing_c, abs=0.005
    )


@pytest.mark.parametrize(
    ("at_c", "rate"),
    # square-root model of chilled fish, (1 + 0.1 T)²: Olley & Ratkowsky 1973;
    # FAO Fisheries Technical Paper 348 [memory, high]
    [(-5, 0.25), (0, 1.0), (4, 1.96), (5, 2.25), (10, 4.0), (15, 6.25)],
)
def test_thawed_fish_spoils_as_many_times_faster_than_on_ice_as_the_model_says(
    at_c: float, rate: float
) -> None:
    assert float(relative_spoilage_rate(at_c)) == pytest.approx(rate, rel=1e-9)


@pytest.mark.parametrize(("at_c", "rate"), [(20, 11.02), (25, 20.1)])
def test_above_15_c_the_faster_tropical_form_counts(at_c: float, rate: float) -> None:
    # exp(0.12 T) [memory, medium]
    assert float(relative_spoilage_rate(at_c)) == pytest.approx(rate, rel=1e-3)


def test_days_on_ice_of_a_warming_day_and_of_three_stages() -> None:
    spoilage = RateTable(relative_spoilage_rate)
    # the ramp by hand: 1 + 0.1 (0 + 10) + 0.01 (0 + 0 + 100) / 3
    assert float(spoilage.mean(0, 10)) == pytest.approx(2 + 1 / 3, abs=1e-5)
    stages = [(6, 4.0), (2, 15.0), (12, 1.0)]
    ice_days = sum(hours / 24 * float(spoilage.at(at_c)) for hours, at_c in stages)
    assert ice_days == pytest.approx(1.61583, abs=1e-5)
