"""Worked allocations: oldest first, species that stand in, whole cartons.

By hand; oldest first is common practice of the trade.
"""

import pytest

from service.science.allocation import Allocation, Request, Stock, allocate, pour

ANY = (0.0, 1.0)


def takes(allocation: Allocation) -> list[tuple[str, str, float]]:
    return [(t.request, t.lot, t.amount) for t in allocation.takes]


def test_who_can_eat_either_leaves_the_herring_to_who_can_not() -> None:
    # Served in the order in which they are asked, the second would find no A left.
    stock = [Stock("a", "A", 10), Stock("b", "B", 10)]
    either = Request("either", 10, {"A": ANY, "B": ANY})
    only = Request("only A", 10, {"A": ANY})
    for requests in ([only, either], [either, only]):
        found = allocate(stock, requests)
        assert not found.shortages
        assert sorted(takes(found)) == [("either", "b", 10), ("only A", "a", 10)]


def test_a_whole_carton_is_opened_for_all_requests_together() -> None:
    # 12 + 9 kg from cartons of 10: three are opened, 9 kg are over
    found = pour([Stock("a", "HER", 55, carton=10)], [("1", 12), ("2", 9)])
    assert takes(found) == [("1", "a", 12), ("2", "a", 9)]
    assert found.surplus == pytest.approx({"a": 9})


def test_what_does_not_fill_a_carton_is_not_there() -> None:
    found = pour([Stock("a", "HER", 29, carton=10)], [("1", 25)])
    assert takes(found) == [("1", "a", 20)]
    assert found.shortages == {"1": 5}


def test_shares_of_a_diet_are_kept_and_energy_is_weighed_into_kilograms() -> None:
    # 9 000 kcal, at least 30 % of it squid: 6 300 / 1 500 and 2 700 / 900 kg
    found = allocate(
        [Stock("h", "HER", 100), Stock("s", "SQU", 3)],
        [Request("x", 9000, {"HER": (0.0, 0.7), "SQU": (0.3, 1.0)})],
        energy_per_kg={"HER": 1500, "SQU": 900},
    )
    assert {lot: amount for _, lot, amount in takes(found)} == pytest.approx({"h": 4.2, "s": 3.0})
    assert not found.shortages


def test_the_more_pressing_request_is_met_first_when_there_is_too_little() -> None:
    found = allocate(
        [Stock("a", "HER", 10)],
        [Request("adult", 10, {"HER": ANY}), Request("pup", 8, {"HER": ANY}, weight=3)],
    )
    assert found.shortages == pytest.approx({"adult": 8})
