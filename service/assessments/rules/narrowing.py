"""What a core measured by hand says of the time before it, and of the bounds after it.

`follow_bounds` starts again from a measured core and goes on from there. Backwards, a
family of histories is followed, weak to strong surface; where nobody measured the air it was
as warm as may be until some instant and as cold as may be from then on, the way in which fish
may have been warmest and still be as cold as it is. Those that a thermometer contradicts are
left out, and the rest bound what went before. And whatever the model says: in air that was
warmer all the time a core does not become colder.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from service.science import heat
from service.science.arrays import Array
from service.science.assessment import CHECK_ERROR_K, OCTANT_FROM_C, Bounds, follow_bounds
from service.science.estimate import Estimate
from service.science.gaps import AirSeries
from service.science.outage import Anchor, History, follow
from service.science.properties import Composition
from service.science.thawing import Body

SURFACES = 5  # in the family, from weak to strong
TURNS = 13  # instants at which air that nobody measured may have turned cold
# Error of the model in one dimension while the core is frozen, K: 0.6 warm, 0.3 cold
# [science reference 3.2; D]. Near thawing it is degrees, and nothing is concluded.
MODEL_ERROR_K = 0.6
FROZEN_BELOW_C = -4.0
TOGETHER_S = 3600.0  # checks within an hour are one look at a lot


def of_looks(checks: Sequence[Anchor]) -> list[Anchor]:
    """The warmest of the checks within each hour: one cold carton does not speak for another.

    >>> looks = of_looks([Anchor(0.0, -13.0), Anchor(600.0, -11.0), Anchor(9000.0, -14.0)])
    >>> [look.core_c for look in looks]
    [-11.0, -14.0]
    """
    looks: list[list[Anchor]] = []
    for check in sorted(checks, key=lambda check: (check.at_s, check.core_c)):
        if looks and check.at_s - looks[-1][0].at_s <= TOGETHER_S:
            looks[-1].append(check)
        else:
            looks.append([check])
    return [max(look, key=lambda check: check.core_c) for look in looks]


def bounds_with_checks(
    food: Composition,
    body: Body,
    air: AirSeries,
    coefficient_w_m2k: Estimate,
    *,
    start_c: Estimate,
    checks: Sequence[Anchor],
    event_s: tuple[float, float],
    error_k: float = CHECK_ERROR_K,
    in_three_dimensions: bool = True,
) -> Bounds:
    """`follow_bounds`, narrowed by measured cores also before they were measured.

    A check that lies within what the model alone said never widens its bounds; one that
    lies outside replaces them from its instant on. Before, the core was no warmer than it
    was measured, as far back as the air was warmer than that all the time.
    Cost: as `follow_bounds`, twice, and up to 65 histories in one dimension.
    """
    octant_from_c = OCTANT_FROM_C if in_three_dimensions else heat.HIGHEST_C
    alone = follow_bounds(
        food,
        body,
        air,
        coefficient_w_m2k,
        start_c=start_c,
        event_s=event_s,
        octant_from_c=octant_from_c,
    )
    looks = of_looks(checks)
    if not looks:
        return alone
    anchored = follow_bounds(
        food,
        body,
        air,
        coefficient_w_m2k,
        start_c=start_c,
        checks=looks,
        check_error_k=error_k,
        event_s=event_s,
        octant_from_c=octant_from_c,
    )
    if not all(_foreseen(alone, look, error_k) for look in looks):
        step = "a thermometer showed what the model had not foreseen: it counts from then on"
        low, high = _no_warmer_before(anchored.low, anchored.high, air, looks, error_k)
        return replace(
            anchored,
            low=low,
            high=high,
            central=_inside(anchored.central, low, high),
            steps=(*anchored.steps, step),
        )
    low, high = _between(_on(alone, anchored.central.at_s), anchored)
    steps = anchored.steps
    if max(look.core_c for look in looks) < FROZEN_BELOW_C:
        left = _left(food, body, air, coefficient_w_m2k, start_c, looks, error_k, low.at_s)
        if left:
            known = not (air.low_c != air.high_c).any()
            before = low.at_s < looks[-1].at_s
            low, high = _narrowed(low, high, left, before, known=known)
            steps += (f"bounded before by {len(left)} histories that the thermometer leaves",)
    low, high = _no_warmer_before(low, high, air, looks, error_k)
    return replace(
        anchored, low=low, high=high, central=_inside(anchored.central, low, high), steps=steps
    )


def _no_warmer_before(
    low: History, high: History, air: AirSeries, looks: Sequence[Anchor], error_k: float
) -> tuple[History, History]:
    """The core before each check, as far back as the air was surely warmer than it.

    While air warms a body its core is the coldest of it, and cannot become colder.
    """
    lowest, highest = low.core_c.copy(), high.core_c.copy()
    for look in looks:
        cold = air.at_s[(air.at_s < look.at_s) & (air.low_c < look.core_c + error_k)]
        since = cold[-1] if cold.size else -np.inf
        there = (high.at_s > since) & (high.at_s <= look.at_s)
        lowest[there] = np.minimum(lowest[there], look.core_c - error_k)
        highest[there] = np.minimum(highest[there], look.core_c + error_k)
    low, high = replace(low, core_c=lowest), replace(high, core_c=highest)
    return _each(np.minimum, low, high), high


def _foreseen(bounds: Bounds, look: Anchor, error_k: float) -> bool:
    low, high = (float(np.interp(look.at_s, h.at_s, h.core_c)) for h in (bounds.low, bounds.high))
    return low - error_k <= look.core_c <= high + error_k


def _on(bounds: Bounds, at_s: Array) -> tuple[History, History]:
    """Low and high of bounds at other instants."""
    return _at(bounds.low, at_s), _at(bounds.high, at_s)


def _at(history: History, at_s: Array) -> History:
    lines = (history.core_c, history.surface_c, history.mean_c)
    return History(at_s, *(np.interp(at_s, history.at_s, line) for line in lines))


def _between(alone: tuple[History, History], anchored: Bounds) -> tuple[History, History]:
    """What both bounds allow."""
    high = _each(np.minimum, alone[1], anchored.high)
    low = _each(np.maximum, alone[0], anchored.low)
    return _each(np.minimum, low, high), high


def _each(way: np.ufunc, one: History, other: History) -> History:
    return History(
        one.at_s,
        way(one.core_c, other.core_c),
        way(one.surface_c, other.surface_c),
        way(one.mean_c, other.mean_c),
    )


def _left(
    food: Composition,
    body: Body,
    air: AirSeries,
    coefficient: Estimate,
    start_c: Estimate,
    looks: Sequence[Anchor],
    error_k: float,
    at_s: Array,
) -> list[History]:
    """The family without what the looks contradict by more than they and the model are off.

    Of air that turned cold the first turn that is contradicted still bounds: the truth
    lies before it.
    """
    low, high = (np.interp(at_s, air.at_s, line) for line in (air.low_c, air.high_c))
    known = not (low != high).any()
    last = looks[-1].at_s
    turns = [last] if known else list(np.linspace(float(at_s[0]), last, TURNS))
    starts = (start_c.low, start_c.value, start_c.high) if known else (start_c.high,)
    left: list[History] = []
    for surface in np.geomspace(coefficient.low, coefficient.high, SURFACES):
        for start in starts:
            own: list[tuple[History, float]] = []
            for turn in turns:
                line = np.where(at_s <= turn, high, low)
                history = follow(food, body, float(surface), at_s, line, start_c=start)
                own.append((history, _off_k(history, looks)))
                if own[-1][1] > error_k + MODEL_ERROR_K:
                    break
            refuted = own[0][1] > error_k + MODEL_ERROR_K
            too_cold = _short_k(own[-1][0], looks) > error_k + MODEL_ERROR_K
            if not refuted and not too_cold:
                left += [history for history, _ in own]
    return left


def _off_k(history: History, looks: Sequence[Anchor]) -> float:
    """By how much a history is warmer than any of the looks."""
    found = np.interp([look.at_s for look in looks], history.at_s, history.core_c)
    return float((found - [look.core_c for look in looks]).max())


def _short_k(history: History, looks: Sequence[Anchor]) -> float:
    """By how much a history is colder than any of the looks."""
    found = np.interp([look.at_s for look in looks], history.at_s, history.core_c)
    return float(([look.core_c for look in looks] - found).max())


def _narrowed(
    low: History,
    high: History,
    left: Sequence[History],
    before: npt.NDArray[np.bool_],
    *,
    known: bool,
) -> tuple[History, History]:
    """Bounds before the last check by the histories that are left, and the model's error.

    From below only where the air is known: the family goes by the warmest.
    """

    def extreme(way: np.ufunc, line: str, by_k: float) -> Array:
        found: Array = way.reduce([getattr(history, line) for history in left]) + by_k
        return found

    lines = ("core_c", "surface_c", "mean_c")
    highest = [np.where(before, extreme(np.maximum, line, MODEL_ERROR_K), np.inf) for line in lines]
    lowest = [
        np.where(before, extreme(np.minimum, line, -MODEL_ERROR_K), -np.inf) for line in lines
    ]
    high = _each(np.minimum, high, History(high.at_s, *highest))
    if known:
        low = _each(np.maximum, low, History(low.at_s, *lowest))
    return _each(np.minimum, low, high), high


def _inside(central: History, low: History, high: History) -> History:
    return _each(np.minimum, _each(np.maximum, central, low), high)
