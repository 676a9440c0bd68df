"""How much of a nutrient to add, and which pieces of which products give it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, inf

import numpy as np

from service.science.arrays import Array, Indices

MAX_PIECES = 24  # of one product per animal and day
MOST_ROWS = 5_000  # combinations that are kept as a ladder, or tried at once
_ROUNDING = 1e-9
_NOTHING: Indices = np.zeros((1, 0), dtype=np.int64)


@dataclass(frozen=True)
class Need:
    """What must be added of one nutrient, and what may at most be added."""

    nutrient: str
    amount: float
    room: float = inf


@dataclass(frozen=True)
class Offer:
    """One product: what a smallest piece (a whole or half tablet) contains."""

    product: str
    contents: Mapping[str, float]
    pieces_per_unit: int = 1


@dataclass(frozen=True)
class Unmet:
    """A need that stays short, and why."""

    nutrient: str
    short_by: float
    why: str


@dataclass(frozen=True)
class Dose:
    """Pieces per product that meet the needs, and what stays unmet."""

    pieces: Mapping[str, int]
    excess: float
    unmet: tuple[Unmet, ...]


def amount_needed(required: float, credit: float) -> float:
    """What to add: never less than nothing (science reference 8).

    >>> amount_needed(125, 0), amount_needed(10, 12)
    (125, 0)
    """
    if required < 0 or credit < 0:
        raise ValueError("required and credit must not be negative")
    return max(0, required - credit)


def choose_pieces(needs: Sequence[Need], offers: Sequence[Offer]) -> Dose:
    """The pieces that meet all needs under all limits with the least excess.

    Objective in order: smallest sum of relative shortage, smallest sum of relative
    excess, fewest pieces, most of the products that stand first in `offers`. A need
    that no product contains is reported and stops nothing else; where a need cannot
    be met under the limits, the largest dose under them is given and the shortage
    reported.

    Parameters
    ----------
    needs : one per nutrient; a nutrient with amount 0 only limits.
    offers : products in order of preference.

    Returns
    -------
    Dose. Limits are never crossed.

    Raises
    ------
    ValueError
        If an amount or room is negative, or two needs name one nutrient.

    Notes
    -----
    Exact, at most 24 (or, of halves, 48) pieces a product. Products with one nutrient
    cost a look-up; up to 5 000 combinations of the others are tried at once, more by
    branch and bound. A usual cupboard costs a fraction of a millisecond; the worst
    case grows with the product of the bounds of products with several nutrients.

    Source
    ------
    Science reference 8 (derived there; checked against a solver).

    Check
    -----
    >>> offers = [Offer("B1-100", {"THIA": 100.0})]
    >>> dict(choose_pieces([Need("THIA", 125)], offers).pieces)
    {'B1-100': 2}
    """
    _check(needs)
    contained = {n for offer in offers for n, a in offer.contents.items() if a > 0}
    absent = [
        Unmet(n.nutrient, n.amount, "no product contains it")
        for n in needs
        if n.amount > 0 and n.nutrient not in contained
    ]
    wanted = [n for n in needs if n.amount > 0 and n.nutrient in contained]
    limits = {n.nutrient: n.room for n in needs}
    useful = [o for o in offers if any(o.contents.get(n.nutrient, 0) > 0 for n in wanted)]
    best = _search(wanted, limits, useful)
    pieces = {o.product: count for o, count in zip(useful, best.counts, strict=True) if count}
    short = [
        Unmet(n.nutrient, n.amount - got, _why_short(n, limits, useful, best.counts))
        for n in wanted
        if (got := _total(n.nutrient, useful, best.counts)) < n.amount * (1 - _ROUNDING)
    ]
    return Dose(pieces, best.excess, tuple(absent + short))


def _check(needs: Sequence[Need]) -> None:
    names = [n.nutrient for n in needs]
    if len(set(names)) != len(names):
        raise ValueError("needs must name each nutrient once")
    if any(n.amount < 0 or n.room < 0 for n in needs):
        raise ValueError("amounts and rooms must not be negative")


@dataclass(frozen=True)
class _Best:
    """What some counts come to; `counts` in the order of the offers."""

    shortage: float
    excess: float
    count: int
    counts: tuple[int, ...]

    def beats(self, other: "_Best") -> bool:
        """Whether this one comes first, numbers that differ by rounding only being equal."""
        if abs(self.shortage - other.shortage) > _ROUNDING:
            return self.shortage < other.shortage
        if abs(self.excess - other.excess) > _ROUNDING:
            return self.excess < other.excess
        return (-self.count, self.counts) > (-other.count, other.counts)


@dataclass(frozen=True)
class _Ladder:
    """Every amount that products with one nutrient alone can give, ascending, by the best pieces.

    amounts : shape (rungs,), from 0. pieces : shape (rungs, products). total : their sum.
    """

    amounts: Array
    pieces: Indices
    total: Indices


@lru_cache(maxsize=32)
def _ladder(contents: tuple[float, ...], most: tuple[int, ...]) -> _Ladder:
    """Of equal amounts the fewest pieces stand, then most of the first product."""
    pieces = _all_counts(most)
    amounts: Array = pieces.astype(np.float64) @ np.array(contents, dtype=np.float64)
    total: Indices = pieces.sum(axis=1)
    order = np.argsort(amounts, kind="stable")
    ascending = amounts[order]
    fresh = np.diff(ascending, prepend=-1.0) > _ROUNDING * ascending
    rung = np.empty(order.size, dtype=np.int64)
    rung[order] = np.cumsum(fresh)
    by_worth = np.lexsort((np.arange(order.size), total, rung))
    best = by_worth[np.flatnonzero(np.diff(rung[by_worth], prepend=0))]
    return _Ladder(amounts[best], pieces[best], total[best])


@lru_cache(maxsize=64)
def _all_counts(most: tuple[int, ...]) -> Indices:
    """Every way to count up to `most` of each, most of the first product first."""
    axes = np.meshgrid(*(np.arange(m, -1, -1) for m in most), indexing="ij")
    counts: Indices = np.stack([a.ravel() for a in axes], axis=1) if most else _NOTHING
    return counts


NONE_YET = _Best(inf, inf, 0, ())


def _search(wanted: Sequence[Need], limits: Mapping[str, float], offers: Sequence[Offer]) -> _Best:
    """Branch and bound over products that touch several nutrients, ladders for the rest.

    A product with one wanted nutrient, and no other that is wanted or limited,
    leaves all else alone: its best pieces are read from its nutrient's ladder. Of
    the others the last are tried all at once, those before them by branches.
    """
    if not wanted:
        return _Best(0.0, 0.0, 0, (0,) * len(offers))
    return _Search(wanted, limits, offers).best_from(0, ())


@dataclass(frozen=True)
class _Cupboard:
    """Products as arrays, the same for every animal that needs the same nutrients.

    contents : shape (products, nutrients), a piece's; wanted nutrients stand first.
    tops : most pieces of each. alone : for each wanted nutrient the products of its
    ladder. several : the other products.
    """

    contents: Array
    tops: Indices
    alone: tuple[tuple[int, ...], ...]
    ladders: tuple[_Ladder, ...]
    several: tuple[int, ...]
    richest: Array


@lru_cache(maxsize=32)
def _cupboard(rows: tuple[tuple[float, ...], ...], tops: tuple[int, ...], wanted: int) -> _Cupboard:
    """Sorts products into those on a ladder of one nutrient and those that touch several."""
    alone: list[list[int]] = [[] for _ in range(wanted)]
    sizes = [1] * wanted
    several: list[int] = []
    for i, row in enumerate(rows):
        touched = [n for n, content in enumerate(row) if content > 0]
        lone = touched[0] if len(touched) == 1 and touched[0] < wanted else None
        if lone is not None and sizes[lone] * (tops[i] + 1) <= MOST_ROWS:
            sizes[lone] *= tops[i] + 1
            alone[lone].append(i)
        else:
            several.append(i)
    ladders = (
        _ladder(tuple(rows[i][n] for i in places), tuple(tops[i] for i in places))
        for n, places in enumerate(alone)
    )
    contents = np.array(rows, dtype=np.float64)
    return _Cupboard(
        contents=contents,
        tops=np.array(tops, dtype=np.int64),
        alone=tuple(tuple(places) for places in alone),
        ladders=tuple(ladders),
        several=tuple(several),
        richest=contents[:, :wanted].max(axis=0),
    )


class _Search:
    """One animal's question to a cupboard, as arrays over nutrients, wanted ones first."""

    def __init__(
        self, wanted: Sequence[Need], limits: Mapping[str, float], offers: Sequence[Offer]
    ) -> None:
        names = [n.nutrient for n in wanted]
        names += [n for n, room in limits.items() if room < inf and n not in names]
        rows = tuple(tuple(o.contents.get(n, 0.0) for n in names) for o in offers)
        tops = tuple(MAX_PIECES * o.pieces_per_unit for o in offers)
        self.cupboard = _cupboard(rows, tops, len(wanted))
        self.amounts = np.array([n.amount for n in wanted])
        self.enough = self.amounts * (1 - _ROUNDING)
        self.rooms = np.array([limits[n] for n in names]) * (1 + _ROUNDING)
        self.most = self._bounds()
        self._split()

    def _bounds(self) -> list[int]:
        """More pieces of each product than this are never useful, or pass a limit."""
        contents, wanted = self.cupboard.contents, self.amounts.size
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            useful = np.where(contents[:, :wanted] > 0, self.enough / contents[:, :wanted], 0.0)
            allowed = np.where(contents > 0, self.rooms / contents, inf)
        most = np.minimum(np.ceil(useful.max(axis=1)), np.floor(allowed.min(axis=1)))
        counts: list[int] = np.minimum(most, self.cupboard.tops).astype(np.int64).tolist()
        return counts

    def _split(self) -> None:
        """The last products with several nutrients are tried all at once, the rest by branches."""
        cupboard, several = self.cupboard, self.cupboard.several
        first, size = len(several), 1
        while first and size * (self.most[several[first - 1]] + 1) <= MOST_ROWS:
            first -= 1
            size *= self.most[several[first]] + 1
        self.branched, self.at_once = list(several[:first]), list(several[first:])
        self.grid = _all_counts(tuple(self.most[i] for i in self.at_once))
        self.grid_gives = self.grid @ cupboard.contents[self.at_once]
        wanted = cupboard.contents[:, : self.amounts.size]
        ladders = np.array([ladder.amounts[-1] for ladder in cupboard.ladders])
        later = ladders + self.grid_gives[0, : self.amounts.size]  # most of all stands first
        self.to_come = [later]
        for i in reversed(self.branched):
            self.to_come.insert(0, self.to_come[0] + self.most[i] * wanted[i])

    def best_from(self, depth: int, taken: tuple[int, ...], best: _Best = NONE_YET) -> _Best:
        """The best with these counts of the first branched products, or `best` if none beats it."""
        totals = np.array(taken, dtype=np.float64) @ self.cupboard.contents[self.branched[:depth]]
        if self._cannot_beat(best, totals, sum(taken), depth):
            return best
        if depth == len(self.branched):
            found = self._best_at_once(totals, taken)
            return found if found is not None and found.beats(best) else best
        for count in range(self.most[self.branched[depth]], -1, -1):
            best = self.best_from(depth + 1, (*taken, count), best)
        return best

    def _cannot_beat(self, best: _Best, totals: Array, count: int, depth: int) -> bool:
        """By a limit passed, or the least shortage, excess and pieces that can come of it."""
        if (totals > self.rooms).any():
            return True
        has = totals[: self.amounts.size]
        reach = np.minimum(has + self.to_come[depth], self.rooms[: self.amounts.size])
        shortage = _sum_above(1 - reach / self.amounts)
        excess = np.maximum(has / self.amounts - 1, 0.0).sum()
        if shortage > best.shortage + _ROUNDING:
            return True
        if shortage < best.shortage - _ROUNDING or excess < best.excess - _ROUNDING:
            return False
        if best.shortage < _ROUNDING:  # then all that lacks must still come
            lacking = float(((self.enough - has) / self.cupboard.richest).max())
            count += max(0, ceil(lacking))
        return bool(excess > best.excess + _ROUNDING or count > best.count)

    def _best_at_once(self, totals: Array, taken: tuple[int, ...]) -> _Best | None:
        """The best of all counts tried at once, each with the best of the ladders."""
        given = totals + self.grid_gives
        left = self.rooms - given
        fits = np.flatnonzero((left >= 0).all(axis=1))
        if not fits.size:
            return None
        given, left, count = given[fits], left[fits], self.grid[fits].sum(axis=1)
        rungs: list[tuple[Sequence[int], Indices]] = []
        for n, ladder in enumerate(self.cupboard.ladders):
            if ladder.amounts.size > 1:
                rung = _rung(ladder, self.enough[n] - given[:, n], left[:, n])
                rungs.append((self.cupboard.alone[n], ladder.pieces[rung]))
                given[:, n] += ladder.amounts[rung]
                count = count + ladder.total[rung]
        over = given[:, : self.amounts.size] / self.amounts - 1
        shortage = _sum_above(-over)
        excess = np.maximum(over, 0.0).sum(axis=1)
        ties = _least(_least(_least(np.arange(fits.size), shortage), excess), count)
        return max(
            (
                _Best(
                    float(shortage[row]),
                    float(excess[row]),
                    int(count[row]) + sum(taken),
                    self._counts(taken, self.grid[fits[row]], [(i, p[row]) for i, p in rungs]),
                )
                for row in ties
            ),
            key=lambda best: best.counts,
        )

    def _counts(
        self,
        taken: Sequence[int],
        at_once: Indices,
        rungs: Sequence[tuple[Sequence[int], Indices]],
    ) -> tuple[int, ...]:
        """Pieces of every offer, in their order."""
        counts = dict(zip(self.branched, taken, strict=True))
        counts.update(zip(self.at_once, at_once.tolist(), strict=True))
        for places, pieces in rungs:
            counts.update(zip(places, pieces.tolist(), strict=True))
        return tuple(counts[place] for place in range(len(self.most)))


def _rung(ladder: _Ladder, lacking: Array, room: Array) -> Indices:
    """The lowest rung that is enough; where none is within the room, the highest within it."""
    enough = np.searchsorted(ladder.amounts, lacking)
    within = np.searchsorted(ladder.amounts, room, side="right") - 1
    rung: Indices = np.minimum(enough, within)
    return rung


def _least(rows: Indices, values: Array | Indices) -> Indices:
    """Those rows whose value is the least, but for rounding."""
    among = values[rows]
    least: Indices = rows[among <= among.min() + _ROUNDING]
    return least


def _sum_above(short: Array) -> Array:
    """The sum of relative shortages, by row; those of rounding count nothing."""
    total = np.maximum(short, 0.0).sum(axis=-1)
    summed: Array = np.where(total < _ROUNDING, 0.0, total)
    return summed


def _total(nutrient: str, offers: Sequence[Offer], counts: Sequence[int]) -> float:
    return sum(o.contents.get(nutrient, 0.0) * c for o, c in zip(offers, counts, strict=True))


def _why_short(
    need: Need, limits: Mapping[str, float], offers: Sequence[Offer], counts: Sequence[int]
) -> str:
    """Which limit keeps the need from being met, in words."""
    if need.room < need.amount:
        return f"the limit of {need.nutrient} leaves room for {need.room:g}"
    passed = {
        n
        for offer in offers
        if offer.contents.get(need.nutrient, 0) > 0
        for n, a in offer.contents.items()
        if _total(n, offers, counts) + a > limits.get(n, inf) * (1 + _ROUNDING)
    }
    if passed:
        named = ", ".join(sorted(passed))
        return f"the products that contain it would pass the limit of {named}"
    return f"it would take more than {MAX_PIECES} pieces of one product"
