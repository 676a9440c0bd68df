"""Which counts of pieces come first: few are tried all at once, many by branches and bounds.

Works on arrays alone; `service.science.dosing` asks it in words of the trade.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import inf, prod
from typing import Protocol

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, Indices

Flags = npt.NDArray[np.bool_]

MOST_ROWS = 5_000  # counts that are kept as a ladder, or tried at once
MOST_TRIED = 300_000  # counts of some or all products looked at before a search gives up
ROUNDING = 1e-9  # relative: numbers that differ by less are equal
FAR = 1e9  # a room that is no limit
STAGES = ("shortage", "value", "pieces", "cost")  # what is made least, in this order
SLACK = 1e-7  # of a bound, which is never relied on to a rounding
FIRST_ROWS = 200  # built to their end before others, so that the others meet a good best
MOST_KEPT = 24  # multipliers of a bound
MOST_PIVOTS = 100


@dataclass(frozen=True)
class Cupboard:
    """Products as tuples, so that what is worked out for one animal serves all.

    contents : of a smallest piece, one row a product; wanted nutrients stand first.
    most : most pieces of each. weighed : whether all its pieces count as one.
    cost : of a smallest piece. wanted : how many nutrients are wanted.
    """

    contents: tuple[tuple[float, ...], ...]
    most: tuple[int, ...]
    weighed: tuple[bool, ...]
    cost: tuple[float, ...]
    wanted: int


@dataclass(frozen=True)
class Found:
    """The counts that come first and what they come to.

    shortage : sum over needs, relative, each times its weight. value : what was to be
    least after it, the relative excess unless asked otherwise. exact : False where the
    search gave up, and better counts may exist.
    """

    shortage: float
    value: float
    pieces: float
    cost: float
    counts: tuple[int, ...]
    exact: bool = True


def search(
    cupboard: Cupboard,
    amounts: Array,
    rooms: Array,
    *,
    weights: Array | None = None,
    least: int | None = None,
) -> Found:
    """The counts with the least shortage, then excess, pieces, cost, in order of products.

    Parameters
    ----------
    cupboard : at least one wanted nutrient.
    amounts : shape (wanted,), > 0, to be reached.
    rooms : shape (nutrients,), not to be passed.
    weights : shape (wanted,), > 0; what a shortage of each counts, 1 by default.
    least : a nutrient whose total is to be least instead of the excess, by its place.

    Returns
    -------
    Found. Rooms are never passed, by more than 1e-9 of them.

    Notes
    -----
    A product with one wanted nutrient, and no other that is wanted or limited, leaves
    all else alone: its best pieces are read from its nutrient's ladder. The others are
    tried all at once up to 5 000 combinations. More are built product by product,
    the most promising first, and left where no completion can come before the best:
    linear programming's duals bound what products to come must add. After 300 000 of
    them the search gives up, which takes about a second.

    Check
    -----
    100 mg a tablet, at most 24, for 125 mg:

    >>> tablets = Cupboard(((100.0,),), (24,), (False,), (0.0,), 1)
    >>> search(tablets, np.array([125.0]), np.array([np.inf])).counts
    (2,)
    """
    if weights is None:
        weights = np.ones(amounts.size)
    return _Search(cupboard, amounts, rooms, weights, least).best()


class _Ladder(Protocol):
    """Every amount that products with one nutrient alone can give, ascending, by the best pieces.

    Rungs are numbered from 0, which gives nothing.
    """

    def rung(self, lacking: Array, room: Array) -> Indices:
        """The lowest that is enough; where none is within the room, the highest within it."""

    def amount(self, rung: Indices) -> Array:
        """What rungs give."""

    def pieces(self, rung: Indices) -> Array:
        """How many pieces they are."""

    def counts(self, rung: Indices) -> Array:
        """Pieces of each product, shape (rungs, products)."""


@dataclass(frozen=True)
class _Steps:
    """The ladder of one product: a rung for each piece."""

    content: float
    most: int
    weighed: bool

    def rung(self, lacking: Array, room: Array) -> Indices:
        most = np.minimum(np.ceil(lacking / self.content), np.floor(room / self.content))
        rung: Indices = np.clip(most, 0, self.most).astype(np.int64)
        return rung

    def amount(self, rung: Indices) -> Array:
        return np.multiply(rung, self.content, dtype=np.float64)

    def pieces(self, rung: Indices) -> Array:
        return (rung > 0 if self.weighed else rung).astype(np.float64)

    def counts(self, rung: Indices) -> Array:
        return rung[:, None].astype(np.float64)


@dataclass(frozen=True)
class _Rungs:
    """The ladder of several products, each rung written down."""

    amounts: Array
    of_pieces: Array
    of_products: Array

    def rung(self, lacking: Array, room: Array) -> Indices:
        enough = np.searchsorted(self.amounts, lacking)
        within = np.searchsorted(self.amounts, room, side="right") - 1
        rung: Indices = np.minimum(enough, within)
        return rung

    def amount(self, rung: Indices) -> Array:
        return self.amounts[rung]

    def pieces(self, rung: Indices) -> Array:
        return self.of_pieces[rung]

    def counts(self, rung: Indices) -> Array:
        return self.of_products[rung]


@dataclass(frozen=True)
class _Shelf:
    """A cupboard as arrays: products on the ladder of one nutrient, and the others.

    holds : whether a product contains a nutrient. pieces_for_one : pieces that give one
    unit of it, 0 where none does. on_ladder : for each wanted nutrient the products of
    its ladder. several : the rest.
    """

    contents: Array
    holds: Flags
    pieces_for_one: Array
    most: Array
    weighed: Flags
    cost: Array
    on_ladder: tuple[tuple[int, ...], ...]
    ladders: tuple[_Ladder | None, ...]
    several: tuple[int, ...]


@lru_cache(maxsize=64)
def shelf_of(cupboard: Cupboard) -> _Shelf:
    """Sorts products into those on a ladder of one nutrient and those that touch several.

    >>> one = (24, 24), (False, False), (0.0, 0.0), 1
    >>> shelf_of(Cupboard(((100.0, 0.0), (50.0, 7.0)), *one)).several
    (1,)
    """
    alone: list[list[int]] = [[] for _ in range(cupboard.wanted)]
    several: list[int] = []
    for place, row in enumerate(cupboard.contents):
        touched = [n for n, content in enumerate(row) if content > 0]
        lone = len(touched) == 1 and touched[0] < cupboard.wanted
        (alone[touched[0]] if lone else several).append(place)
    on_ladder = [_short_enough(cupboard, places) for places in alone]
    several += [p for n, places in enumerate(alone) for p in places if p not in on_ladder[n]]
    weighed = np.array(cupboard.weighed, dtype=bool)
    contents = np.array(cupboard.contents, dtype=np.float64)
    holds = contents > 0
    return _Shelf(
        contents=contents,
        holds=holds,
        pieces_for_one=np.where(holds, 1 / np.where(holds, contents, 1.0), 0.0),
        most=np.array(cupboard.most, dtype=np.float64),
        weighed=weighed,
        cost=np.array(cupboard.cost, dtype=np.float64),
        on_ladder=tuple(map(tuple, on_ladder)),
        ladders=tuple(_ladder(cupboard, n, places) for n, places in enumerate(on_ladder)),
        several=tuple(sorted(several)),
    )


def _short_enough(cupboard: Cupboard, places: Sequence[int]) -> list[int]:
    """Those of the products with one nutrient whose ladder can be written down, or the longest."""
    size = 1
    chosen: list[int] = []
    for place in sorted(places, key=cupboard.most.__getitem__, reverse=True):
        if not chosen or size * (cupboard.most[place] + 1) <= MOST_ROWS:
            size *= cupboard.most[place] + 1
            chosen.append(place)
    return sorted(chosen)


def _ladder(cupboard: Cupboard, nutrient: int, places: Sequence[int]) -> _Ladder | None:
    """Of equal amounts the fewest pieces stand, then the least cost, then most of the first."""
    if not places:
        return None
    if len(places) == 1:
        (p,) = places
        content, most = cupboard.contents[p][nutrient], cupboard.most[p]
        return _Steps(content, most, cupboard.weighed[p])
    counts = _all_counts(tuple(cupboard.most[p] for p in places))
    weighed = np.array([cupboard.weighed[p] for p in places], dtype=bool)
    amounts = counts @ np.array([cupboard.contents[p][nutrient] for p in places])
    pieces = _pieces(counts, weighed)
    cost = counts @ np.array([cupboard.cost[p] for p in places])
    order = np.argsort(amounts, kind="stable")
    ascending = amounts[order]
    fresh = np.diff(ascending, prepend=-1.0) > ROUNDING * ascending
    rung = np.empty(order.size, dtype=np.int64)
    rung[order] = np.cumsum(fresh)
    by_worth = np.lexsort((np.arange(order.size), _rounded(cost), pieces, rung))
    best = by_worth[np.flatnonzero(np.diff(rung[by_worth], prepend=0))]
    return _Rungs(amounts[best], pieces[best], counts[best])


def _rounded(values: Array) -> Array:
    """Values of which those that differ by rounding only are the same."""
    rounded: Array = np.round(values / ROUNDING)
    return rounded


def _pieces(counts: Array, weighed: Flags) -> Array:
    """Pieces of each row; however much of a weighed product is one."""
    pieces: Array = counts[:, ~weighed].sum(axis=1) + (counts[:, weighed] > 0).sum(axis=1)
    return pieces


@lru_cache(maxsize=128)
def _all_counts(most: tuple[int, ...]) -> Array:
    """Every way to count up to `most` of each, most of the first product first."""
    if not most:
        return np.zeros((1, 0))
    axes = np.meshgrid(*(np.arange(m, -1.0, -1.0) for m in most), indexing="ij")
    return np.stack([a.ravel() for a in axes], axis=1)


@dataclass(frozen=True)
class _Rows:
    """Counts of the first products, what they give, and their part of the four stages.

    stages : shape (rows, 4), without what may still come.
    """

    counts: Array
    given: Array
    stages: Array

    def at(self, rows: "Indices | slice") -> "_Rows":
        return _Rows(self.counts[rows], self.given[rows], self.stages[rows])


class _Bound:
    """What some products must at least add to an objective, from where a row stands.

    A row stands at what it lacks and, negative, at what it has left of each room.
    Multipliers of these, none negative, whose sum over a piece is never more than what
    the piece adds, bound the whole: the duals of linear programming. The best of them
    differ from row to row, so some are kept, each the best of one row.
    """

    def __init__(self, pieces: Array, adds: Array, most: Array) -> None:
        """pieces : shape (products, places), what a piece gives and, negative, takes."""
        self.matrix = np.hstack([pieces, -np.eye(len(pieces))])
        self.adds, self.most = adds, most
        self.multipliers = np.zeros((0, pieces.shape[1]))
        self.constants = np.zeros(0)

    def learn(self, stands: Array) -> None:
        """The best multipliers of one row, made right where rounding has pushed them too high."""
        found = _best_multipliers(self.matrix, self.adds, np.concatenate([stands, -self.most]))
        of_pieces, of_most = np.split(found, [stands.size])
        of_most = of_most + np.maximum(self.matrix @ found - self.adds, 0.0)
        self.multipliers = np.vstack([of_pieces, self.multipliers[: MOST_KEPT - 1]])
        self.constants = np.append(of_most @ self.most, self.constants[: MOST_KEPT - 1])

    def of(self, stands: Array) -> Array:
        """The bound of each row, at least 0."""
        bounds: Array = (stands @ self.multipliers.T - self.constants).max(axis=1, initial=0.0)
        return bounds


def _best_multipliers(matrix: Array, limits: Array, gains: Array) -> Array:
    """The simplex method: the largest gains · x of x ≥ 0 with matrix · x ≤ limits ≥ 0.

    Stopped early it still gives an x that keeps to the limits.
    """
    rows, columns = matrix.shape
    table = np.zeros((rows + 1, columns + rows + 1))
    table[:rows, :columns], table[:rows, columns:-1] = matrix, np.eye(rows)
    table[:rows, -1], table[rows, :columns] = limits, -gains
    basis = np.arange(columns, columns + rows)
    for _ in range(MOST_PIVOTS):
        column = int(table[rows, :-1].argmin())
        rising = np.flatnonzero(table[:rows, column] > ROUNDING)
        if table[rows, column] >= -ROUNDING or not rising.size:
            break
        row = rising[(table[rising, -1] / table[rising, column]).argmin()]
        table[row] /= table[row, column]
        others = table[:, column].copy()
        others[row] = 0.0
        table -= others[:, None] * table[row]
        basis[row] = column
    x = np.zeros(columns + rows)
    x[basis] = np.maximum(table[:rows, -1], 0.0)
    return x[:columns]


class _Search:
    """One animal's question; wanted nutrients stand first."""

    def __init__(
        self,
        cupboard: Cupboard,
        amounts: Array,
        rooms: Array,
        weights: Array,
        least: int | None,
    ) -> None:
        self.shelf = shelf_of(cupboard)
        self.amounts, self.weights, self.least = amounts, weights, least
        self.wanted = amounts.size
        self.enough = amounts * (1 - ROUNDING)
        self.rooms = rooms * (1 + ROUNDING)
        self.most = self._most()
        self.order = sorted(self.shelf.several, key=self.most.__getitem__)
        self.found: Found | None = None
        self.tried = 0

    def _most(self) -> list[int]:
        """More pieces of each product than this are never useful, or pass a limit."""
        shelf = self.shelf
        useful = (self.enough * shelf.pieces_for_one[:, : self.wanted]).max(axis=1)
        rooms = np.minimum(self.rooms, 1e200)  # times 0 it is 0
        allowed = np.where(shelf.holds, rooms * shelf.pieces_for_one, inf).min(axis=1)
        most = np.minimum(np.ceil(useful), np.floor(allowed))
        counts: list[int] = np.minimum(most, shelf.most).astype(np.int64).tolist()
        return counts

    def best(self) -> Found:
        """The counts that come first."""
        if prod(self.most[place] + 1 for place in self.order) <= MOST_ROWS:
            counts = _all_counts(tuple(self.most[p] for p in self.order))
            self._try(counts, counts @ self.shelf.contents[self.order])
        else:
            self._prepare()
            self._build(0, self._nothing())
        assert self.found is not None  # no pieces at all pass no limit
        return replace(self.found, exact=self.tried <= MOST_TRIED)

    def _prepare(self) -> None:
        """What a piece of each product adds to the four stages, and bounds for every depth.

        What stays short of a need counts as one more product, that fills the need and
        adds to the shortage. Each stage may use up no more of those before it than the best.
        """
        shelf, wanted = self.shelf, self.wanted
        relative = shelf.contents[:, :wanted] / self.amounts
        value = relative.sum(axis=1) if self.least is None else shelf.contents[:, self.least]
        count = np.where(shelf.weighed, 0.0, 1.0)
        self.adds = np.column_stack([np.zeros(count.size), value, count, shelf.cost])
        self.limited = np.flatnonzero(np.isfinite(self.rooms))
        rooms = self.rooms[self.limited]
        self.scale = np.where(rooms > 0, rooms, 1.0)
        self.mixed = np.sqrt(np.arange(self.rooms.size) + 2.0)  # equal rows come to stand together
        self.twin = self._twins()
        self.aim = np.array([0.0, inf, inf, inf])
        self.bounds = [self._bounds(depth) for depth in range(len(self.order) + 1)]
        stands = self._stands(self._nothing())[:, :-3]
        self.bounds[0][0].learn(stands[0])
        self.aim[0] = self.bounds[0][0].of(stands)[0]

    def _nothing(self) -> _Rows:
        return _Rows(np.zeros((1, 0)), np.zeros((1, self.rooms.size)), np.zeros((1, len(STAGES))))

    def _twins(self) -> dict[int, int]:
        """For a product that is equal to one before it, the depth of that one."""
        seen: dict[tuple[float, ...], int] = {}
        twin: dict[int, int] = {}
        for depth, place in enumerate(self.order):
            shelf = self.shelf
            key = (*shelf.contents[place], shelf.cost[place], shelf.weighed[place])
            if key in seen:
                twin[place] = seen[key]
            seen[key] = depth
        return twin

    def _bounds(self, depth: int) -> list[_Bound]:
        """For each stage, what comes at least after the first `depth` branched products."""
        shelf, wanted = self.shelf, self.wanted
        left = [*self.order[depth:], *(p for places in shelf.on_ladder for p in places)]
        contents = shelf.contents[left]
        pieces = np.hstack(
            [contents[:, :wanted] / self.amounts, -contents[:, self.limited] / self.scale]
        )
        short = np.zeros((wanted, pieces.shape[1]))
        short[:, :wanted] = np.eye(wanted)
        short_adds = np.zeros((wanted, len(STAGES)))
        short_adds[:, 0] = self.weights
        pieces, adds = np.vstack([pieces, short]), np.vstack([self.adds[left], short_adds])
        most = np.concatenate([[float(self.most[p]) for p in left], np.ones(wanted)])
        return [
            _Bound(np.hstack([pieces, -adds[:, :stage]]), adds[:, stage], most)
            for stage in range(len(STAGES))
        ]

    def _build(self, depth: int, rows: _Rows) -> None:
        """Adds one product to each row, the most promising rows first, and goes on with those."""
        if depth == len(self.order):
            self._try(rows.counts, rows.given)
            return
        each = self.most[self.order[depth]] + 1
        start, end = 0, max(1, FIRST_ROWS // each)
        while start < len(rows.counts) and (self.tried <= MOST_TRIED or self.found is None):
            part = self._promising(rows.at(slice(start, end)), depth)
            if len(part.counts):
                self._build(depth + 1, self._grown(part, depth))
            start, end = end, end + max(1, MOST_ROWS // each)

    def _grown(self, rows: _Rows, depth: int) -> _Rows:
        """Each row with each count of one more product, those left that may come first."""
        place = self.order[depth]
        steps = np.arange(self.most[place] + 1.0)
        given = rows.given[:, None, :] + steps[:, None] * self.shelf.contents[place]
        given = given.reshape(-1, self.rooms.size)
        self.tried += len(given)
        fits = (given <= self.rooms).all(axis=1)
        old, step = np.divmod(np.arange(len(given)), steps.size)
        if place in self.twin:  # of equal products the first is given first
            full = rows.counts[:, self.twin[place]] == self.most[place]
            fits &= full[old] | (step == 0)
        old, added = old[fits], steps[step[fits]]
        stages = rows.stages[old] + added[:, None] * self.adds[place]
        if self.shelf.weighed[place]:
            stages[:, 2] += added > 0
        grown = _Rows(np.column_stack([rows.counts[old], added]), given[fits], stages)
        grown = self._promising(grown, depth + 1)
        if depth + 1 < len(self.order) and len(grown.counts):
            self._learn(grown, depth + 1)
            grown = self._without_equals(self._promising(grown, depth + 1), depth + 1)
        return grown

    def _without_equals(self, rows: _Rows, depth: int) -> _Rows:
        """Of rows that give the same, the one with the fewest pieces, least cost, in order."""
        places = sorted(range(depth), key=self.order.__getitem__, reverse=True)
        keys = [*(-rows.counts[:, p] for p in places), _rounded(rows.stages[:, 3])]
        order = np.lexsort([*keys, rows.stages[:, 2], _rounded(rows.given @ self.mixed)])
        given = rows.given[order]
        same = (np.abs(np.diff(given, axis=0)) <= ROUNDING * given[1:]).all(axis=1)
        return rows.at(np.sort(np.delete(order, np.flatnonzero(same) + 1)))

    def _learn(self, rows: _Rows, depth: int) -> None:
        """Bounds that are the best for the most promising row."""
        stands = self._stands(rows.at(slice(1)))[0]
        for stage, bound in enumerate(self.bounds[depth]):
            if stage < 2 or self.found is not None:
                bound.learn(stands[: stands.size - 3 + stage])

    def _best_stages(self) -> Array:
        """The stages of the best found, the excess counted as all that is given, relative."""
        best = self.found
        if best is None:
            return self.aim
        value = best.value if self.least is not None else best.value + self.wanted - best.shortage
        return np.array([best.shortage, value, best.pieces, best.cost])

    def _stands(self, rows: _Rows) -> Array:
        """What rows lack, relative, and (negative) the room they have left under each limit.

        The last three places are what is left of the first three stages until a row is
        behind the best.
        """
        lacks = np.maximum(1 - rows.given[:, : self.wanted] / self.amounts, 0.0)
        left = (rows.given[:, self.limited] - self.rooms[self.limited]) / self.scale
        behind = rows.stages[:, :3] - self._best_stages()[:3] - SLACK
        return np.hstack([lacks, left, np.maximum(behind, -FAR)])

    def _promising(self, rows: _Rows, depth: int) -> _Rows:
        """Those rows of which something may come that is not behind the best, in their order."""
        stands, best = self._stands(rows), self._best_stages()
        least = rows.stages.copy()
        for stage, bound in enumerate(self.bounds[depth]):
            least[:, stage] += bound.of(stands[:, : stands.shape[1] - 3 + stage])
        behind = np.zeros(len(least), dtype=bool)
        for stage in (3, 2, 1, 0) if self.found is not None else ():
            over = least[:, stage] - best[stage]
            behind = (over > SLACK) | ((over >= -SLACK) & behind)
        keep = np.flatnonzero(~behind)
        return rows.at(keep[np.lexsort(least[keep, ::-1].T)])

    def _try(self, counts: Array, given: Array) -> None:
        """The best of these counts, each with the best of the ladders, if it comes first."""
        shelf, wanted = self.shelf, self.wanted
        left = self.rooms - given
        fits = np.flatnonzero((left >= 0).all(axis=1))
        if not fits.size:
            return
        counts, given, left = counts[fits], given[fits], left[fits]
        rungs: list[tuple[int, _Ladder, Indices]] = []
        for n, ladder in enumerate(shelf.ladders):
            if ladder is not None:
                rung = ladder.rung(self.enough[n] - given[:, n], left[:, n])
                rungs.append((n, ladder, rung))
                given[:, n] += ladder.amount(rung)
        over = given[:, :wanted] / self.amounts - 1
        shortage = _sum_above(-over, self.weights)
        value = np.maximum(over, 0.0).sum(axis=1) if self.least is None else given[:, self.least]
        ties = _least(_least(np.arange(fits.size), shortage), value)
        pieces = np.zeros(fits.size)
        pieces[ties] = _pieces(counts[ties], shelf.weighed[self.order])
        for _, ladder, rung in rungs:
            pieces[ties] += ladder.pieces(rung[ties])
        ties = _least(ties, pieces)
        whole = np.zeros((ties.size, len(self.most)))
        whole[:, self.order] = counts[ties]
        for n, ladder, rung in rungs:
            whole[:, shelf.on_ladder[n]] = ladder.counts(rung[ties])
        cost = whole @ shelf.cost
        cheapest = _least(np.arange(ties.size), cost)
        ties, whole, cost = ties[cheapest], whole[cheapest], cost[cheapest]
        first = _first(whole)
        row = ties[first]
        found = Found(
            float(shortage[row]),
            float(value[row]),
            float(pieces[row]),
            float(cost[first]),
            tuple(whole[first].astype(np.int64).tolist()),
        )
        if self.found is None or _comes_before(found, self.found):
            self.found = found


def _comes_before(one: Found, other: Found) -> bool:
    for mine, its in (
        (one.shortage, other.shortage),
        (one.value, other.value),
        (one.pieces, other.pieces),
        (one.cost, other.cost),
    ):
        if not abs(mine - its) <= ROUNDING:
            return mine < its
    return one.counts > other.counts


def _first(rows: Array) -> int:
    """The row with most of the first product, then of the second, and so on."""
    left = np.arange(len(rows))
    for column in rows.T:
        if left.size == 1:
            break
        among = column[left]
        left = left[among == among.max()]
    return int(left[0])


def _least(rows: Indices, values: Array) -> Indices:
    """Those rows whose value is the least, but for rounding."""
    among = values[rows]
    least: Indices = rows[among <= among.min() + ROUNDING]
    return least


def _sum_above(short: Array, weights: Array) -> Array:
    """The weighted sum of relative shortages, by row; those of rounding count nothing."""
    total = np.maximum(short, 0.0) @ weights
    summed: Array = np.where(total < ROUNDING, 0.0, total)
    return summed
