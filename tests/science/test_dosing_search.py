"""Ladders, trying at once and branches are three ways to one answer."""

from collections.abc import Iterator
from math import inf
from unittest.mock import patch

import numpy as np
import pytest

from service.science import dose_search as dosing
from service.science.dosing import Need, Offer, choose_pieces

NUTRIENTS = ("THIA", "VITE", "VITA", "VITD", "RIBF")
TABLETS = {
    "B1-250": {"THIA": 250.0},
    "B1-100": {"THIA": 100.0},
    "E-400": {"VITE": 400.0},
    "MULTI": {"THIA": 50.0, "VITE": 200.0, "VITA": 2500.0, "VITD": 250.0, "RIBF": 20.0},
    "A-D": {"VITA": 1000.0, "VITD": 100.0},
}
HALVES = [Offer(name, {n: a / 2 for n, a in has.items()}, 2) for name, has in TABLETS.items()]


@pytest.fixture(autouse=True)
def nothing_remembered() -> Iterator[None]:
    """What is kept between questions is made for one setting of the rows."""
    dosing.shelf_of.cache_clear()
    yield
    dosing.shelf_of.cache_clear()


def needs_of(kg: float) -> list[Need]:
    """Per kilogram of fish: 25 mg thiamine and 100 IU vitamin E (science reference 8)."""
    return [
        Need("THIA", 25 * kg, 50 * kg),
        Need("VITE", 100 * kg, 250 * kg),
        Need("VITA", 300 * kg, 1500 * kg),
        Need("VITD", 30 * kg),
        Need("RIBF", 2 * kg),
    ]


@pytest.mark.parametrize("rows", [1, 20, 400])
def test_trying_all_at_once_and_by_branches_choose_the_same_pieces(rows: int) -> None:
    for kg in (0.3, 1.0, 2.5, 4.2):
        usual = choose_pieces(needs_of(kg), HALVES)
        dosing.shelf_of.cache_clear()
        with patch.object(dosing, "MOST_ROWS", rows):
            assert choose_pieces(needs_of(kg), HALVES) == usual
        dosing.shelf_of.cache_clear()


@pytest.mark.parametrize("rows", [1, 30])
def test_it_does_so_for_cupboards_of_any_kind(rows: int) -> None:
    rng = np.random.default_rng(rows)
    for _ in range(40):
        offers = [
            Offer(
                f"P{i}",
                {
                    str(n): float(rng.integers(3, 12))
                    for n in rng.choice(NUTRIENTS, int(rng.integers(1, 4)), replace=False)
                },
                int(rng.integers(1, 3)),
            )
            for i in range(4)
        ]
        needs = [
            Need(n, float(rng.integers(0, 40)), float(rng.choice([inf, 30.0, 60.0])))
            for n in NUTRIENTS[:4]
        ]
        usual = choose_pieces(needs, offers)
        dosing.shelf_of.cache_clear()
        with patch.object(dosing, "MOST_ROWS", rows):
            again = choose_pieces(needs, offers)
        dosing.shelf_of.cache_clear()
        assert (again.pieces, again.unmet) == (usual.pieces, usual.unmet)
        assert again.excess == pytest.approx(usual.excess, abs=1e-9)


def test_two_strengths_that_come_to_the_same_are_given_in_the_fewest_pieces() -> None:
    thirds = [Offer("T3", {"THIA": 100 / 3}), Offer("T1", {"THIA": 100.0})]
    assert choose_pieces([Need("THIA", 100)], thirds).pieces == {"T1": 1}
