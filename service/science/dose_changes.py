"""What stands in the way of a dose, and the smallest changes that make it possible.

They are figures for the person who decides, never decisions: a limit protects an
animal, and raising it is the attending veterinarian's.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import ceil, inf

from service.science.dosing import Dose, Need, Offer, choose_pieces, most_pieces

NOT_SMALLEST = "less may be enough"


class ChangeKind(StrEnum):
    """What is changed; of two equally small changes the one named first comes first.

    >>> ChangeKind("halve").value
    'halve'
    """

    HALVE = "halve"
    LOWER_REQUIREMENT = "lower-requirement"
    MORE_PIECES = "more-pieces"
    RAISE_LIMIT = "raise-limit"
    ANOTHER_PRODUCT = "another-product"


@dataclass(frozen=True)
class Change:
    """One change that makes an unmet need possible while all else is met as it was.

    nutrient : the unmet need. before, after : what is changed, by nutrient or product:
    the amount to add, the amount that may be added, pieces per unit, most smallest
    pieces a day; of another product the least and the most that what is given of it
    may contain ("most" is missing where nothing limits it). relative : how large the
    change is, the largest of several; None where a product must be found or nothing was
    allowed before. smallest : False where
    a smaller change of this kind may exist.
    """

    kind: ChangeKind
    nutrient: str
    before: Mapping[str, float]
    after: Mapping[str, float]
    relative: float | None
    words: str
    smallest: bool = True


@dataclass(frozen=True)
class Conflict:
    """A need that cannot be met under one limit alone, and the most that can."""

    need: str
    limit: str
    reachable: float
    words: str


def conflicts(needs: Sequence[Need], offers: Sequence[Offer], dose: Dose) -> tuple[Conflict, ...]:
    """The pairs of an unmet need and a limit that exclude each other (science reference 8).

    needs, offers : what `dose` was chosen for. None where needs only together pass a
    limit, or no product contains one. Cost: one small search for each unmet need and limit.

    >>> multi = [Offer("MULTI", {"VITE": 100.0, "VITA": 1000.0})]
    >>> needs = [Need("VITE", 500, unit="IU"), Need("VITA", 0, 3500, unit="IU")]
    >>> conflicts(needs, multi, choose_pieces(needs, multi))[0].words
    'under the limit of VITA (3500 IU) at most 300 IU of VITE can be added, 500 IU are needed'
    """
    by_name = {n.nutrient: n for n in needs}
    found = []
    for unmet in _contained(dose, offers):
        need = by_name[unmet]
        for limit in (n for n in needs if n.room < inf):
            alone = [replace(need, room=limit.room if limit is need else inf)]
            alone += [replace(limit, amount=0.0)] if limit is not need else []
            reachable = choose_pieces(alone, offers).totals.get(unmet, 0.0)
            if not _enough(reachable, need.amount):
                words = (
                    f"under the limit of {limit.nutrient} ({_said(limit, limit.room)}) at most "
                    f"{_said(need, reachable)} of {unmet} can be added, "
                    f"{_said(need, need.amount)} are needed"
                )
                found.append(Conflict(unmet, limit.nutrient, reachable, words))
    return tuple(found)


def smallest_changes(
    needs: Sequence[Need], offers: Sequence[Offer], dose: Dose
) -> tuple[Change, ...]:
    """What would make each unmet need possible, the smallest change first.

    Each change alone is enough for its need, while every other need stays met as far
    as `dose` meets it and no other limit is passed. Of each kind it is the smallest:
    the limit that suffices, the largest dose that can be reached, the fewest pieces.

    Parameters
    ----------
    needs, offers : what `dose` was chosen for.
    dose : by `choose_pieces`.

    Returns
    -------
    Changes ordered by `relative`, those that need another product last; none where
    all is met.

    Notes
    -----
    Where no single limit is enough, one way to raise several is given, not the
    smallest. Cost: for each unmet need about one search for each limit, need and
    product, some ten milliseconds; asked for when somebody looks, not in each plan.

    Source
    ------
    Derived; each change is checked by choosing again.

    Check
    -----
    Five tablets bring 500 IU and 5 000 IU of vitamin A:

    >>> multi = [Offer("MULTI", {"VITE": 100.0, "VITA": 1000.0})]
    >>> needs = [Need("VITE", 500, unit="IU"), Need("VITA", 0, 3500, unit="IU")]
    >>> for change in smallest_changes(needs, multi, choose_pieces(needs, multi))[:2]:
    ...     print(change.words)
    add 300 IU of VITE instead of 500 IU
    allow 5000 IU of VITA to be added instead of 3500 IU
    """
    contained = _contained(dose, offers)
    found: list[Change] = []
    for unmet in dose.unmet:
        reached = [_as_reached(need, dose, unmet.nutrient) for need in needs]
        if unmet.nutrient in contained:
            found += _lowered(reached, offers, unmet.nutrient)
            found += _halved(reached, offers, unmet.nutrient)
            found += _more_pieces(reached, offers, unmet.nutrient)
            found += _raised(reached, offers, unmet.nutrient)
        found += _another(reached, offers, unmet.nutrient)
    found = [c if c.smallest else replace(c, words=f"{c.words} ({NOT_SMALLEST})") for c in found]
    kinds = list(ChangeKind)
    return tuple(
        sorted(
            found, key=lambda c: (inf if c.relative is None else c.relative, kinds.index(c.kind))
        )
    )


def _contained(dose: Dose, offers: Sequence[Offer]) -> list[str]:
    """The unmet needs that some product contains."""
    contained = {n for offer in offers for n, a in offer.contents.items() if a > 0}
    return [u.nutrient for u in dose.unmet if u.nutrient in contained]


def _as_reached(need: Need, dose: Dose, asked: str) -> Need:
    """A need as far as the dose meets it; the one that is asked about as it stands."""
    if need.nutrient == asked:
        return need
    return replace(need, amount=min(need.amount, dose.totals.get(need.nutrient, 0.0)))


def _enough(amount: float, needed: float) -> bool:
    return amount >= needed * (1 - 1e-9)


def _said(need: Need, amount: float) -> str:
    return f"{amount:.6g} {need.unit}".rstrip()


def _lowered(needs: Sequence[Need], offers: Sequence[Offer], unmet: str) -> Iterator[Change]:
    """One requirement lowered to the most that can be reached with all others met."""
    for need in needs:
        if not need.amount:
            continue
        dose = choose_pieces(needs, offers, yields=need.nutrient)
        if [u.nutrient for u in dose.unmet] == [need.nutrient]:
            most = dose.totals.get(need.nutrient, 0.0)
            yield Change(
                ChangeKind.LOWER_REQUIREMENT,
                unmet,
                {need.nutrient: need.amount},
                {need.nutrient: most},
                1 - most / need.amount,
                f"add {_said(need, most)} of {need.nutrient} instead of {_said(need, need.amount)}",
                dose.exact,
            )


def _halved(needs: Sequence[Need], offers: Sequence[Offer], unmet: str) -> Iterator[Change]:
    """One product whose tablets are given in halves."""
    for offer in offers:
        if offer.may_halve and not choose_pieces(needs, _with(offers, halved(offer))).unmet:
            yield Change(
                ChangeKind.HALVE,
                unmet,
                {offer.product: 1.0},
                {offer.product: 2.0},
                0.0,
                f"give {offer.product} in half tablets",
            )


def halved(offer: Offer) -> Offer:
    """A product of whole tablets given in halves.

    >>> halved(Offer("B1-100", {"THIA": 100.0}, may_halve=True)).contents
    {'THIA': 50.0}
    """
    return replace(
        offer,
        contents={n: a / 2 for n, a in offer.contents.items()},
        pieces_per_unit=2 * offer.pieces_per_unit,
        cost=offer.cost / 2,
        may_halve=False,
        most=None if offer.most is None else 2 * offer.most,
    )


def _with(offers: Sequence[Offer], changed: Offer) -> list[Offer]:
    return [changed if o.product == changed.product else o for o in offers]


def _more_pieces(needs: Sequence[Need], offers: Sequence[Offer], unmet: str) -> Iterator[Change]:
    """One product of which more pieces may be given, as few more as are enough."""
    for offer in offers:
        before = most_pieces(offer)
        useful = max(
            (
                n.amount / offer.contents[n.nutrient]
                for n in needs
                if offer.contents.get(n.nutrient)
            ),
            default=0.0,
        )
        low, high = before, ceil(useful)
        if high <= low or not _possible(needs, offers, offer, high):
            continue
        while high - low > 1:
            middle = (low + high) // 2
            if _possible(needs, offers, offer, middle):
                high = middle
            else:
                low = middle
        units = f"{high / offer.pieces_per_unit:g} of {offer.product} in a day"
        yield Change(
            ChangeKind.MORE_PIECES,
            unmet,
            {offer.product: float(before)},
            {offer.product: float(high)},
            high / before - 1 if before else None,
            f"allow {units} instead of {before / offer.pieces_per_unit:g}",
        )


def _possible(needs: Sequence[Need], offers: Sequence[Offer], offer: Offer, most: int) -> bool:
    return not choose_pieces(needs, _with(offers, replace(offer, most=most))).unmet


def _raised(needs: Sequence[Need], offers: Sequence[Offer], unmet: str) -> Iterator[Change]:
    """One limit raised as little as is enough; where none alone is, several together."""
    alone = False
    for limit in needs:
        if limit.room == inf:
            continue
        freed = [replace(n, room=inf) if n is limit else n for n in needs]
        dose = choose_pieces(freed, offers, least=limit.nutrient)
        if not dose.unmet:
            alone = True
            yield _raising([limit], dose, unmet, smallest=dose.exact)
    if not alone:
        dose = choose_pieces([replace(n, room=inf) for n in needs], offers)
        passed = [n for n in needs if dose.totals.get(n.nutrient, 0.0) > n.room * (1 + 1e-9)]
        if passed and not dose.unmet:
            yield _raising(passed, dose, unmet, smallest=False)


def _raising(limits: Sequence[Need], dose: Dose, unmet: str, *, smallest: bool) -> Change:
    after = {n.nutrient: dose.totals[n.nutrient] for n in limits}
    larger = [after[n.nutrient] / n.room - 1 if n.room else None for n in limits]
    return Change(
        ChangeKind.RAISE_LIMIT,
        unmet,
        {n.nutrient: n.room for n in limits},
        after,
        None if None in larger else max(x for x in larger if x is not None),
        "allow "
        + " and ".join(
            f"{_said(n, after[n.nutrient])} of {n.nutrient} to be added "
            f"instead of {_said(n, n.room)}"
            for n in limits
        ),
        smallest,
    )


def _another(needs: Sequence[Need], offers: Sequence[Offer], unmet: str) -> Iterator[Change]:
    """A product with the unmet nutrient alone, and what it may contain.

    It may contain the more the less the others bring along of the nutrient, and must
    contain the less the more they bring: where both are not possible for all strengths
    between, the least is what is enough beside those that bring the least.
    """
    (need,) = (n for n in needs if n.nutrient == unmet)
    others = [replace(n, amount=0.0) if n is need else n for n in needs]
    dose = choose_pieces(others, offers, least=unmet)
    if dose.unmet or need.room < need.amount:
        return
    brought = dose.totals.get(unmet, 0.0)
    reached = choose_pieces(needs, offers, yields=unmet).totals.get(unmet, 0.0)
    if reached - brought > need.room - need.amount:
        reached = brought
    least, most = need.amount - reached, need.room - brought
    range_ = f"at least {_said(need, least)}"
    if most < inf:
        range_ += f" and at most {_said(need, most)}"
    yield Change(
        ChangeKind.ANOTHER_PRODUCT,
        unmet,
        {},
        {"least": least} if most == inf else {"least": least, "most": most},
        None,
        f"find a product with {unmet} alone, so that what is given of it contains {range_}",
        dose.exact,
    )
