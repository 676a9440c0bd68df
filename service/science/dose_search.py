"""Which counts of pieces come first: few are tried all at once, many by branches and bounds.

Works on arrays alone; `service.science.dosing` asks it in words of the trade.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import inf

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, Indices

Flags = npt.NDArray[np.bool_]

MOST_ROWS = 5_000  # counts that are kept as a ladder, or tried at once
MOST_TRIED = 1_500_000  # counts of some or all products looked at before a search gives up
ROUNDING = 1e-9  # relative: numbers that differ by less are equal


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
    bounds are multipliers that no product's contents exceed (linear programming's
    duals, not the best of them). After 1 500 000 of them the search gives up, after
    about a second.

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


@dataclass(frozen=True)
class _Ladder:
    """Every amount that products with one nutrient alone can give, ascending, by the best pieces.

    amounts : shape (rungs,), from 0. counts : shape (rungs, products). pieces, cost : of a rung.
    """

    amounts: Array
    counts: Array
    pieces: Array
    cost: Array


@dataclass(frozen=True)
class _Shelf:
    """A cupboard as arrays: products on the ladder of one nutrient, and the others.

    on_ladder : for each wanted nutrient the products of its ladder. several : the rest.
    """

    contents: Array
    most: Array
    weighed: Flags
    cost: Array
    on_ladder: tuple[tuple[int, ...], ...]
    ladders: tuple[_Ladder, ...]
    several: tuple[int, ...]


@lru_cache(maxsize=64)
def shelf_of(cupboard: Cupboard) -> _Shelf:
    """Sorts products into those on a ladder of one nutrient and those that touch several.

    >>> one = (24, 24), (False, False), (0.0, 0.0), 1
    >>> shelf_of(Cupboard(((100.0, 0.0), (50.0, 7.0)), *one)).several
    (1,)
    """
    on_ladder: list[list[int]] = [[] for _ in range(cupboard.wanted)]
    sizes = [1] * cupboard.wanted
    several: list[int] = []
    for place, row in enumerate(cupboard.contents):
        touched = [n for n, content in enumerate(row) if content > 0]
        lone = touched[0] if len(touched) == 1 and touched[0] < cupboard.wanted else None
        if lone is not None and sizes[lone] * (cupboard.most[place] + 1) <= MOST_ROWS:
            sizes[lone] *= cupboard.most[place] + 1
            on_ladder[lone].append(place)
        else:
            several.append(place)
    weighed = np.array(cupboard.weighed, dtype=bool)
    return _Shelf(
        contents=np.array(cupboard.contents, dtype=np.float64),
        most=np.array(cupboard.most, dtype=np.float64),
        weighed=weighed,
        cost=np.array(cupboard.cost, dtype=np.float64),
        on_ladder=tuple(map(tuple, on_ladder)),
        ladders=tuple(_ladder(cupboard, n, places) for n, places in enumerate(on_ladder)),
        several=tuple(several),
    )


def _ladder(cupboard: Cupboard, nutrient: int, places: Sequence[int]) -> _Ladder:
    """Of equal amounts the fewest pieces stand, then the least cost, then most of the first."""
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
    return _Ladder(amounts[best], counts[best], pieces[best], cost[best])


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
    """Counts of the first products, what they give, and the least that can come of them."""

    counts: Array
    given: Array
    pieces: Array
    cost: Array
    shortage: Array
    value: Array

    def at(self, rows: "Indices | slice") -> "_Rows":
        return _Rows(
            self.counts[rows],
            self.given[rows],
            self.pieces[rows],
            self.cost[rows],
            self.shortage[rows],
            self.value[rows],
        )


@dataclass(frozen=True)
class _Ahead:
    """What the products that are still to come can do, whatever their counts.

    most : of each wanted nutrient. per_room, free : of each limited nutrient, the most
    relative amounts (and their weighted sum, last) that a unit of its room gives, and
    what comes without it. multipliers : shape (ways, wanted). richest : relative
    amounts in one piece.
    """

    most: Array
    limited: Indices
    per_room: Array
    free: Array
    multipliers: Array
    richest: Array


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
        self.most = self._bounds()
        self.order = sorted(self.shelf.several, key=self.most.__getitem__)
        self.found = Found(inf, inf, inf, inf, ())
        self.tried = 0

    def _bounds(self) -> list[int]:
        """More pieces of each product than this are never useful, or pass a limit."""
        contents = self.shelf.contents
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            useful = np.where(
                contents[:, : self.wanted] > 0, self.enough / contents[:, : self.wanted], 0.0
            )
            allowed = np.where(contents > 0, self.rooms / contents, inf)
        most = np.minimum(np.ceil(useful.max(axis=1)), np.floor(allowed.min(axis=1)))
        counts: list[int] = np.minimum(most, self.shelf.most).astype(np.int64).tolist()
        return counts

    def best(self) -> Found:
        """The counts that come first."""
        size = 1
        for place in self.order:
            size *= self.most[place] + 1
        if size <= MOST_ROWS:
            counts = _all_counts(tuple(self.most[p] for p in self.order))
            given = counts @ self.shelf.contents[self.order]
            self._try(counts, given)
            return self.found
        self.ahead = [self._ahead(depth) for depth in range(len(self.order) + 1)]
        nothing = np.zeros(1)
        given = np.zeros((1, self.rooms.size))
        self._build(0, _Rows(np.zeros((1, 0)), given, nothing, nothing, nothing, nothing))
        if self.tried > MOST_TRIED:
            return Found(**{**vars(self.found), "exact": False})
        return self.found

    def _build(self, depth: int, rows: _Rows) -> None:
        """Adds one product to each row, the most promising rows first, and goes on with those."""
        if depth == len(self.order):
            self._try(rows.counts, rows.given)
            return
        place = self.order[depth]
        steps = np.arange(self.most[place] + 1.0)
        together = max(1, MOST_ROWS // steps.size)
        for start in range(0, rows.pieces.size, together):
            if self.tried > MOST_TRIED:
                return
            part = rows.at(slice(start, start + together))
            part = part.at(np.flatnonzero(self._may_come_first(part)))
            if part.pieces.size:
                self._build(depth + 1, self._grown(part, place, steps, depth + 1))

    def _grown(self, rows: _Rows, place: int, steps: Array, depth: int) -> _Rows:
        """Each row with each count of one more product, those left that may come first."""
        shelf = self.shelf
        given = rows.given[:, None, :] + steps[:, None] * shelf.contents[place]
        given = given.reshape(-1, self.rooms.size)
        self.tried += len(given)
        fits = np.flatnonzero((given <= self.rooms).all(axis=1))
        old, step = np.divmod(fits, steps.size)
        added = steps[step]
        given = given[fits]
        shortage, value, more = self._bound(given, self.ahead[depth])
        grown = _Rows(
            np.column_stack([rows.counts[old], added]),
            given,
            rows.pieces[old] + (added > 0 if shelf.weighed[place] else added),
            rows.cost[old] + added * shelf.cost[place],
            shortage,
            value,
        )
        keep = np.flatnonzero(self._may_come_first(grown, more))
        keep = keep[np.lexsort((value[keep], shortage[keep]))]
        return grown.at(keep)

    def _may_come_first(self, rows: _Rows, more: Array | float = 0.0) -> Flags:
        """Whether the least that can come of a row is not behind the best found."""
        best = self.found
        shortage, value = rows.shortage - best.shortage, rows.value - best.value
        pieces, cost = rows.pieces + more - best.pieces, rows.cost - best.cost
        behind = (pieces > 0) | ((pieces == 0) & (cost > ROUNDING))
        behind = (value > ROUNDING) | ((value >= -ROUNDING) & behind)
        behind = (shortage > ROUNDING) | ((shortage >= -ROUNDING) & behind)
        ahead: Flags = ~behind
        return ahead

    def _objective(self) -> Array:
        """What a piece of each product adds to what is to be least."""
        if self.least is not None:
            return self.shelf.contents[:, self.least]
        relative: Array = (self.shelf.contents[:, : self.wanted] / self.amounts).sum(axis=1)
        return relative

    def _ahead(self, depth: int) -> _Ahead:
        """Bounds on what comes after the first `depth` branched products."""
        shelf = self.shelf
        left = [*self.order[depth:], *(p for places in shelf.on_ladder for p in places)]
        contents, most = shelf.contents[left], np.array([self.most[p] for p in left])
        relative = contents[:, : self.wanted] / self.amounts
        gains = np.column_stack([relative, relative @ self.weights])
        limited = np.flatnonzero(np.isfinite(self.rooms))
        per_room, free = np.zeros((2, limited.size, self.wanted + 1))
        for row, nutrient in enumerate(limited):
            touches = contents[:, nutrient] > 0
            if touches.any():
                per_room[row] = (gains[touches] / contents[touches][:, [nutrient]]).max(axis=0)
            free[row] = most[~touches] @ gains[~touches]
        richest = np.where(shelf.weighed[left][:, None], np.where(relative > 0, inf, 0.0), relative)
        return _Ahead(
            most=most @ relative,
            limited=limited,
            per_room=per_room,
            free=free,
            multipliers=_multipliers(relative, self._objective()[left]),
            richest=richest.max(axis=0, initial=0.0),
        )

    def _bound(self, given: Array, ahead: _Ahead) -> tuple[Array, Array, Array]:
        """The least shortage, value and further pieces of what can come of each row."""
        wanted = self.wanted
        has = given[:, :wanted] / self.amounts
        lacks = np.maximum(1 - has, 0.0)
        reach = np.minimum(has + ahead.most, self.rooms[:wanted] / self.amounts)
        together = lacks @ self.weights
        comes = np.full(len(given), inf)
        for row, nutrient in enumerate(ahead.limited):
            room = self.rooms[nutrient] - given[:, nutrient]
            most = room[:, None] * ahead.per_room[row] + ahead.free[row]
            reach = np.minimum(reach, has + most[:, :-1])
            comes = np.minimum(comes, most[:, -1])
        shortage = np.maximum(_sum_above(1 - reach, self.weights), together - comes)
        shortage = np.where(shortage < ROUNDING, 0.0, shortage)
        short = self.found.shortage
        if short == inf:
            return shortage, np.zeros(len(given)), np.zeros(len(given))
        value = (lacks @ ahead.multipliers.T - short * ahead.multipliers.max(axis=1)).max(axis=1)
        value = np.maximum(value, 0.0)
        if self.least is None:
            value += has.sum(axis=1) - wanted + short
        else:
            value += given[:, self.least]
        with np.errstate(divide="ignore", invalid="ignore"):
            more = np.where(lacks > short + ROUNDING, (lacks - short) / ahead.richest, 0.0)
        return shortage, value, np.ceil(more.max(axis=1) - ROUNDING)

    def _try(self, counts: Array, given: Array) -> None:
        """The best of these counts, each with the best of the ladders, if it comes first."""
        shelf, wanted = self.shelf, self.wanted
        left = self.rooms - given
        fits = np.flatnonzero((left >= 0).all(axis=1))
        if not fits.size:
            return
        counts, given, left = counts[fits], given[fits], left[fits]
        pieces = _pieces(counts, shelf.weighed[self.order])
        cost = counts @ shelf.cost[self.order]
        rungs: list[tuple[int, Indices]] = []
        for n, ladder in enumerate(shelf.ladders):
            if ladder.amounts.size > 1:
                rung = _rung(ladder, self.enough[n] - given[:, n], left[:, n])
                rungs.append((n, rung))
                given[:, n] += ladder.amounts[rung]
                pieces = pieces + ladder.pieces[rung]
                cost = cost + ladder.cost[rung]
        over = given[:, :wanted] / self.amounts - 1
        shortage = _sum_above(-over, self.weights)
        value = np.maximum(over, 0.0).sum(axis=1) if self.least is None else given[:, self.least]
        ties = np.arange(fits.size)
        for measure in (shortage, value, pieces, cost):
            ties = _least(ties, measure)
        whole = np.zeros((ties.size, len(self.most)))
        whole[:, self.order] = counts[ties]
        for n, rung in rungs:
            whole[:, shelf.on_ladder[n]] = shelf.ladders[n].counts[rung[ties]]
        first = _first(whole)
        row = ties[first]
        found = Found(
            float(shortage[row]),
            float(value[row]),
            float(pieces[row]),
            float(cost[row]),
            tuple(whole[first].astype(np.int64).tolist()),
        )
        if _comes_before(found, self.found):
            self.found = found


def _multipliers(relative: Array, objective: Array) -> Array:
    """Multipliers of needs whose sum over a piece is never more than the piece's objective.

    So what is lacking, times them, is never more than what its pieces add to the
    objective. Each row raises the needs in another order, as far as the products let it.
    """
    wanted = relative.shape[1]
    multipliers = np.zeros((wanted, wanted))
    slack = np.tile(objective, (wanted, 1))
    rows = np.arange(wanted)
    for turn in range(wanted):
        need = (rows + turn) % wanted
        holds = relative.T[need]
        with np.errstate(divide="ignore", invalid="ignore"):
            most = np.where(holds > 0, slack / holds, inf).min(axis=1, initial=inf)
        most = np.where(np.isfinite(most), np.maximum(most, 0.0), 0.0)
        multipliers[rows, need] = most
        slack = slack - most[:, None] * holds
    return np.vstack([multipliers, multipliers.mean(axis=0)])


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


def _rung(ladder: _Ladder, lacking: Array, room: Array) -> Indices:
    """The lowest rung that is enough; where none is within the room, the highest within it."""
    enough = np.searchsorted(ladder.amounts, lacking)
    within = np.searchsorted(ladder.amounts, room, side="right") - 1
    rung: Indices = np.minimum(enough, within)
    return rung


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
