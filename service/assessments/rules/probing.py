"""Which few cartons to probe by hand, so that most kilograms are settled.

A lot is settled when it is known whether its core is past the limit. A corner carton is
as warm as the lot can be: cold, it settles all of the lot; warm, only what stands outside.
A carton from the middle is as cold as the lot can be: warm, it settles all of the lot;
cold, only what stands inside. What a thermometer would show is taken from the range that
the model leaves, both cartons warm or cold together, since they share their air.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from statistics import NormalDist

import numpy as np

from service.checks.rules import Position
from service.science.arrays import Array
from service.science.assessment import CHECK_ERROR_K
from service.science.estimate import Z10, Estimate

# Equally likely cases of what nobody knows: the quantiles in the middle of each.
CASES = 400
MOST_PROBES = 12


@dataclass(frozen=True)
class Unsettled:
    """A lot in one place whose cartons may be past the limit or not.

    corner_c, middle_c : core of a corner carton and of one in the middle, now.
    outer_share : of the lot, 0 to 1, that is as the corner is.
    measured : positions of which it is known: a thermometer has told, or no case is left open.
    """

    lot: str
    place: str
    grams: int
    corner_c: Estimate
    middle_c: Estimate
    outer_share: float
    measured: frozenset[Position] = frozenset()


@dataclass(frozen=True)
class Probe:
    """One carton to probe, and what is expected to be settled with all up to it."""

    lot: str
    place: str
    position: Position
    gain_g: float
    settled_g: float


def straddles(core_c: Estimate, limit_c: float, error_k: float = CHECK_ERROR_K) -> bool:
    """Whether a core may be either side of a limit, further than a thermometer is off."""
    return core_c.low + error_k <= limit_c < core_c.high - error_k


def settled_share(
    group: Unsettled, probed: Iterable[Position], limit_c: float, error_k: float = CHECK_ERROR_K
) -> float:
    """Share of a lot that is expected to be settled by probing cartons at these positions.

    limit_c : past which a core is too warm. error_k : within which a thermometer leaves
    it open. Cost: O(CASES).

    >>> cold = Estimate(-14.0, -16.0, -9.0)
    >>> lot = Unsettled("HER1", "FZ1", 100_000, cold, Estimate(-18.0, -19.0, -17.0), 0.5)
    >>> [round(settled_share(lot, at, -12.0), 2) for at in ([], ["corner"], ["middle"])]
    [0.0, 0.78, 0.5]
    """
    asked = frozenset(probed)
    corner = _cores(group.corner_c)
    middle = np.minimum(_cores(group.middle_c), corner)
    nothing = np.zeros(CASES, dtype=bool)
    corner_cold = corner <= limit_c - error_k if Position.CORNER in asked else nothing
    corner_warm = corner > limit_c + error_k if Position.CORNER in asked else nothing
    middle_cold = middle <= limit_c - error_k if Position.MIDDLE in asked else nothing
    middle_warm = middle > limit_c + error_k if Position.MIDDLE in asked else nothing
    part = group.outer_share * corner_warm + (1.0 - group.outer_share) * middle_cold
    return float(np.where(corner_cold | middle_warm, 1.0, part).mean())


def _cores(core_c: Estimate) -> Array:
    """A core in each case: normal on each side of its most likely value."""
    quantiles = (np.arange(CASES) + 0.5) / CASES
    z = np.array([NormalDist().inv_cdf(q) for q in quantiles]) / Z10
    below, above = core_c.value - core_c.low, core_c.high - core_c.value
    cores: Array = core_c.value + np.where(z < 0, z * below, z * above)
    return cores


def probes(
    groups: Sequence[Unsettled],
    limit_c: float,
    *,
    error_k: float = CHECK_ERROR_K,
    most: int = MOST_PROBES,
) -> list[Probe]:
    """Cartons to probe, the one that settles most kilograms first.

    Each first of a lot is the better of its two positions; a second of the same lot never
    settles more than its first, so that taking the best each time settles the most that
    any so many cartons can (a sum of concave gains). Equal gains go by lot and place. A
    probe that settles less than one gram is not asked for.

    Cost: O(groups · CASES).
    """
    waiting: list[tuple[float, str, str, int, Position]] = []
    later: dict[tuple[int, Position], tuple[float, Position]] = {}
    for number, group in enumerate(groups):
        known = settled_share(group, group.measured, limit_c, error_k)
        gains = {
            position: settled_share(group, {*group.measured, position}, limit_c, error_k) - known
            for position in Position
            if position not in group.measured
        }
        if not gains:
            continue
        first = max(gains, key=lambda position: (gains[position], position is Position.CORNER))
        heappush(waiting, (-gains[first] * group.grams, group.lot, group.place, number, first))
        for second in set(gains) - {first}:
            both = settled_share(group, Position, limit_c, error_k) - known
            later[number, first] = ((both - gains[first]) * group.grams, second)
    found: list[Probe] = []
    settled = 0.0
    while waiting and len(found) < most:
        less, lot, place, number, position = heappop(waiting)
        if -less < 1.0:
            break
        settled -= less
        found.append(Probe(lot, place, position, -less, settled))
        if (number, position) in later:
            gain, second = later[number, position]
            heappush(waiting, (-gain, lot, place, number, second))
    return found
