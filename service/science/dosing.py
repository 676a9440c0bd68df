"""How much of a nutrient to add, and which pieces of which products give it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, inf

MAX_PIECES = 24  # of one product per animal and day
_ROUNDING = 1e-9


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

    Objective in order: smallest sum of relative excess, fewest pieces, order of
    `offers`. A need that no product contains is reported and stops nothing else;
    where a need cannot be met under the limits, the largest dose under them is
    given and the shortage reported.

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
    Exact enumeration with pruning, at most 24 pieces a product. Cost grows with
    the product of the bounds, thousands of steps for a usual cupboard.

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
        Unmet(n.nutrient, n.amount - got, _why_short(n, limits, useful))
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


@dataclass
class _Best:
    shortage: float
    excess: float
    count: int
    counts: tuple[int, ...]

    def key(self) -> tuple[float, float, int]:
        return (round(self.shortage, 9), round(self.excess, 9), self.count)


def _search(wanted: Sequence[Need], limits: Mapping[str, float], offers: Sequence[Offer]) -> _Best:
    best = _Best(inf, inf, 0, (0,) * len(offers))
    if not wanted:
        return _Best(0.0, 0.0, 0, (0,) * len(offers))
    bounds = [_bound(offer, wanted, limits) for offer in offers]
    counts = [0] * len(offers)
    totals: dict[str, float] = {}

    def visit(index: int) -> None:
        nonlocal best
        if index == len(offers):
            candidate = _score(wanted, totals, tuple(counts))
            if candidate.key() < best.key():
                best = candidate
            return
        offer = offers[index]
        before = {n: totals.get(n, 0.0) for n in offer.contents}
        for count in range(bounds[index] + 1):
            for nutrient, amount in offer.contents.items():
                totals[nutrient] = before[nutrient] + amount * count
            if any(totals[n] > limits.get(n, inf) * (1 + _ROUNDING) for n in offer.contents):
                break
            counts[index] = count
            if best.shortage > 0 or _excess(wanted, totals) <= best.excess + _ROUNDING:
                visit(index + 1)
        counts[index] = 0
        totals.update(before)

    visit(0)
    return best


def _bound(offer: Offer, wanted: Sequence[Need], limits: Mapping[str, float]) -> int:
    """More pieces than this are never useful, or pass a limit."""
    useful = max(
        ceil(n.amount / offer.contents[n.nutrient] - _ROUNDING)
        for n in wanted
        if offer.contents.get(n.nutrient, 0) > 0
    )
    allowed = min(
        (
            floor(limits.get(n, inf) / a + _ROUNDING)
            for n, a in offer.contents.items()
            if a > 0 and limits.get(n, inf) < inf
        ),
        default=useful,
    )
    return min(MAX_PIECES * offer.pieces_per_unit, useful, allowed)


def _excess(wanted: Sequence[Need], totals: Mapping[str, float]) -> float:
    return sum(max(0.0, totals.get(n.nutrient, 0.0) / n.amount - 1) for n in wanted)


def _score(wanted: Sequence[Need], totals: Mapping[str, float], counts: tuple[int, ...]) -> _Best:
    shortage = sum(max(0.0, 1 - totals.get(n.nutrient, 0.0) / n.amount) for n in wanted)
    shortage = 0.0 if shortage < _ROUNDING else shortage
    return _Best(shortage, _excess(wanted, totals), sum(counts), counts)


def _total(nutrient: str, offers: Sequence[Offer], counts: Sequence[int]) -> float:
    return sum(o.contents.get(nutrient, 0.0) * c for o, c in zip(offers, counts, strict=True))


def _why_short(need: Need, limits: Mapping[str, float], offers: Sequence[Offer]) -> str:
    """Which limit keeps the need from being met, in words."""
    if need.room < need.amount:
        return f"the limit of {need.nutrient} leaves room for {need.room:g}"
    carried = {n for o in offers if o.contents.get(need.nutrient, 0) > 0 for n in o.contents}
    tight = sorted(n for n in carried if limits.get(n, inf) < inf)
    if tight:
        return f"the products that contain it would pass the limit of {', '.join(tight)}"
    return f"it would take more than {MAX_PIECES} pieces of one product"
