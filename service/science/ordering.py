"""What to order and when: whole pallets per species over the coming months.

Mixed-integer programs are solved by HiGHS through SciPy, imported where used.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import accumulate
from math import ceil, inf, isfinite
from typing import Any

import numpy as np

from service.science.arrays import Array

SHORTAGE_PER_KG = 25.0  # weight of a kilogram that is missing: science reference 11.3
WASTE_PER_KG = 0.0  # throwing away costs nothing beyond the price paid, unless somebody says so
TIME_LIMIT_S = 20.0
GAP = 0.001
ROUNDS = 3
MOST_MONTHS = 60
MOST_PALLETS = 100_000
MOST_KG = 1e7
MOST_MONEY = 1e7
NO_SCIPY = "An order plan needs SciPy: pip install 'fishhouse[optimise]'"
_DUST_KG = 1e-9


@dataclass(frozen=True)
class StoredLot:
    """A lot in store when the plan begins, usable in the first `months_left` months.

    A lot past its life is no stock and is not passed. ValueError names the lot for an
    amount outside 0 to 10 000 000 kg or for months that are not a whole number from 1.

    >>> StoredLot("H-1", 400.0, months_left=3).months_left
    3
    """

    lot: str
    amount_kg: float
    months_left: int

    def __post_init__(self) -> None:
        _within(f"lot {self.lot}: amount_kg", self.amount_kg, 0, MOST_KG)
        _whole(f"lot {self.lot}: months_left", self.months_left)


@dataclass(frozen=True)
class Outlook:
    """What one species needs in the coming months, and on what terms it can be bought.

    Parameters
    ----------
    species : its code.
    demand_kg : shape (months,), 1 to 60 months; what is fed in each, from 0.
    price_per_kg : shape (months,); money; None where the species cannot be had.
    pallet_kg : kilograms on a pallet, more than 0.
    order_cost : money per order, however large.
    holding_per_kg_month : money for a kilogram kept from one month to the next.
    life_months : months in which an arrival can be used, that of arrival included, from 1.
    stock : lots in store, each with its own months left.
    shortage_per_kg : weight of a missing kilogram against money.
    waste_per_kg : cost of a kilogram that passes its life, beyond its price.

    Raises
    ------
    ValueError
        Naming the argument: amounts and money must lie between 0 and 10 000 000, lives be
        whole numbers from 1, prices be as many as demands, lots have names of their own,
        and no arrival need more than 100 000 pallets.

    Check
    -----
    >>> Outlook("HER", (100.0,), (), 50.0, 10.0, 0.1, 6)
    Traceback (most recent call last):
    ValueError: price_per_kg must have one entry for each of the 1 months; it has 0
    """

    species: str
    demand_kg: Sequence[float]
    price_per_kg: Sequence[float | None]
    pallet_kg: float
    order_cost: float
    holding_per_kg_month: float
    life_months: int
    stock: Sequence[StoredLot] = ()
    shortage_per_kg: float = SHORTAGE_PER_KG
    waste_per_kg: float = WASTE_PER_KG

    def __post_init__(self) -> None:
        if not 1 <= len(self.demand_kg) <= MOST_MONTHS:
            raise ValueError(f"demand_kg must have 1 to {MOST_MONTHS} months")
        if len(self.price_per_kg) != len(self.demand_kg):
            raise ValueError(
                f"price_per_kg must have one entry for each of the {len(self.demand_kg)} months; "
                f"it has {len(self.price_per_kg)}"
            )
        for amount in self.demand_kg:
            _within("demand_kg", amount, 0, MOST_KG)
        for price in self.price_per_kg:
            _within("price_per_kg", 0 if price is None else price, 0, MOST_MONEY)
        _within("pallet_kg", self.pallet_kg, 0, MOST_KG)
        if self.pallet_kg * MOST_PALLETS < sum(self.demand_kg) or self.pallet_kg == 0:
            raise ValueError(
                f"pallet_kg must be more than 0 and at least 1/{MOST_PALLETS} of the demand; "
                f"it is {self.pallet_kg}"
            )
        for name in ("order_cost", "holding_per_kg_month", "shortage_per_kg", "waste_per_kg"):
            _within(name, getattr(self, name), 0, MOST_MONEY)
        _whole("life_months", self.life_months)
        if len({lot.lot for lot in self.stock}) < len(self.stock):
            raise ValueError("stock: each lot must have a name of its own")

    @property
    def months(self) -> int:
        """How many months are planned."""
        return len(self.demand_kg)


@dataclass(frozen=True)
class Source:
    """A lot in store or an arrival of the plan, and where its fish goes.

    month : of arrival, from 0; 0 for lots in store. last_month : the last in which it can
    be used; it may lie beyond the plan. use_kg : shape (months,). waste_kg : passes its life
    within the plan. left_kg : still good when the plan ends. Used, waste and left make the
    amount.
    """

    lot: str | None
    month: int
    last_month: int
    amount_kg: float
    use_kg: tuple[float, ...]
    waste_kg: float
    left_kg: float


@dataclass(frozen=True)
class OrderCost:
    """What a plan costs, by kind, in money (shortage: by its weight)."""

    fish: float
    orders: float
    holding: float
    shortage: float
    waste: float

    @property
    def total(self) -> float:
        """All kinds together.

        >>> OrderCost(1.0, 2.0, 3.0, 4.0, 5.0).total
        15.0
        """
        return self.fish + self.orders + self.holding + self.shortage + self.waste


@dataclass(frozen=True)
class OrderPlan:
    """What to order of one species, what is used from where, and what it costs.

    pallets, shortage_kg, in_store_kg (at each month's end; spoilt fish is gone) : shape
    (months,). sources : in the order of use, first to expire first. gap : no plan is cheaper
    than this one by more than this share of its cost; 0 is proven the best.
    """

    species: str
    pallets: tuple[int, ...]
    sources: tuple[Source, ...]
    shortage_kg: tuple[float, ...]
    in_store_kg: tuple[float, ...]
    cost: OrderCost
    gap: float


@dataclass(frozen=True)
class SharedPlan:
    """Plans of several species in one store.

    in_store_kg : at each month's end, shape (months,). over_kg : month to what does not
    fit; empty where all fits. rounds : how often the rent was raised. gap : the share of the
    cost that could be saved at most, were the store boundless.
    """

    plans: Mapping[str, OrderPlan]
    in_store_kg: tuple[float, ...]
    over_kg: Mapping[int, float]
    rounds: int
    gap: float


def _within(name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise ValueError(f"{name} must lie between {low:g} and {high:g}; it is {value}")


def _whole(name: str, value: int) -> None:
    if not (isinstance(value, int) and value >= 1):
        raise ValueError(f"{name} must be a whole number from 1; it is {value}")


def most_to_order_kg(
    daily_use_kg: float, limit_d: float, age_at_delivery_d: float, lag_d: float
) -> float:
    """The most to order so that nothing passes its age limit before it is used.

    The rule without a solver: daily use × (limit - age at delivery - lag until first
    use), 0 where that is negative. Kilograms and days, from 0; any finite number. Leaves
    out what is in store already and that use varies. Costs nothing.

    Raises ValueError naming the argument that is negative or not finite.

    Source
    ------
    Science reference 11.3.

    Check
    -----
    >>> most_to_order_kg(40, 180, 60, 20)
    4000
    """
    given = {"daily_use_kg": daily_use_kg, "limit_d": limit_d}
    given |= {"age_at_delivery_d": age_at_delivery_d, "lag_d": lag_d}
    for name, value in given.items():
        if not 0 <= value < inf:
            raise ValueError(f"{name} must be 0 or more; it is {value}")
    return max(0, daily_use_kg * (limit_d - age_at_delivery_d - lag_d))


def plan_orders(
    outlook: Outlook, *, time_limit_s: float = TIME_LIMIT_S, gap: float = GAP
) -> OrderPlan:
    """The pallets of one species to order each month, at the least cost.

    Cost is fish, orders, holding, waste and the weight of shortage. A solver chooses the
    pallets alone; given these, feeding what there is as early as it is wanted, first to
    expire first, is the cheapest use and is worked out by pouring. Fish that is not used is
    charged holding to the end of the plan, as if it stood there: no plan gets cheaper by
    letting older fish spoil in order to carry younger.

    Parameters
    ----------
    outlook : demand, prices, terms and stock of the species.
    time_limit_s : seconds for the solver, more than 0; then its best plan so far is given.
    gap : share of the cost, 0 to 1, at which the solver may stop.

    Returns
    -------
    OrderPlan. Pallets arrive at the beginning of the month for which they are ordered.

    Raises
    ------
    ValueError
        For a time limit or gap out of range, a time in which no plan is found, or where
        SciPy is missing.

    Notes
    -----
    Leaves out delivery times, prices by quantity, the rise and fall within a month, doubt
    about the demand and the worth of what is good at the end: the last months order
    little, so plan well beyond the months that you act on, and plan again each month.
    Cost: 12 months 0.1 to 5 s, at times up to the time limit; it grows with months squared,
    and is largest where pallets fit the demand badly and orders cost little beside the fish.

    Source
    ------
    Science reference 11.3 (program with facility-location links); first to expire first
    is the greedy matching in time order, textbook [from memory].

    Check
    -----
    Two months at 10 an order, or 50 kg kept for a month at 0.1: one order is cheaper.

    >>> plan = plan_orders(Outlook("HER", (50.0, 50.0), (1.0, 1.0), 50.0, 10.0, 0.1, 6))
    >>> plan.pallets, plan.cost.total
    ((2, 0), 115.0)
    """
    _limits(time_limit_s, gap)
    rent = (outlook.holding_per_kg_month,) * outlook.months
    pallets, bound = _cheapest_pallets(outlook, rent, time_limit_s, gap)
    return _with_gap(_poured(outlook, pallets), bound)


def plan_orders_together(
    outlooks: Sequence[Outlook],
    capacity_kg: float,
    *,
    rounds: int = ROUNDS,
    time_limit_s: float = TIME_LIMIT_S,
    gap: float = GAP,
) -> SharedPlan:
    """Order plans of several species that share a store.

    Species by species; where the store is too full at a month's end, a rent on top of the
    holding cost of that month is raised and the species that have fish there are planned
    again. Of all rounds the one with the least too much is given, at equal excess the
    cheapest. Its costs are true costs, without the rent.

    Parameters
    ----------
    outlooks : of different species, over the same months.
    capacity_kg : what the store holds at a month's end, all species together, from 0.
    rounds : how often the rent is raised at most, 0 to 20.
    time_limit_s, gap : of each solution, as in `plan_orders`.

    Returns
    -------
    SharedPlan. The months that remain over capacity stand in `over_kg`: they may be
    unavoidable (stock, a short season), or another plan may fit that this did not find.

    Raises
    ------
    ValueError
        For species that come twice, months that differ, a capacity or number of rounds
        out of range, and as `plan_orders`.

    Notes
    -----
    A heuristic. The rent stays below a half of the weight of shortage over all months
    together, so that keeping a kilogram never costs as much as lacking it. A pallet of
    which little would be used may still be left out where it was just worth its price:
    compare the shortages with those of `plan_orders`. Leaves out the peak between delivery
    and a month's end. Cost: at most (1 + rounds) × species solutions; 8 species over 12
    months 8 s to 2 min: a background job.

    Source
    ------
    Science reference 11.3; prices on a shared capacity, textbook [from memory].

    Check
    -----
    >>> terms = Outlook("HER", (50.0, 50.0), (1.0, 1.0), 50.0, 10.0, 0.1, 6)
    >>> together = plan_orders_together([terms], 20.0)
    >>> together.plans["HER"].pallets, together.over_kg, together.rounds
    ((1, 1), {}, 1)
    """
    _limits(time_limit_s, gap)
    _alike(outlooks)
    _within("capacity_kg", capacity_kg, 0, inf)
    _within("rounds", rounds, 0, 20)
    if not outlooks:
        return SharedPlan({}, (), {}, 0, 0.0)
    store = _Store(outlooks, capacity_kg, time_limit_s, gap)
    best = found = store.planned()
    while found.over_kg and store.rounds < rounds:
        store.raise_rent(found)
        found = store.planned()
        best = min(best, found, key=_worth)
    return replace(best, rounds=store.rounds)


def _limits(time_limit_s: float, gap: float) -> None:
    if not 0 < time_limit_s < inf:
        raise ValueError(f"time_limit_s must be more than 0; it is {time_limit_s}")
    _within("gap", gap, 0, 1)


def _alike(outlooks: Sequence[Outlook]) -> None:
    if len({outlook.species for outlook in outlooks}) < len(outlooks):
        raise ValueError("outlooks must name each species once")
    if len({outlook.months for outlook in outlooks}) > 1:
        raise ValueError("outlooks must all have the same months")


def _worth(plan: SharedPlan) -> tuple[float, float]:
    """Less too much comes first, then less cost."""
    too_much = sum(plan.over_kg.values())
    return round(too_much, 6), sum(one.cost.total for one in plan.plans.values())


@dataclass
class _Store:
    """Several species under one roof, and the rent that each month costs by now."""

    outlooks: Sequence[Outlook]
    capacity_kg: float
    time_limit_s: float
    gap: float
    rounds: int = 0
    bounds: dict[str, float] = field(default_factory=dict)
    plans: dict[str, OrderPlan] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.rent = [0.0] * self.outlooks[0].months
        self.stale = {outlook.species for outlook in self.outlooks}

    def planned(self) -> SharedPlan:
        """Every species at the present rent; those whom no raise touched stay as they are."""
        for outlook in self.outlooks:
            if outlook.species in self.stale:
                self.plans[outlook.species] = self._plan(outlook)
        in_store = [
            sum(month) for month in zip(*(p.in_store_kg for p in self.plans.values()), strict=True)
        ]
        over = {
            month: kg - self.capacity_kg
            for month, kg in enumerate(in_store)
            if kg > self.capacity_kg + 1e-6
        }
        total = sum(plan.cost.total for plan in self.plans.values())
        gap = _share_above(total, sum(self.bounds.values()))
        return SharedPlan(dict(self.plans), tuple(in_store), over, self.rounds, gap)

    def _plan(self, outlook: Outlook) -> OrderPlan:
        holding = outlook.holding_per_kg_month
        # Storing must stay cheaper than going short, however long.
        dearest = outlook.shortage_per_kg / 2 / outlook.months
        rent = tuple(holding + min(extra, dearest) for extra in self.rent)
        pallets, bound = _cheapest_pallets(outlook, rent, self.time_limit_s, self.gap)
        # What holds without a rent, in a boundless store, holds for every other plan too.
        self.bounds.setdefault(outlook.species, bound)
        return _with_gap(_poured(outlook, pallets), self.bounds[outlook.species])

    def raise_rent(self, found: SharedPlan) -> None:
        """By what it would cost to bring the fish that is too much with an order of its own.

        Each further raise is twice the one before, for there are only a few.
        """
        for month, kg in found.over_kg.items():
            there = [o for o in self.outlooks if found.plans[o.species].in_store_kg[month] > 0]
            step = max(o.order_cost / max(kg, o.pallet_kg) + _price_range(o) for o in there)
            self.rent[month] += step * 2**self.rounds
        self.rounds += 1
        # A dearer month changes nothing for who keeps nothing in it.
        self.stale = {
            name
            for name, plan in found.plans.items()
            if any(plan.in_store_kg[month] > 0 for month in found.over_kg)
        }


def _price_range(outlook: Outlook) -> float:
    prices = [price for price in outlook.price_per_kg if price is not None]
    return (max(prices) - min(prices)) / outlook.months if prices else 0.0


def _with_gap(plan: OrderPlan, bound: float) -> OrderPlan:
    return replace(plan, gap=_share_above(plan.cost.total, bound))


def _share_above(cost: float, bound: float) -> float:
    """By what share of itself a cost lies above a bound; 0 where only rounding lies between."""
    share = (cost - bound) / cost if cost > 0 else 0.0
    return share if share > 1e-9 else 0.0


def _carried(rent: Sequence[float]) -> list[float]:
    """The cost of a kilogram kept from the beginning of the plan to each month, (months + 1)."""
    return list(accumulate(rent, initial=0.0))


# --- The program: which pallets -------------------------------------------------------------


class _Program:
    """Columns, rows and costs of a mixed-integer program, as they are written down."""

    def __init__(self) -> None:
        self.cost: list[float] = []
        self.most: list[float] = []
        self.whole: list[bool] = []
        self.parts: list[tuple[int, int, float]] = []
        self.bounds: list[tuple[float, float]] = []

    def column(self, cost: float, most: float = inf, *, whole: bool = False) -> int:
        """A quantity from 0."""
        self.cost.append(cost)
        self.most.append(most)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, parts: Mapping[int, float], low: float, high: float) -> None:
        """A sum that must lie within bounds."""
        self.parts += [(len(self.bounds), column, factor) for column, factor in parts.items()]
        self.bounds.append((low, high))

    def solve(self, time_limit_s: float, gap: float) -> tuple[Array, float]:
        """The quantities, and a bound below which no solution costs."""
        milp, bounds, constraint, matrix = _solver()
        rows, columns, factors = zip(*self.parts, strict=True)
        shape = (len(self.bounds), len(self.cost))
        low, high = zip(*self.bounds, strict=True)
        found = milp(
            self.cost,
            integrality=self.whole,
            bounds=bounds(0, self.most),
            constraints=constraint(matrix((factors, (rows, columns)), shape=shape), low, high),
            options={"time_limit": time_limit_s, "mip_rel_gap": gap},
        )
        if found.x is None:
            raise ValueError(f"time_limit_s: no plan is found within {time_limit_s} s")
        return np.asarray(found.x, dtype=np.float64), self._bound(found)

    def _bound(self, found: Any) -> float:
        """Nothing costs less than nothing, where the solver knows no better."""
        # Without whole numbers there are no branches, and the solver names no bound.
        bound = found.mip_dual_bound if any(self.whole) else found.fun
        known = found.status == 0 or any(self.whole)
        return max(0.0, float(bound)) if known and bound is not None and isfinite(bound) else 0.0


def _solver() -> tuple[Any, Any, Any, Any]:
    try:
        from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415 - 40 MB
        from scipy.sparse import csr_array  # noqa: PLC0415 - where used
    except ImportError as error:
        raise ValueError(NO_SCIPY) from error
    return milp, Bounds, LinearConstraint, csr_array


def _cheapest_pallets(
    outlook: Outlook, rent: Sequence[float], time_limit_s: float, gap: float
) -> tuple[tuple[int, ...], float]:
    """Pallets per month at the least cost, and the cost below which none can be.

    Columns: per month the shortage; per source its use in each month and what is not
    used; per month with a price the pallets and whether anything is ordered at all.
    """
    program = _Program()
    met = [{program.column(outlook.shortage_per_kg): 1.0} for _ in range(outlook.months)]
    for lot in outlook.stock:
        uses = _uses(program, outlook, rent, 0, lot.months_left - 1)
        for month, use in uses.items():
            met[month][use] = 1.0
        rest = _rest(program, outlook, rent, 0, lot.months_left - 1)
        program.row(dict.fromkeys([*uses.values(), rest], 1.0), lot.amount_kg, lot.amount_kg)
    pallets = {
        month: _order(program, outlook, rent, month, met)
        for month, price in enumerate(outlook.price_per_kg)
        if price is not None and _need_kg(outlook, month) > 0
    }
    for row, kg in zip(met, outlook.demand_kg, strict=True):
        program.row(row, kg, kg)
    quantities, bound = program.solve(time_limit_s, gap)
    counts = (
        round(float(quantities[pallets[m]])) if m in pallets else 0 for m in range(outlook.months)
    )
    return tuple(counts), bound


def _order(
    program: _Program,
    outlook: Outlook,
    rent: Sequence[float],
    month: int,
    met: list[dict[int, float]],
) -> int:
    """The columns and rows of what may arrive in a month; the column of its pallets."""
    price = outlook.price_per_kg[month] or 0.0
    most = ceil(_need_kg(outlook, month) / outlook.pallet_kg)
    count = program.column(outlook.pallet_kg * price, most, whole=True)
    placed = program.column(outlook.order_cost, 1, whole=True)
    program.row({count: 1.0, placed: -float(most)}, -inf, 0)
    last = month + outlook.life_months - 1
    uses = _uses(program, outlook, rent, month, last)
    for at, use in uses.items():
        met[at][use] = 1.0
        # The facility-location link: without it half an order would do for half the use.
        program.row({use: 1.0, placed: -outlook.demand_kg[at]}, -inf, 0)
    rest = _rest(program, outlook, rent, month, last)
    whence = dict.fromkeys([*uses.values(), rest], 1.0)
    program.row(whence | {count: -outlook.pallet_kg}, 0, 0)
    return count


def _need_kg(outlook: Outlook, month: int) -> float:
    """What can be used at all of an arrival in a month."""
    return sum(outlook.demand_kg[month : month + outlook.life_months])


def _uses(
    program: _Program, outlook: Outlook, rent: Sequence[float], first: int, last: int
) -> dict[int, int]:
    """Month to the column of what is used then: only after arrival, only within the life."""
    carried = _carried(rent)
    months = range(first, min(last + 1, outlook.months))
    return {m: program.column(carried[m] - carried[first]) for m in months}


def _rest(program: _Program, outlook: Outlook, rent: Sequence[float], first: int, last: int) -> int:
    """The column of what is never used; it stands to the end."""
    carried = _carried(rent)
    waste = outlook.waste_per_kg if last < outlook.months else 0.0
    return program.column(carried[-1] - carried[first] + waste)


# --- Given the pallets: who eats what -------------------------------------------------------


def _poured(outlook: Outlook, pallets: tuple[int, ...]) -> OrderPlan:
    """The plan that ordering these pallets comes to, first to expire first.

    Month by month all that is there is fed until the demand is met, from the source that
    ends first. In time order this greedy matching leaves the least shortage, the earliest
    use and the least waste at once, so that no other use of the same pallets costs less.
    """
    sources = _sources(outlook, pallets)
    left = [source.amount_kg for source in sources]
    use = np.zeros((len(sources), outlook.months))
    shortage: list[float] = []
    for month, wanted in enumerate(outlook.demand_kg):
        missing = float(wanted)
        for place, source in enumerate(sources):
            if source.month <= month <= source.last_month:
                got = min(missing, left[place])
                use[place, month] = got
                left[place] -= got
                missing -= got
        shortage.append(missing if missing > _DUST_KG else 0.0)
    filled = tuple(
        _filled(source, used, rest, outlook.months)
        for source, used, rest in zip(sources, use, left, strict=True)
    )
    cost = _cost(outlook, pallets, filled, shortage)
    in_store = _in_store_kg(filled, outlook.months)
    return OrderPlan(outlook.species, pallets, filled, tuple(shortage), in_store, cost, gap=1.0)


def _sources(outlook: Outlook, pallets: tuple[int, ...]) -> list[Source]:
    """Lots and arrivals in the order of use: who ends first, then who came first."""
    idle = (0.0,) * outlook.months
    stored = [
        Source(lot.lot, 0, lot.months_left - 1, float(lot.amount_kg), idle, 0.0, 0.0)
        for lot in outlook.stock
    ]
    life = outlook.life_months
    arriving = [
        Source(None, month, month + life - 1, count * outlook.pallet_kg, idle, 0.0, 0.0)
        for month, count in enumerate(pallets)
        if count
    ]
    # A stable sort: of equals, what is in store stands before what arrives.
    return sorted([*stored, *arriving], key=lambda source: source.last_month)


def _filled(source: Source, used: Array, rest: float, months: int) -> Source:
    rest = rest if rest > _DUST_KG else 0.0
    good = source.last_month >= months
    use = tuple(float(kg) for kg in used)
    return replace(
        source, use_kg=use, waste_kg=0.0 if good else rest, left_kg=rest if good else 0.0
    )


def _in_store_kg(sources: Sequence[Source], months: int) -> tuple[float, ...]:
    """What stands there at each month's end; what ended with the month is gone."""
    total = np.zeros(months)
    for source in sources:
        after = source.amount_kg - np.cumsum(source.use_kg)
        there = np.arange(months)
        held = (there >= source.month) & (there < source.last_month) & (after > _DUST_KG)
        total += np.where(held, after, 0.0)
    return tuple(float(kg) for kg in total)


def _cost(
    outlook: Outlook, pallets: tuple[int, ...], sources: Sequence[Source], short: Sequence[float]
) -> OrderCost:
    carried = _carried((outlook.holding_per_kg_month,) * outlook.months)
    held = 0.0
    for source in sources:
        months = np.subtract(carried, carried[source.month])
        held += float(np.dot(months[:-1], source.use_kg))
        held += float(months[-1]) * (source.waste_kg + source.left_kg)
    prices = (price or 0.0 for price in outlook.price_per_kg)
    return OrderCost(
        fish=sum(
            count * outlook.pallet_kg * price for count, price in zip(pallets, prices, strict=True)
        ),
        orders=outlook.order_cost * sum(count > 0 for count in pallets),
        holding=held,
        shortage=outlook.shortage_per_kg * sum(short),
        waste=outlook.waste_per_kg * sum(source.waste_kg for source in sources),
    )
