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
    Exact: branch and bound, at most 24 (or, of halves, 48) pieces a product. A
    usual cupboard costs some hundred steps; the worst case grows with the
    product of the bounds.

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


@dataclass
class _Best:
    shortage: float
    excess: float
    count: int
    counts: tuple[int, ...]


def _search(wanted: Sequence[Need], limits: Mapping[str, float], offers: Sequence[Offer]) -> _Best:
    """Branch and bound, most pieces of the preferred product first.

    A branch is left as soon as the shortage that would remain with the most of
    everything still to come, or the excess it already has, cannot beat the best.
    """
    if not wanted:
        return _Best(0.0, 0.0, 0, (0,) * len(offers))
    best = _Best(inf, inf, 0, (0,) * len(offers))
    to_come = _most_to_come(wanted, limits, offers)
    counts = [0] * len(offers)

    def visit(index: int, totals: Mapping[str, float]) -> None:
        nonlocal best
        reach = {n.nutrient: totals.get(n.nutrient, 0.0) for n in wanted}
        candidate = _Best(
            _shortage(wanted, reach, to_come[index]),
            _excess(wanted, reach),
            sum(counts[:index]),
            tuple(counts),
        )
        if not _may_beat(candidate, best):
            return
        if index == len(offers):
            best = candidate
            return
        offer = offers[index]
        for count in range(_bound(offer, wanted, limits, totals), -1, -1):
            counts[index] = count
            added = {n: totals.get(n, 0.0) + a * count for n, a in offer.contents.items()}
            visit(index + 1, {**totals, **added})
        counts[index] = 0

    visit(0, {})
    return best


def _most_to_come(
    wanted: Sequence[Need], limits: Mapping[str, float], offers: Sequence[Offer]
) -> list[Mapping[str, float]]:
    """At each place in the order: the most of each nutrient that later products can add."""
    most: list[Mapping[str, float]] = [{n.nutrient: 0.0 for n in wanted}]
    for offer in reversed(offers):
        bound = _bound(offer, wanted, limits, {})
        most.append(
            {n: after + bound * offer.contents.get(n, 0.0) for n, after in most[-1].items()}
        )
    return most[::-1]


def _may_beat(candidate: _Best, best: _Best) -> bool:
    if abs(candidate.shortage - best.shortage) > _ROUNDING:
        return candidate.shortage < best.shortage
    if abs(candidate.excess - best.excess) > _ROUNDING:
        return candidate.excess < best.excess
    return candidate.count < best.count


def _bound(
    offer: Offer,
    wanted: Sequence[Need],
    limits: Mapping[str, float],
    totals: Mapping[str, float],
) -> int:
    """On top of what there is, more pieces than this are never useful, or pass a limit."""
    useful = max(
        ceil(
            (n.amount * (1 - _ROUNDING) - totals.get(n.nutrient, 0.0)) / offer.contents[n.nutrient]
        )
        for n in wanted
        if offer.contents.get(n.nutrient, 0) > 0
    )
    allowed = min(
        (
            floor((limits[n] * (1 + _ROUNDING) - totals.get(n, 0.0)) / a)
            for n, a in offer.contents.items()
            if a > 0 and limits.get(n, inf) < inf
        ),
        default=useful,
    )
    return max(0, min(MAX_PIECES * offer.pieces_per_unit, useful, allowed))


def _excess(wanted: Sequence[Need], totals: Mapping[str, float]) -> float:
    return sum(max(0.0, totals[n.nutrient] / n.amount - 1) for n in wanted)


def _shortage(
    wanted: Sequence[Need], totals: Mapping[str, float], to_come: Mapping[str, float]
) -> float:
    """The sum of relative shortages that stays, if all that can come and fits is added."""
    short = 0.0
    for need in wanted:
        most = min(totals[need.nutrient] + to_come[need.nutrient], need.room)
        short += max(0.0, 1 - most / need.amount)
    return 0.0 if short < _ROUNDING else short


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
