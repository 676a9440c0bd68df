"""Laws of allocation: nothing from nothing, oldest first, every kilogram accounted for."""

from collections.abc import Callable
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.allocation import (
    Allocation,
    Request,
    Stock,
    allocate,
    pour,
)

SPECIES = ("CAP", "HER", "SQU")
amounts = st.floats(0, 100).map(lambda kg: round(kg, 3))
cartons = st.sampled_from([None, None, 5.0, 10.0])


@st.composite
def stocks(draw: st.DrawFn) -> list[Stock]:
    count = draw(st.integers(0, 8))
    return [
        Stock(f"lot {i}", draw(st.sampled_from(SPECIES)), draw(amounts), draw(cartons))
        for i in range(count)
    ]


@st.composite
def requested(draw: st.DrawFn, *, free: bool = False) -> list[Request]:
    found = []
    for i in range(draw(st.integers(0, 6))):
        species = draw(st.lists(st.sampled_from(SPECIES), min_size=1, max_size=3, unique=True))
        least = 0.0 if free else draw(st.sampled_from([0.0, 0.0, 0.2]))
        most = 1.0 if free else draw(st.sampled_from([1.0, 1.0, 0.6]))
        allowed = dict.fromkeys(species, (least, most))
        weight = 1.0 if free else draw(st.sampled_from([1.0, 2.0, 5.0]))
        found.append(Request(f"request {i}", draw(amounts), allowed, weight))
    return found


def usable(lot: Stock) -> float:
    if lot.carton is None:
        return lot.available
    return int(lot.available / lot.carton + 1e-9) * lot.carton


def check(stock: list[Stock], needs: dict[str, float], found: Allocation) -> None:
    """Never more than is there, oldest first, takes and shortage make the need."""
    lots = {lot.lot: lot for lot in stock}
    used = dict.fromkeys(lots, 0.0)
    got = dict.fromkeys(needs, 0.0)
    for taken in found.takes:
        assert taken.amount > 0
        used[taken.lot] += taken.amount
        got[taken.request] += taken.amount
    for name, lot in lots.items():
        assert used[name] <= lot.available + 1e-9
        assert used[name] + found.surplus.get(name, 0.0) <= lot.available + 1e-6
        if lot.carton and used[name]:
            opened = (used[name] + found.surplus.get(name, 0.0)) / lot.carton
            assert opened == pytest.approx(round(opened), abs=1e-6)
    for kind in SPECIES:
        in_order = [lot for lot in stock if lot.species == kind]
        for earlier, later in combinations(in_order, 2):
            if used[later.lot] > 0:
                assert used[earlier.lot] == pytest.approx(usable(earlier), abs=1e-6)
    for name, need in needs.items():
        short = found.shortages.get(name, 0.0)
        assert 0 <= short <= need + 1e-6
        assert got[name] + short == pytest.approx(need, abs=1e-5)


@settings(max_examples=150, deadline=None)
@given(stocks(), st.lists(amounts, max_size=6))
def test_pouring_never_takes_what_is_not_there_nor_a_later_lot_first(
    stock: list[Stock], wanted: list[float]
) -> None:
    same = [Stock(lot.lot, "HER", lot.available, lot.carton) for lot in stock]
    needs = {f"request {i}": amount for i, amount in enumerate(wanted)}
    found = pour(same, list(needs.items()))
    check(same, needs, found)
    # and nobody goes short while anything is left
    if found.shortages:
        left = sum(usable(lot) for lot in same) - sum(t.amount for t in found.takes)
        assert left == pytest.approx(0, abs=1e-6)


@settings(max_examples=100, deadline=None)
@given(stocks(), requested())
def test_allocating_never_takes_what_is_not_there_nor_a_later_lot_first(
    stock: list[Stock], requests: list[Request]
) -> None:
    found = allocate(stock, requests)
    check(stock, {r.name: r.amount for r in requests}, found)
    kinds = {lot.lot: lot.species for lot in stock}
    for request in requests:
        met = request.amount - found.shortages.get(request.name, 0.0)
        for kind, (least, most) in request.allowed.items():
            got = sum(
                t.amount for t in found.takes if t.request == request.name and kinds[t.lot] == kind
            )
            assert got <= most * request.amount + 1e-5
            assert got >= least * met - 1e-5
        assert {kinds[t.lot] for t in found.takes if t.request == request.name} <= set(
            request.allowed
        )


@settings(max_examples=100, deadline=None)
@given(stocks(), requested(free=True))
def test_the_shortage_is_the_least_that_any_set_of_species_forces(
    stock: list[Stock], requests: list[Request]
) -> None:
    # Hall's condition: those who eat only from a set cannot get more than the set holds
    needed = [
        sum(r.amount for r in requests if set(r.allowed) <= set(kinds))
        - sum(usable(lot) for lot in stock if lot.species in kinds)
        for size in range(len(SPECIES) + 1)
        for kinds in combinations(SPECIES, size)
    ]
    found = allocate(stock, requests)
    assert sum(found.shortages.values()) == pytest.approx(max(0.0, *needed), abs=1e-4)


@settings(max_examples=60, deadline=None)
@given(stocks(), requested(), st.integers(0, 7), amounts)
def test_more_stock_never_makes_a_worse_day(
    stock: list[Stock], requests: list[Request], place: int, more: float
) -> None:
    def cost(lots: list[Stock]) -> float:
        short = allocate(lots, requests).shortages
        return sum(r.weight * short.get(r.name, 0.0) for r in requests)

    fuller = list(stock)
    if fuller:
        lot = fuller[place % len(fuller)]
        fuller[place % len(fuller)] = Stock(lot.lot, lot.species, lot.available + more, lot.carton)
    assert cost(fuller) <= cost(stock) + 1e-4


def test_nothing_asked_and_nothing_there() -> None:
    assert allocate([], []) == Allocation((), {})
    assert allocate([Stock("a", "HER", 5)], []).takes == ()
    assert allocate([], [Request("r", 5, {"HER": (0, 1)})]).shortages == pytest.approx({"r": 5})
    assert allocate([Stock("a", "HER", 5)], [Request("r", 5, {})]).shortages == pytest.approx(
        {"r": 5}
    )


@pytest.mark.parametrize(
    ("made", "says"),
    [
        (lambda: Stock("a", "HER", -1), "lot a: available must be 0 or more"),
        (lambda: Stock("a", "HER", float("nan")), "lot a: available must be 0 or more"),
        (lambda: Stock("a", "HER", float("inf")), "lot a: available must be 0 or more"),
        (lambda: Stock("a", "HER", 5, carton=0), "lot a: carton must be more than zero"),
        (lambda: Stock("a", "HER", 5, carton=-1), "lot a: carton must be more than zero"),
        (lambda: Request("r", -1, {}), "request r: amount must be 0 or more"),
        (lambda: Request("r", float("nan"), {}), "request r: amount must be 0 or more"),
        (lambda: Request("r", 1, {}, weight=0), "request r: weight must lie between"),
        (lambda: Request("r", 1, {}, weight=float("nan")), "request r: weight must lie between"),
        (lambda: Request("r", 1, {"HER": (0.9, 0.1)}), "0 <= least <= most <= 1"),
        (lambda: Request("r", 1, {"HER": (-0.1, 1)}), "0 <= least <= most <= 1"),
        (lambda: Request("r", 1, {"HER": (0, 1.5)}), "0 <= least <= most <= 1"),
        (lambda: Request("r", 1, {"HER": (0, float("nan"))}), "0 <= least <= most <= 1"),
        (lambda: Request("r", 1, {"HER": (0.6, 1), "CAP": (0.6, 1)}), "least shares must not sum"),
        (lambda: pour([], [("r", -1)]), "amounts must be 0 or more"),
        (lambda: pour([], [("r", float("nan"))]), "amounts must be 0 or more"),
        (lambda: pour([], [("r", 1), ("r", 2)]), "a name of its own"),
        (lambda: allocate([], [Request("r", 1, {}), Request("r", 2, {})]), "a name of its own"),
        (
            lambda: allocate([Stock("a", "HER", 5)], [], energy_per_kg={"HER": 0}),
            "energy_per_kg must be more than zero for each species",
        ),
        (
            lambda: allocate([Stock("a", "HER", 5)], [], energy_per_kg={}),
            "energy_per_kg must be more than zero for each species",
        ),
    ],
)
def test_an_impossible_stock_or_request_is_refused_by_name(
    made: Callable[[], object], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        made()
