"""Storage life and spoilage against published tables and worked figures.

Tables: Torry tasting panels (Reay, Banks & Cutting 1950), read; recommendations
for frozen foods of the International Institute of Refrigeration, from memory
(medium). Rule of summed shares: Van Arsdel; IIR, from memory (high). The figures
of the worked histories are our own arithmetic from those tables, redone by hand.
"""

from functools import partial

import numpy as np
import pytest

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


def test_torry_herring_through_three_stores_uses_three_quarters_of_its_life() -> None:
    # 60/(6 months) + 30/(3 months) + 3/(1 month), month = 30.4375 d
    used = life_used(HERRING, [(60, -29), (30, -21), (3, -9)])
    assert used == pytest.approx((60 / 6 + 30 / 3 + 3 / 1) / DAYS_PER_MONTH, rel=1e-9)
    assert days_left(HERRING, used, -29) == pytest.approx(44.6, abs=0.05)
    assert days_left(HERRING, used, -21) == pytest.approx(22.3, abs=0.05)


def test_life_left_is_a_share_of_the_life_where_the_fish_goes_next_and_not_a_difference() -> None:
    # used 6/12 + 2/6 + 1/22; at a store with 12 months it keeps 1.455 months, not 12 - 9
    ladder = LifeProfile("ladder", (-30.0, -20.0, -10.0), (22.0, 12.0, 6.0), 8.0)
    used = life_used(
        ladder,
        [(6 * DAYS_PER_MONTH, -20), (2 * DAYS_PER_MONTH, -10.0001), (DAYS_PER_MONTH, -30)],
    )
    left = days_left(ladder, used, -20.0) / DAYS_PER_MONTH
    assert left == pytest.approx(12 * (1 - (6 / 12 + 2 / 6 + 1 / 22)), abs=1e-3)


def test_a_day_of_warming_uses_the_logarithmic_mean_of_the_rates() -> None:
    lean = RateTable(partial(life_rate_per_day, LEAN))
    # one knot interval: (r1 - r0) / ln(r1 / r0)
    r0, r1 = (float(1 / practical_storage_life_d(LEAN, t)) for t in (-18, -12))
    assert float(lean.mean(-18, -12)) == pytest.approx((r1 - r0) / np.log(r1 / r0), rel=1e-7)


@pytest.mark.parametrize(
    ("at_c", "rate"),
    # square-root model of chilled fish, (1 + 0.1 T)²: Olley & Ratkowsky 1973;
    # FAO Fisheries Technical Paper 348 [memory, high]
    [(-5, 0.25), (0, 1.0), (4, 1.96), (15, 6.25)],
)
def test_thawed_fish_spoils_as_many_times_faster_than_on_ice_as_the_model_says(
    at_c: float, rate: float
) -> None:
    assert float(relative_spoilage_rate(at_c)) == pytest.approx(rate, rel=1e-9)


@pytest.mark.parametrize(("at_c", "rate"), [(20, 11.02), (25, 20.1)])
def test_above_15_c_the_faster_tropical_form_counts(at_c: float, rate: float) -> None:
    # exp(0.12 T) [memory, medium]
    assert float(relative_spoilage_rate(at_c)) == pytest.approx(rate, rel=1e-3)
