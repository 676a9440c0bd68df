"""The choice of supplements as an integer program, solved by HiGHS stage by stage.

Written down from the words of the objective alone, so that it shares nothing with the
search it is compared with. Only benchmarks and tests use it: SciPy is optional.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from time import process_time

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp

from service.science.arrays import Array
from service.science.dosing import Dose, Need, Offer, most_pieces

STAGES = ("shortage", "excess", "pieces", "cost")
GRAIN = 0.0025  # shortage and excess of the made cases are multiples of this
_AMOUNTS = (50, 100, 125, 200, 250, 400, 500)  # all divide 2000: hence the grain
_NUTRIENTS = tuple("ABCDEFGHIJ")


@dataclass(frozen=True)
class Case:
    """What one animal needs and what is in the cupboard."""

    needs: tuple[Need, ...]
    offers: tuple[Offer, ...]


@dataclass(frozen=True)
class Optimum:
    """The four stages of the objective, and processor seconds of each stage."""

    values: tuple[float, ...]
    seconds: tuple[float, ...]


def made_case(number: int) -> Case:
    """An invented cupboard of 1 to 8 products for 1 to 10 nutrients, always the same one.

    A third of the products hold one nutrient; the others up to six. A third are
    halved, a sixth weighed. A nutrient may be only limited, as vitamin A is in many
    multi-vitamins; limits leave none, little or much room.
    """
    rng = np.random.default_rng(number)
    names = _NUTRIENTS[: int(rng.integers(1, 11))]
    needs = tuple(_made_need(rng, name) for name in names)
    offers = tuple(_made_offer(rng, f"P{i}", names) for i in range(int(rng.integers(1, 9))))
    return Case(needs, offers)


def _made_need(rng: np.random.Generator, name: str) -> Need:
    usual = float(rng.choice(_AMOUNTS))
    room = 5 * round(usual * float(rng.choice([0.5, 1.0, 1.1, 1.5, 2.0, 4.0])) / 5)
    limited = rng.random() < 0.4
    only_limited = rng.random() < 0.2
    return Need(name, 0.0 if only_limited else usual, float(room) if limited else inf)


def _made_offer(rng: np.random.Generator, product: str, names: Sequence[str]) -> Offer:
    lone = rng.random() < 1 / 3
    held = 1 if lone else int(rng.integers(1, min(6, len(names)) + 1))
    weighed = rng.random() < 1 / 6
    halves = not weighed and rng.random() < 0.4
    largest = 6 if weighed else 40
    return Offer(
        product,
        {
            str(n): float(5 * rng.integers(1, largest + 1))
            for n in rng.choice(names, held, replace=False)
        },
        pieces_per_unit=10 if weighed else 2 if halves else 1,
        cost=float(rng.integers(0, 20)) / 4,
        weighed=weighed,
    )


def score(case: Case, dose: Dose) -> tuple[float, ...]:
    """The four stages of a dose, counted from its pieces alone."""
    totals = _totals(case, [dose.pieces.get(o.product, 0) for o in case.offers])
    over = [totals[n.nutrient] / n.amount - 1 for n in _wanted(case)]
    counts = [(o, dose.pieces.get(o.product, 0)) for o in case.offers]
    return (
        sum(max(0.0, -o) for o in over),
        sum(max(0.0, o) for o in over),
        float(sum(min(c, 1) if o.weighed else c for o, c in counts)),
        sum(o.cost * c for o, c in counts),
    )


def within_limits(case: Case, dose: Dose) -> bool:
    """Whether no limit is passed, nor the most pieces of a product."""
    totals = _totals(case, [dose.pieces.get(o.product, 0) for o in case.offers])
    return all(totals[n.nutrient] <= n.room for n in case.needs) and all(
        0 <= dose.pieces.get(o.product, 0) <= most_pieces(o) for o in case.offers
    )


def _totals(case: Case, counts: Sequence[int]) -> dict[str, float]:
    return {
        n.nutrient: sum(
            o.contents.get(n.nutrient, 0.0) * c for o, c in zip(case.offers, counts, strict=True)
        )
        for n in case.needs
    }


def _wanted(case: Case) -> list[Need]:
    contained = {n for o in case.offers for n in o.contents}
    return [n for n in case.needs if n.amount > 0 and n.nutrient in contained]


def optimum(case: Case, *, presolve: bool = True) -> Optimum:
    """The four stages by HiGHS: each is solved with the ones before it held at their best.

    Variables: pieces of each product, whether any of it is given, relative shortage
    and excess of each need. presolve : off, HiGHS is slower, but does not lose the optimum as
    it does with it in two of the first 10 000 made cases (2179 and 6666: one need, so that
    the better pieces can be counted by hand).
    """
    wanted = _wanted(case)
    products, needs = len(case.offers), len(wanted)
    if not needs:
        return Optimum((0.0, 0.0, 0.0, 0.0), (0.0, 0.0, 0.0, 0.0))
    rows, low, high = _rows(case, wanted)
    most = _most(case, wanted)
    zeros = np.zeros(2 * products + 2 * needs)
    objectives = [zeros.copy() for _ in STAGES]
    objectives[0][2 * products : 2 * products + needs] = 1
    objectives[1][2 * products + needs :] = 1
    for place, offer in enumerate(case.offers):
        objectives[2][place + products * offer.weighed] = 1
        objectives[3][place] = offer.cost
    bounds = Bounds(0, np.concatenate([most, np.ones(products), np.full(2 * needs, inf)]))
    whole = np.concatenate([np.ones(2 * products), np.zeros(2 * needs)])
    values: list[float] = []
    seconds: list[float] = []
    for objective, grain in zip(objectives, (GRAIN, GRAIN, 1.0, 0.25), strict=True):
        began = process_time()
        answer: OptimizeResult = milp(
            objective,
            constraints=LinearConstraint(np.array(rows), low, high),
            bounds=bounds,
            integrality=whole,
            options={"mip_rel_gap": 0.0, "presolve": presolve},
        )
        seconds.append(process_time() - began)
        if not answer.success:
            raise RuntimeError(f"the integer program was not solved: {answer.message}")
        value = grain * round(float(answer.fun) / grain)
        values.append(value)
        rows.append(objective)
        low, high = np.append(low, -inf), np.append(high, value + grain / 4)
    return Optimum(tuple(values), tuple(seconds))


def _most(case: Case, wanted: Sequence[Need]) -> Array:
    """Most pieces of each product: what is allowed, and no more than the needs alone ask."""
    useful = [
        max(
            (-(-n.amount // o.contents[n.nutrient]) for n in wanted if n.nutrient in o.contents),
            default=0.0,
        )
        for o in case.offers
    ]
    return np.array([min(most_pieces(o), u) for o, u in zip(case.offers, useful, strict=True)])


def _rows(case: Case, wanted: Sequence[Need]) -> tuple[list[Array], Array, Array]:
    """Needs, limits, and what makes a weighed product count as one piece."""
    products, needs = len(case.offers), len(wanted)
    width = 2 * products + 2 * needs
    rows: list[Array] = []
    low: list[float] = []
    high: list[float] = []
    for place, need in enumerate(wanted):
        row = np.zeros(width)
        row[:products] = [o.contents.get(need.nutrient, 0.0) / need.amount for o in case.offers]
        row[2 * products + place] = 1
        row[2 * products + needs + place] = -1
        rows.append(row)
        low.append(1.0)
        high.append(1.0)
    for need in case.needs:
        if need.room < inf:
            row = np.zeros(width)
            row[:products] = [o.contents.get(need.nutrient, 0.0) for o in case.offers]
            rows.append(row)
            low.append(-inf)
            high.append(need.room)
    most = _most(case, wanted)
    for place, offer in enumerate(case.offers):
        if offer.weighed:
            row = np.zeros(width)
            row[place], row[products + place] = 1, -most[place]
            rows.append(row)
            low.append(-inf)
            high.append(0.0)
    return rows, np.array(low), np.array(high)
