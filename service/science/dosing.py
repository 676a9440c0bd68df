"""How much of a nutrient to add, and which pieces of which products give it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

import numpy as np

from service.science.dose_search import ROUNDING, Cupboard, search

MAX_PIECES = 24  # tablets or capsules of one product per animal and day
MOST_WEIGHED = 500  # grams or millilitres of one powder or liquid per animal and day
FIRM = 1000.0  # times a shortage of what does not yield counts
STEPS_PER_UNIT = 10  # a kitchen balance shows 0.1 g, a syringe 0.1 mL


@dataclass(frozen=True)
class Need:
    """What must be added of one nutrient, and what may at most be added."""

    nutrient: str
    amount: float
    room: float = inf
    unit: str = ""  # for words


@dataclass(frozen=True)
class Offer:
    """One product by its smallest piece: a whole or half tablet, or a step of the balance.

    contents : of a smallest piece. pieces_per_unit : 1 whole, 2 halves, 10 steps of
    0.1 g. cost : of a smallest piece, in any one currency. weighed : powder or
    liquid; see `weighed`. may_halve : a whole tablet that could be halved and is not.
    most : smallest pieces per animal and day, 24 units (500 g or mL) by default.
    """

    product: str
    contents: Mapping[str, float]
    pieces_per_unit: int = 1
    cost: float = 0.0
    weighed: bool = False
    may_halve: bool = False
    most: int | None = None


@dataclass(frozen=True)
class Unmet:
    """A need that stays short, and why."""

    nutrient: str
    short_by: float
    why: str


@dataclass(frozen=True)
class Dose:
    """Smallest pieces per product that meet the needs, and what stays unmet.

    excess : relative, summed over needs. totals : what the pieces contain together,
    of every nutrient in them. cost : of the pieces. exact : False where the search
    gave up and better pieces may exist; limits hold all the same.
    """

    pieces: Mapping[str, int]
    excess: float
    unmet: tuple[Unmet, ...]
    totals: Mapping[str, float] = field(default_factory=dict)
    cost: float = 0.0
    exact: bool = True


def tablets(
    product: str,
    contents: Mapping[str, float],
    *,
    pieces_per_tablet: int = 1,
    cost: float = 0.0,
    may_halve: bool = False,
) -> Offer:
    """Tablets or capsules, from what one of them contains and costs; 2 pieces are halves.

    >>> tablets("B1-100", {"THIA": 100.0}, pieces_per_tablet=2).contents
    {'THIA': 50.0}
    """
    piece = {n: a / pieces_per_tablet for n, a in contents.items()}
    return Offer(product, piece, pieces_per_tablet, cost / pieces_per_tablet, may_halve=may_halve)


def weighed(
    product: str,
    contents: Mapping[str, float],
    *,
    steps_per_unit: int = STEPS_PER_UNIT,
    cost: float = 0.0,
) -> Offer:
    """A powder or liquid, from what a gram or millilitre contains and costs.

    Its smallest piece is a step of the balance or syringe, 0.1 g or mL by default: so
    a dose is rounded up to a step, and where that would pass a limit, down. However
    much of it is given counts as one piece, since it is weighed and given once:
    counted by steps, 2 g would stand behind nineteen tablets.

    >>> salt = weighed("SALT", {"NACL": 1000.0})
    >>> choose_pieces([Need("NACL", 15_020)], [salt]).pieces
    {'SALT': 151}
    """
    step = {n: a / steps_per_unit for n, a in contents.items()}
    return Offer(product, step, steps_per_unit, cost / steps_per_unit, weighed=True)


def amount_needed(required: float, credit: float) -> float:
    """What to add: never less than nothing (science reference 8).

    >>> amount_needed(125, 0), amount_needed(10, 12)
    (125, 0)
    """
    if required < 0 or credit < 0:
        raise ValueError("required and credit must not be negative")
    return max(0, required - credit)


def choose_pieces(
    needs: Sequence[Need],
    offers: Sequence[Offer],
    *,
    least: str | None = None,
    yields: str | None = None,
) -> Dose:
    """The pieces that meet all needs under all limits with the least excess.

    Objective in order: smallest sum of relative shortage, smallest sum of relative
    excess, fewest pieces (a weighed dose is one), least cost, most of the products
    that stand first in `offers`. A need that no product contains is reported and
    stops nothing else; where a need cannot be met under the limits, the largest dose
    under them is given and the shortage reported.

    Parameters
    ----------
    needs : one per nutrient; a nutrient with amount 0 only limits.
    offers : products in order of preference.
    least : a nutrient of which as little as possible is to be given, instead of the
        least excess. yields : a need that stays short before any other does.

    Returns
    -------
    Dose. Limits are never crossed.

    Raises
    ------
    ValueError
        If an amount, room, content or cost is negative or not a number, or two needs
        name one nutrient.

    Notes
    -----
    Exact where the dose says so, at most 24 tablets (or 48 halves) or 500 g a product.
    Products with one nutrient cost a look-up; up to 5 000 combinations of the others
    are tried at once, more by branch and bound. A usual cupboard costs a fraction of
    a millisecond; the search gives up after about a second.

    Source
    ------
    Science reference 8 (derived there; checked against a solver).

    Check
    -----
    >>> offers = [Offer("B1-100", {"THIA": 100.0})]
    >>> dict(choose_pieces([Need("THIA", 125)], offers).pieces)
    {'B1-100': 2}
    """
    _check(needs, offers)
    contained = {n for offer in offers for n, a in offer.contents.items() if a > 0}
    absent = [
        Unmet(n.nutrient, n.amount, "no product contains it")
        for n in needs
        if n.amount > 0 and n.nutrient not in contained
    ]
    wanted = [n for n in needs if n.amount > 0 and n.nutrient in contained]
    if not wanted:
        return Dose({}, 0.0, tuple(absent))
    limits = {n.nutrient: n.room for n in needs}
    useful = [o for o in offers if any(o.contents.get(n.nutrient, 0) > 0 for n in wanted)]
    names = [n.nutrient for n in wanted]
    names += [n for n, room in limits.items() if (room < inf or n == least) and n not in names]
    best = search(
        cupboard_of(useful, names, len(wanted)),
        np.array([n.amount for n in wanted]),
        np.array([limits[n] for n in names]),
        weights=np.array([1.0 if n.nutrient == yields or not yields else FIRM for n in wanted]),
        least=None if least is None else names.index(least),
    )
    totals = _totals(useful, best.counts)
    short = [
        Unmet(n.nutrient, n.amount - got, _why_short(n, limits, useful, totals))
        for n in wanted
        if (got := totals.get(n.nutrient, 0.0)) < n.amount * (1 - ROUNDING)
    ]
    return Dose(
        pieces={o.product: count for o, count in zip(useful, best.counts, strict=True) if count},
        excess=float(sum(max(0.0, totals.get(n.nutrient, 0.0) / n.amount - 1) for n in wanted)),
        unmet=tuple(absent + short),
        totals=totals,
        cost=best.cost,
        exact=best.exact,
    )


def cupboard_of(offers: Sequence[Offer], nutrients: Sequence[str], wanted: int) -> Cupboard:
    """Offers as the search wants them; the first `wanted` of the nutrients are needed.

    >>> cupboard_of([Offer("B1-100", {"THIA": 100.0})], ["THIA"], 1).most
    (24,)
    """
    return Cupboard(
        contents=tuple(tuple(o.contents.get(n, 0.0) for n in nutrients) for o in offers),
        most=tuple(most_pieces(o) for o in offers),
        weighed=tuple(o.weighed for o in offers),
        cost=tuple(o.cost for o in offers),
        wanted=wanted,
    )


def most_pieces(offer: Offer) -> int:
    """Smallest pieces of a product that an animal may get in a day.

    >>> most_pieces(Offer("E-100", {"VITE": 50.0}, pieces_per_unit=2))
    48
    """
    if offer.most is not None:
        return offer.most
    return (MOST_WEIGHED if offer.weighed else MAX_PIECES) * offer.pieces_per_unit


def _check(needs: Sequence[Need], offers: Sequence[Offer]) -> None:
    names = [n.nutrient for n in needs]
    if len(set(names)) != len(names):
        raise ValueError("needs must name each nutrient once")
    if not all(0 <= n.amount < inf and n.room >= 0 for n in needs):
        raise ValueError("amounts and rooms must not be negative, amounts finite")
    for offer in offers:
        if not all(0 <= a < inf for a in (*offer.contents.values(), offer.cost)):
            raise ValueError(f"contents and cost of {offer.product} must be finite, not negative")


def _totals(offers: Sequence[Offer], counts: Sequence[int]) -> dict[str, float]:
    """What the pieces contain together, by nutrient."""
    totals: dict[str, float] = {}
    for offer, count in zip(offers, counts, strict=True):
        if count:
            for nutrient, amount in offer.contents.items():
                totals[nutrient] = totals.get(nutrient, 0.0) + amount * count
    return totals


def _why_short(
    need: Need,
    limits: Mapping[str, float],
    offers: Sequence[Offer],
    totals: Mapping[str, float],
) -> str:
    """Which limit keeps the need from being met, in words."""
    if need.room < need.amount:
        return f"the limit of {need.nutrient} leaves room for {need.room:g} {need.unit}".rstrip()
    passed = {
        n
        for offer in offers
        if offer.contents.get(need.nutrient, 0) > 0
        for n, a in offer.contents.items()
        if totals.get(n, 0.0) + a > limits.get(n, inf) * (1 + ROUNDING)
    }
    if passed:
        named = ", ".join(sorted(passed))
        return f"the products that contain it would pass the limit of {named}"
    if any(o.weighed for o in offers if o.contents.get(need.nutrient, 0) > 0):
        return "it would take more of each product than an animal may get in a day"
    return f"it would take more than {MAX_PIECES} pieces of one product"
