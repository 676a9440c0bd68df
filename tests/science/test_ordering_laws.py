"""Laws of order plans: every kilogram accounted for, in its time, on whole pallets."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.ordering import (
    OrderPlan,
    Outlook,
    SharedPlan,
    StoredLot,
    most_to_order_kg,
    plan_orders,
    plan_orders_together,
)

MONTHS = 5
amounts = st.floats(0, 200).map(lambda kg: round(kg, 1))
prices = st.one_of(st.none(), st.floats(0.5, 5).map(lambda money: round(money, 2)))


@st.composite
def outlooks(draw: st.DrawFn, species: str = "HER") -> Outlook:
    lots = draw(st.lists(st.tuples(amounts, st.integers(1, 8)), max_size=3))
    return Outlook(
        species,
        demand_kg=tuple(draw(amounts) for _ in range(MONTHS)),
        price_per_kg=tuple(draw(prices) for _ in range(MONTHS)),
        pallet_kg=draw(st.sampled_from([25.0, 60.0, 170.5])),
        order_cost=draw(st.sampled_from([0.0, 20.0, 150.0])),
        holding_per_kg_month=draw(st.sampled_from([0.0, 0.05, 0.5])),
        life_months=draw(st.integers(1, 8)),
        stock=tuple(StoredLot(f"lot {i}", kg, left) for i, (kg, left) in enumerate(lots)),
        waste_per_kg=draw(st.sampled_from([0.0, 0.3, 2.0])),
    )


@settings(max_examples=80)
@given(outlooks())
def test_every_kilogram_wanted_is_fed_or_short_and_every_kilogram_there_is_accounted_for(
    outlook: Outlook,
) -> None:
    plan = plan_orders(outlook)
    for month, wanted in enumerate(outlook.demand_kg):
        fed = sum(source.use_kg[month] for source in plan.sources)
        assert fed + plan.shortage_kg[month] == pytest.approx(wanted, abs=1e-8)
    for source in plan.sources:
        gone = sum(source.use_kg) + source.waste_kg + source.left_kg
        assert gone == pytest.approx(source.amount_kg, abs=1e-8)
        assert min(*source.use_kg, source.waste_kg, source.left_kg) >= 0
    arrived = sum(s.amount_kg for s in plan.sources if s.lot is None)
    assert arrived == pytest.approx(sum(plan.pallets) * outlook.pallet_kg)
    assert {s.lot for s in plan.sources if s.lot} == {lot.lot for lot in outlook.stock}


@settings(max_examples=80)
@given(outlooks())
def test_nothing_is_used_before_it_comes_or_past_its_life_or_before_what_ends_first(
    outlook: Outlook,
) -> None:
    plan = plan_orders(outlook)
    left = {id(source): source.amount_kg for source in plan.sources}
    for month in range(MONTHS):
        there = [s for s in plan.sources if s.month <= month <= s.last_month]
        for source in plan.sources:
            if source not in there:
                assert source.use_kg[month] == 0
        for place, source in enumerate(there):
            left[id(source)] -= source.use_kg[month]
            if any(later.use_kg[month] > 0 for later in there[place + 1 :]):
                assert left[id(source)] == pytest.approx(0, abs=1e-8)
        # nobody goes short beside a full store
        if plan.shortage_kg[month]:
            assert sum(left[id(source)] for source in there) == pytest.approx(0, abs=1e-8)
    assert [s.last_month for s in plan.sources] == sorted(s.last_month for s in plan.sources)


@settings(max_examples=80)
@given(outlooks())
def test_whole_pallets_come_only_when_the_species_can_be_had(outlook: Outlook) -> None:
    plan = plan_orders(outlook)
    for month, (count, price) in enumerate(zip(plan.pallets, outlook.price_per_kg, strict=True)):
        assert isinstance(count, int)
        assert count >= 0
        assert price is not None or count == 0
        came = [s.amount_kg for s in plan.sources if s.lot is None and s.month == month]
        assert came == ([count * outlook.pallet_kg] if count else [])
    assert 0 <= plan.gap <= 0.001 + 1e-6


@settings(max_examples=60)
@given(outlooks(), st.integers(1, 4))
def test_a_longer_life_never_costs_more(outlook: Outlook, more: int) -> None:
    longer = replace(outlook, life_months=outlook.life_months + more)
    assert cost(longer) <= cost(outlook) + 1e-4


@settings(max_examples=60)
@given(outlooks(), st.integers(0, MONTHS - 1), st.sampled_from([0.5, 0.9]))
def test_a_lower_price_never_costs_more(outlook: Outlook, month: int, factor: float) -> None:
    cheaper = list(outlook.price_per_kg)
    price = cheaper[month]
    cheaper[month] = 5.0 if price is None else price * factor
    assert cost(replace(outlook, price_per_kg=tuple(cheaper))) <= cost(outlook) + 1e-4


def cost(outlook: Outlook) -> float:
    return plan_orders(outlook, gap=0.0).cost.total


@settings(max_examples=40)
@given(outlooks("HER"), outlooks("CAP"), st.floats(0, 600))
def test_what_a_shared_store_holds_and_what_does_not_fit_are_told_as_they_are(
    one: Outlook, other: Outlook, capacity: float
) -> None:
    found = plan_orders_together([one, other], capacity)
    for month in range(MONTHS):
        there = sum(still_there(plan, month) for plan in found.plans.values())
        assert found.in_store_kg[month] == pytest.approx(there, abs=1e-6)
        assert found.over_kg.get(month, 0.0) == pytest.approx(max(0.0, there - capacity), abs=2e-6)
    assert 0 <= found.rounds <= 3
    alone = [plan_orders(outlook) for outlook in (one, other)]
    too_much = sum(
        max(0.0, sum(still_there(plan, month) for plan in alone) - capacity)
        for month in range(MONTHS)
    )
    assert sum(found.over_kg.values()) <= too_much + 1e-5
    if not too_much:
        assert list(found.plans.values()) == alone


def still_there(plan: OrderPlan, month: int) -> float:
    """Came, not used, not past its life by the end of a month."""
    return sum(
        source.amount_kg - sum(source.use_kg[: month + 1])
        for source in plan.sources
        if source.month <= month < source.last_month
    )


def test_nothing_to_plan() -> None:
    assert plan_orders_together([], 100.0) == SharedPlan({}, (), {}, 0, 0.0)
    nothing = plan_orders(Outlook("HER", (0.0, 0.0), (1.0, None), 50.0, 10.0, 0.1, 6))
    assert nothing.pallets == (0, 0)
    assert nothing.cost.total == nothing.gap == 0
    short = plan_orders(Outlook("HER", (5.0,), (None,), 50.0, 10.0, 0.1, 6))
    assert short.shortage_kg == (5.0,)


def outlook_with(**changed: Any) -> Outlook:
    fields: dict[str, Any] = {
        "species": "HER",
        "demand_kg": (50.0, 50.0),
        "price_per_kg": (1.0, 1.0),
        "pallet_kg": 50.0,
        "order_cost": 10.0,
        "holding_per_kg_month": 0.1,
        "life_months": 6,
    }
    return Outlook(**fields | changed)


NAN = float("nan")


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda: StoredLot("a", -1, 2), "lot a: amount_kg must lie between 0 and 1e.07; it is -1"),
        (lambda: StoredLot("a", NAN, 2), "lot a: amount_kg must lie between"),
        (lambda: StoredLot("a", 1, 0), "lot a: months_left must be a whole number from 1"),
        (lambda: outlook_with(demand_kg=()), "demand_kg must have 1 to 60 months"),
        (lambda: outlook_with(demand_kg=(1.0,) * 61), "demand_kg must have 1 to 60 months"),
        (lambda: outlook_with(demand_kg=(1.0, NAN)), "demand_kg must lie between"),
        (lambda: outlook_with(demand_kg=(1.0, -1.0)), "demand_kg must lie between"),
        (lambda: outlook_with(price_per_kg=(1.0,)), "price_per_kg must have one entry for each"),
        (lambda: outlook_with(price_per_kg=(1.0, NAN)), "price_per_kg must lie between"),
        (lambda: outlook_with(price_per_kg=(None, -1.0)), "price_per_kg must lie between"),
        (lambda: outlook_with(pallet_kg=0.0), "pallet_kg must be more than 0"),
        (lambda: outlook_with(pallet_kg=1e-4), "pallet_kg must be .* at least 1/100000"),
        (lambda: outlook_with(pallet_kg=NAN), "pallet_kg must lie between"),
        (lambda: outlook_with(order_cost=-1.0), "order_cost must lie between"),
        (lambda: outlook_with(holding_per_kg_month=NAN), "holding_per_kg_month must lie between"),
        (lambda: outlook_with(shortage_per_kg=float("inf")), "shortage_per_kg must lie between"),
        (lambda: outlook_with(waste_per_kg=-0.1), "waste_per_kg must lie between"),
        (lambda: outlook_with(life_months=0), "life_months must be a whole number from 1; it is 0"),
        (lambda: outlook_with(life_months=2.5), "life_months must be a whole number from 1"),
        (lambda: outlook_with(stock=[StoredLot("a", 1, 1)] * 2), "stock: each lot .* of its own"),
        (lambda: plan_orders(outlook_with(), time_limit_s=0), "time_limit_s must be more than 0"),
        (lambda: plan_orders(outlook_with(), time_limit_s=NAN), "time_limit_s must be more than 0"),
        (lambda: plan_orders(outlook_with(), gap=-0.1), "gap must lie between 0 and 1"),
        (lambda: plan_orders(outlook_with(), gap=NAN), "gap must lie between 0 and 1"),
        (lambda: plan_orders_together([outlook_with()], -1), "capacity_kg must lie between"),
        (lambda: plan_orders_together([outlook_with()], NAN), "capacity_kg must lie between"),
        (lambda: plan_orders_together([outlook_with()], 1, rounds=-1), "rounds must lie between"),
        (lambda: plan_orders_together([outlook_with()] * 2, 1), "each species once"),
        (
            lambda: plan_orders_together(
                [outlook_with(), outlook_with(species="C", demand_kg=(1,), price_per_kg=(1,))], 1
            ),
            "outlooks must all have the same months",
        ),
        (lambda: most_to_order_kg(-1, 180, 60, 20), "daily_use_kg must be 0 or more; it is -1"),
        (lambda: most_to_order_kg(40, NAN, 60, 20), "limit_d must be 0 or more; it is nan"),
    ],
)
def test_a_plan_that_makes_no_sense_is_refused_by_name(
    made: Callable[[], object], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        made()
