"""Order plans against what others compute: dynamic lot sizing, the square root, every plan.

Dynamic lot sizing: Wagner and Whitin 1958; economic order quantity: Harris 1913 [both
algorithms from memory]. Enumeration: by hand and by a linear program per plan.
"""

import sys
from collections.abc import Sequence
from itertools import product
from math import inf

import numpy as np
import pytest
from scipy.optimize import linprog

from service.science.ordering import (
    Outlook,
    StoredLot,
    most_to_order_kg,
    plan_orders,
    plan_orders_together,
)


def least_by_wagner_and_whitin(
    demand: Sequence[float], price: Sequence[float], order_cost: float, holding: float, life: int
) -> float:
    """Each order covers the demand of whole months up to the next; life bounds how many."""
    months = len(demand)
    least = [0.0] + [inf] * months
    for first in range(months):
        cost = least[first] + order_cost
        for last in range(first, min(first + life, months)):
            cost += demand[last] * (price[first] + holding * (last - first))
            least[last + 1] = min(least[last + 1], cost)
    return least[months]


@pytest.mark.parametrize("life", [60, 3])
@pytest.mark.parametrize("seed", range(6))
def test_with_pallets_of_a_kilogram_the_plan_costs_what_dynamic_lot_sizing_finds(
    seed: int, life: int
) -> None:
    rng = np.random.default_rng(seed)
    demand = tuple(float(kg) for kg in rng.integers(20, 200, 12))
    order_cost, holding = float(rng.integers(50, 300)), 0.5
    # With a short life at changing prices an order may begin with a later month's demand,
    # which the recursion does not know: there the price stays.
    spread = 0.5 if life > 12 else 0.0
    price = tuple(float(p) for p in rng.uniform(2.5 - spread, 2.5 + spread, 12).round(2))
    plan = plan_orders(
        Outlook("HER", demand, price, 1.0, order_cost, holding, life, shortage_per_kg=1000.0),
        gap=0.0,
    )
    expected = least_by_wagner_and_whitin(demand, price, order_cost, holding, life)
    assert plan.cost.total == pytest.approx(expected, rel=1e-6)
    assert sum(plan.shortage_kg) == 0
    assert plan.gap == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("every", [1, 2, 3, 4, 6])
def test_a_steady_demand_is_ordered_as_often_as_the_square_root_says(every: int) -> None:
    demand, holding = 100.0, 1.0
    # Harris: Q = sqrt(2 · order cost · demand / holding), here a whole number of months
    order_cost = holding * demand * every**2 / 2
    quantity = (2 * order_cost * demand / holding) ** 0.5
    plan = plan_orders(Outlook("HER", (demand,) * 12, (2.0,) * 12, 1.0, order_cost, holding, 60))
    assert plan.pallets == tuple(quantity if m % every == 0 else 0 for m in range(12))
    # The formula's stock falls steadily; months' ends leave out half a month's demand.
    by_formula = (2 * order_cost * demand * holding) ** 0.5 - holding * demand / 2
    assert plan.cost.orders + plan.cost.holding == pytest.approx(12 * by_formula)


def cost_of(outlook: Outlook, pallets: Sequence[int]) -> float:
    """The cheapest use of given pallets, by a linear program that knows nothing of pouring."""
    months = len(outlook.demand_kg)
    sources = [(0, lot.months_left, lot.amount_kg) for lot in outlook.stock]
    sources += [(m, m + outlook.life_months, n * outlook.pallet_kg) for m, n in enumerate(pallets)]
    cells = [(i, t) for i, (a, b, _) in enumerate(sources) for t in range(a, min(b, months))]
    holding = outlook.holding_per_kg_month
    cost = [holding * (t - sources[i][0]) for i, t in cells]
    cost += [
        holding * (months - a) + (outlook.waste_per_kg if b <= months else 0.0)
        for a, b, _ in sources
    ]
    cost += [outlook.shortage_per_kg] * months
    equal = np.zeros((len(sources) + months, len(cost)))
    for column, (i, t) in enumerate(cells):
        equal[i, column] = equal[len(sources) + t, column] = 1.0
    for row in range(len(sources) + months):
        equal[row, len(cells) + row] = 1.0
    right = [kg for _, _, kg in sources] + list(outlook.demand_kg)
    used = float(linprog(cost, A_eq=equal, b_eq=right, method="highs").fun)
    prices = [price or 0.0 for price in outlook.price_per_kg]
    fish = sum(n * outlook.pallet_kg * p for n, p in zip(pallets, prices, strict=True))
    return used + fish + outlook.order_cost * sum(n > 0 for n in pallets)


@pytest.mark.parametrize("seed", range(12))
def test_no_plan_that_can_be_written_down_is_cheaper(seed: int) -> None:
    rng = np.random.default_rng(seed)
    outlook = Outlook(
        "CAP",
        demand_kg=tuple(float(kg) for kg in rng.integers(0, 90, 4)),
        price_per_kg=tuple(
            None if rng.uniform() < 0.25 else float(p) for p in rng.uniform(1, 4, 4).round(2)
        ),
        pallet_kg=50.0,
        order_cost=float(rng.integers(0, 60)),
        holding_per_kg_month=float(rng.choice([0.0, 0.1, 0.5])),
        life_months=int(rng.integers(1, 5)),
        stock=(StoredLot("a", float(rng.integers(0, 60)), 1), StoredLot("b", 30.0, 3)),
        shortage_per_kg=float(rng.choice([5.0, 25.0])),
        waste_per_kg=float(rng.choice([0.0, 0.5, 3.0])),
    )
    choices = [range(1 if price is None else 6) for price in outlook.price_per_kg]
    every = {pallets: cost_of(outlook, pallets) for pallets in product(*choices)}
    plan = plan_orders(outlook, gap=0.0)
    assert plan.cost.total == pytest.approx(min(every.values()), abs=1e-5)
    # and pouring first to expire first is the cheapest use of just these pallets
    assert plan.cost.total == pytest.approx(every[plan.pallets], abs=1e-5)


def test_fish_that_keeps_one_month_is_ordered_every_month() -> None:
    plan = plan_orders(Outlook("SMT", (60.0,) * 4, (1.0,) * 4, 60.0, 500.0, 0.0, 1))
    assert plan.pallets == (1, 1, 1, 1)
    assert [source.last_month for source in plan.sources] == [0, 1, 2, 3]


def test_a_short_season_is_stored_for_as_long_as_the_fish_keeps() -> None:
    # Capelin to be had in the first month only, good for three: the fourth goes short.
    plan = plan_orders(Outlook("CAP", (50.0,) * 4, (1.0, None, None, None), 50.0, 10.0, 0.1, 3))
    assert plan.pallets == (3, 0, 0, 0)
    assert plan.shortage_kg == (0, 0, 0, 50)
    assert plan.in_store_kg == (100, 50, 0, 0)
    # 150 kg at 1, an order, 50 kg for one month and 50 kg for two, 50 kg short
    assert plan.cost.total == pytest.approx(150 + 10 + 0.1 * (50 + 100) + 25 * 50)


def test_what_ends_first_is_used_first_whatever_came_first() -> None:
    stock = (StoredLot("keeps", 40.0, 5), StoredLot("ends", 30.0, 1))
    plan = plan_orders(Outlook("HER", (50.0, 20.0), (None, None), 50.0, 0.0, 0.0, 6, stock))
    assert [(s.lot, s.use_kg) for s in plan.sources] == [("ends", (30, 0)), ("keeps", (20, 20))]


def test_what_spoils_and_what_is_left_are_told_apart() -> None:
    stock = (StoredLot("ends", 80.0, 1), StoredLot("keeps", 40.0, 5))
    plan = plan_orders(
        Outlook("HER", (50.0, 20.0), (None, None), 50.0, 0.0, 0.0, 6, stock, waste_per_kg=2.0)
    )
    assert [(s.lot, s.waste_kg, s.left_kg) for s in plan.sources] == [
        ("ends", 30, 0),
        ("keeps", 0, 20),
    ]
    assert plan.cost.waste == 60
    assert plan.in_store_kg == (40, 20)


def test_two_species_in_a_small_store_come_in_smaller_deliveries() -> None:
    # Cheapest is all at once: at the first month's end 150 kg of each are there.
    terms = ((50.0,) * 4, (1.0,) * 4, 50.0, 40.0, 0.1, 6)
    both = [Outlook("HER", *terms), Outlook("CAP", *terms)]
    assert [plan_orders(one).pallets for one in both] == [(4, 0, 0, 0)] * 2
    found = plan_orders_together(both, 120.0)
    assert found.over_kg == {}
    assert max(found.in_store_kg) <= 120
    assert all(sum(plan.shortage_kg) == 0 for plan in found.plans.values())
    # The plan says what the small store costs: two more orders, less holding, of 530.
    assert found.gap == pytest.approx(
        1 - 2 * (200 + 40 + 30) / sum(p.cost.total for p in found.plans.values())
    )


def test_months_that_stay_too_full_are_said() -> None:
    stock = (StoredLot("a", 300.0, 6),)
    found = plan_orders_together(
        [Outlook("HER", (50.0,) * 3, (1.0,) * 3, 50.0, 10.0, 0.1, 6, stock)], 210.0
    )
    assert found.over_kg == pytest.approx({0: 40})
    assert found.rounds == 3


def test_the_most_to_order_is_what_is_eaten_before_the_limit() -> None:
    assert most_to_order_kg(40, 180, 60, 20) == 4000
    assert most_to_order_kg(40, 180, 170, 20) == 0


def test_without_the_solver_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "scipy.optimize", None)
    with pytest.raises(ValueError, match=r"needs SciPy: pip install 'fishhouse\[optimise\]'"):
        plan_orders(Outlook("HER", (50.0,), (1.0,), 50.0, 10.0, 0.1, 6))
