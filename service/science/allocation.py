"""Which fish for whom: oldest first, and mixes of species.

Linear programs are solved by HiGHS through SciPy, imported where used.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, floor, inf

import numpy as np


@dataclass(frozen=True)
class Stock:
    """A lot in the order of use: what is available, and its carton where only whole ones go.

    available, carton : kilograms; else ValueError naming the lot.

    >>> Stock("L1", "HER", -1)
    Traceback (most recent call last):
    ...
    ValueError: lot L1: available must be 0 or more
    """

    lot: str
    species: str
    available: float
    carton: float | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.available < inf:
            raise ValueError(f"lot {self.lot}: available must be 0 or more")
        if self.carton is not None and not 0 < self.carton < inf:
            raise ValueError(f"lot {self.lot}: carton must be more than zero")


@dataclass(frozen=True)
class Request:
    """What somebody needs: from which species, within which shares, how pressing.

    amount : kilograms or energy. allowed : least and largest share of each species.
    weight : 0.001 to 1000. Raises ValueError naming the request for figures outside.

    >>> Request("seal", 5, {"HER": (0.6, 1.0), "CAP": (0.5, 1.0)})
    Traceback (most recent call last):
    ...
    ValueError: request seal: the least shares must not sum to more than 1
    """

    name: str
    amount: float
    allowed: Mapping[str, tuple[float, float]]
    weight: float = 1.0

    def __post_init__(self) -> None:
        if not 0 <= self.amount < inf:
            raise ValueError(f"request {self.name}: amount must be 0 or more")
        if not 1e-3 <= self.weight <= 1e3:
            raise ValueError(f"request {self.name}: weight must lie between 0.001 and 1000")
        if any(not 0 <= least <= most <= 1 for least, most in self.allowed.values()):
            raise ValueError(f"request {self.name}: shares must satisfy 0 <= least <= most <= 1")
        if sum(least for least, _ in self.allowed.values()) > 1 + 1e-9:
            raise ValueError(f"request {self.name}: the least shares must not sum to more than 1")


@dataclass(frozen=True)
class Taken:
    """What a request gets from a lot."""

    request: str
    lot: str
    amount: float


@dataclass(frozen=True)
class Allocation:
    """Takes in the order of use, what is short by request, and what opened cartons leave over."""

    takes: tuple[Taken, ...]
    shortages: Mapping[str, float]
    surplus: Mapping[str, float] = field(default_factory=dict)


def pour(stock: Sequence[Stock], requests: Sequence[tuple[str, float]]) -> Allocation:
    """Lots of one species in order over requests in order: oldest first by construction.

    Parameters
    ----------
    stock : lots of one species in the order of use; with a carton only whole
        cartons leave, rounded up over all requests together.
    requests : (name, amount) in the order of feeding.

    Returns
    -------
    Allocation. Never more than is there; a later lot only when the earlier is
    used up.

    Raises
    ------
    ValueError
        For an amount that is negative or not finite, or a name that comes twice.

    Source
    ------
    Water filling; science reference 11.1, stage 2.

    Check
    -----
    >>> a = pour([Stock("A", "HER", 30), Stock("B", "HER", 50)], [("1", 20), ("2", 45)])
    >>> [(t.request, t.lot, t.amount) for t in a.takes]
    [('1', 'A', 20), ('2', 'A', 10), ('2', 'B', 35)]
    """
    if any(not 0 <= amount < inf for _, amount in requests):
        raise ValueError("amounts must be 0 or more")
    _once([name for name, _ in requests])
    left = [_usable(s) for s in stock]
    takes: list[Taken] = []
    shortages: dict[str, float] = {}
    used = [0.0] * len(stock)
    for name, amount in requests:
        missing = amount
        for place, lot in enumerate(stock):
            got = min(missing, left[place])
            if got > 0:
                takes.append(Taken(name, lot.lot, got))
                left[place] -= got
                used[place] += got
                missing -= got
        if missing > 1e-9:
            shortages[name] = missing
    surplus = {
        s.lot: ceil(u / s.carton - 1e-9) * s.carton - u
        for s, u in zip(stock, used, strict=True)
        if s.carton and u > 0
    }
    return Allocation(tuple(takes), shortages, {k: v for k, v in surplus.items() if v > 1e-9})


def _once(names: Sequence[str]) -> None:
    if len(set(names)) < len(names):
        raise ValueError("each request must have a name of its own")


def _usable(stock: Stock) -> float:
    if stock.carton is None:
        return stock.available
    return floor(stock.available / stock.carton + 1e-9) * stock.carton


def allocate(
    stock: Sequence[Stock],
    requests: Sequence[Request],
    *,
    energy_per_kg: Mapping[str, float] | None = None,
) -> Allocation:
    """Requests that may take several species: shares by a linear program, lots by pouring.

    Parameters
    ----------
    stock : lots, each species in its order of use.
    requests : in the order of feeding; `allowed` gives each species' least and
        largest share of the request.
    energy_per_kg : per species, where requests are in energy; None: in kilograms.

    Returns
    -------
    Allocation, takes in kilograms, shortages in the requests' unit. The weighted
    shortage is the least possible; the order within a species is never broken.

    Raises
    ------
    ValueError
        For a name that comes twice or an energy that is not more than zero. Amounts
        and shares are checked by Stock and Request.

    Notes
    -----
    Stage 1 a linear program over request × species; stage 2 `pour`. Cost: 100
    lots, 60 requests, 8 species about 5 ms.

    Leaves out days to come: what is opened today may be missed tomorrow.

    Source
    ------
    Science reference 11.1.

    Check
    -----
    Who can eat either leaves the herring to who can not:

    >>> stock = [Stock("L1", "HER", 10), Stock("L2", "CAP", 10)]
    >>> either = Request("seal", 10, {"HER": (0, 1), "CAP": (0, 1)})
    >>> found = allocate(stock, [either, Request("penguin", 10, {"HER": (0, 1)})])
    >>> sorted((t.request, t.lot, round(t.amount, 6)) for t in found.takes), found.shortages
    ([('penguin', 'L1', 10.0), ('seal', 'L2', 10.0)], {})
    """
    from scipy.optimize import linprog  # noqa: PLC0415 - where used: 40 MB

    species = sorted({s.species for s in stock} | {k for r in requests for k in r.allowed})
    energy = {k: 1.0 if energy_per_kg is None else energy_per_kg.get(k, 0.0) for k in species}
    if any(not 0 < value < inf for value in energy.values()):
        raise ValueError("energy_per_kg must be more than zero for each species")
    _once([request.name for request in requests])
    if not requests:
        return Allocation((), {})
    pairs = [(i, k) for i, r in enumerate(requests) for k in species if k in r.allowed]
    count = len(pairs) + len(requests)
    cost = np.zeros(count)
    cost[: len(pairs)] = 1e-6
    for i, request in enumerate(requests):
        cost[len(pairs) + i] = request.weight
    equal = np.zeros((len(requests), count))
    above = np.zeros((len(species) + len(pairs), count))
    bounds: list[tuple[float, float | None]] = []
    for column, (i, kind) in enumerate(pairs):
        equal[i, column] = 1.0
        above[species.index(kind), column] = 1.0
        least, most = requests[i].allowed[kind]
        # At least its share of what is not short: y >= least · (amount - shortage).
        above[len(species) + column, column] = -1.0
        above[len(species) + column, len(pairs) + i] = -least
        bounds.append((0.0, most * requests[i].amount))
    equal[:, len(pairs) :] = np.eye(len(requests))
    bounds += [(0.0, None)] * len(requests)
    room = [energy[k] * sum(_usable(s) for s in stock if s.species == k) for k in species]
    room += [-requests[i].allowed[k][0] * requests[i].amount for i, k in pairs]
    found = linprog(
        cost,
        A_ub=above,
        b_ub=room,
        A_eq=equal,
        b_eq=[r.amount for r in requests],
        bounds=bounds,
        method="highs",
    )
    if not found.success:
        raise ValueError("the requests cannot be met as they stand")
    takes: list[Taken] = []
    surplus: dict[str, float] = {}
    for kind in species:
        wanted = [
            (requests[i].name, float(found.x[c]) / energy[kind])
            for c, (i, k) in enumerate(pairs)
            if k == kind and found.x[c] > 1e-9
        ]
        poured = pour([s for s in stock if s.species == kind], wanted)
        takes += poured.takes
        surplus |= poured.surplus
    short = {
        r.name: float(found.x[len(pairs) + i])
        for i, r in enumerate(requests)
        if found.x[len(pairs) + i] > 1e-6
    }
    return Allocation(tuple(takes), short, surplus)
