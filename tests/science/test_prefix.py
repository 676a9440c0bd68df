"""Running sums over hours: what a stay used, in two look-ups."""

import numpy as np
import pytest

from service.science.arrays import Array, Indices
from service.science.exposure import (
    HOUR_S,
    RateTable,
    between,
    hour_rollups,
    prefix_sums,
)
from service.science.kinetics import arrhenius_factor
from service.science.storage_life import LifeProfile, life_rate_per_day

TORRY_HERRING = LifeProfile("herring", (-29, -21, -9), (6, 3, 1), 8)  # FAO/Torry, science 4.1
RATES = [
    RateTable(lambda t: life_rate_per_day(TORRY_HERRING, t)),
    RateTable(arrhenius_factor),
]
BEGIN_S = 1_800_000_000 // HOUR_S * HOUR_S


def a_freezer(days: int, every_s: int = 300) -> tuple[Indices, Array]:
    """Instants and air of a freezer that defrosts, from a fixed source of chance."""
    rng = np.random.default_rng(11)
    at: Indices = BEGIN_S + np.arange(days * 86_400 // every_s + 1, dtype=np.int64) * every_s
    defrost = np.where(at % 21_600 < 1200, 6.0, 0.0)
    return at, -22.0 + defrost + rng.normal(0, 0.4, at.size)


def directly(at: Indices, air: Array, begin: float, end: float, rate: RateTable) -> float:
    """The integral of a rate along the straight lines between readings, from begin to end."""
    inside = at[(at > begin) & (at < end)]
    ends = np.concatenate(([begin], inside, [end]))
    line = np.interp(ends, at, air)
    return float((np.diff(ends) * rate.mean(line[:-1], line[1:])).sum())


def test_a_stay_of_whole_hours_costs_what_direct_integration_says() -> None:
    at, air = a_freezer(days=20)
    rolled = hour_rollups(np.zeros(at.size, int), at, air, gap_s=3600, rates=RATES)
    prefix = prefix_sums(rolled.hour_s, rolled.integrals)
    rng = np.random.default_rng(5)
    for _ in range(40):
        first, last = sorted(rng.choice(20 * 24, 2, replace=False) * HOUR_S + BEGIN_S)
        expected = [directly(at, air, first, last, rate) for rate in RATES]
        assert between(prefix, first, last) == pytest.approx(expected, rel=1e-11)


def test_inside_an_hour_a_stay_is_off_by_no_more_than_the_edge_hours_hold() -> None:
    at, air = a_freezer(days=5)
    rolled = hour_rollups(np.zeros(at.size, int), at, air, gap_s=3600, rates=RATES)
    prefix = prefix_sums(rolled.hour_s, rolled.integrals)
    begin, end = BEGIN_S + 5000, BEGIN_S + 3 * 86_400 + 777
    expected = np.array([directly(at, air, begin, end, rate) for rate in RATES])
    edges = rolled.integrals[[1, 3 * 24]].sum(axis=0)
    off = np.abs(between(prefix, begin, end) - expected)
    assert (off > 0).all()  # the edge hours are not even
    assert (off < 0.2 * edges).all()


def test_the_parts_of_a_stay_add_up_to_the_whole_to_the_last_bit() -> None:
    rng = np.random.default_rng(2)
    for rate in (1e-9, 1.0, 7.7e8):
        prefix = prefix_sums(np.arange(9000) * HOUR_S, rng.uniform(0, rate, (9000, 2)))
        cuts = np.sort(rng.uniform(-1e6, 9100 * HOUR_S, (500, 7)), axis=1)
        parts = [between(prefix, cuts[:, i], cuts[:, i + 1]) for i in range(6)]
        together = parts[0]
        for part in parts[1:]:
            together = together + part
        assert (together == between(prefix, cuts[:, 0], cuts[:, -1])).all()


def test_an_hour_that_nobody_measured_counts_nothing_and_shows_in_the_covered_time() -> None:
    hours = np.array([0, 1, 4]) * HOUR_S
    prefix = prefix_sums(hours, np.stack([[5.0, 5.0, 5.0], [3600.0, 3600.0, 1800.0]], axis=1))
    assert between(prefix, 0, 5 * HOUR_S).tolist() == [15.0, 9000.0]
    assert between(prefix, 2 * HOUR_S, 4 * HOUR_S).tolist() == [0.0, 0.0]


def test_before_the_first_hour_and_after_the_last_nothing_is_counted() -> None:
    prefix = prefix_sums([7200], [8.0])
    assert between(prefix, [0, 0, 9000, 11_000], [7200, 1e9, 10_800, 1e9])[:, 0].tolist() == [
        0.0,
        8.0,
        4.0,
        0.0,
    ]


def test_a_longer_stay_never_uses_less() -> None:
    rng = np.random.default_rng(8)
    prefix = prefix_sums(np.arange(200) * HOUR_S, rng.exponential(3.0, 200))
    ends = np.sort(rng.uniform(0, 210 * HOUR_S, 4000))
    assert (np.diff(between(prefix, 0, ends)[:, 0]) >= 0).all()


@pytest.mark.parametrize(
    ("hours", "integrals", "named"),
    [
        ([], [], "hour_s"),
        ([1800], [1.0], "whole hours"),
        ([3600, 3600], [1.0, 1.0], "ascend"),
        ([7200, 3600], [1.0, 1.0], "ascend"),
        ([0, 3600], [1.0], "integrals"),
        ([0], [float("nan")], "integrals"),
        ([float("inf")], [1.0], "hour_s"),
        ([0], 1.0, "integrals"),
    ],
)
def test_hours_that_are_none_are_refused_by_name(
    hours: list[float], integrals: list[float], named: str
) -> None:
    with pytest.raises(ValueError, match=named):
        prefix_sums(hours, integrals)


@pytest.mark.parametrize(("begin", "end"), [(2.0, 1.0), (0.0, float("nan"))])
def test_a_stay_that_ends_before_it_begins_is_refused(begin: float, end: float) -> None:
    with pytest.raises(ValueError, match="end_s"):
        between(prefix_sums([0], [1.0]), begin, end)
