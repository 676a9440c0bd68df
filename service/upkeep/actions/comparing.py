"""Probes that hang together, held beside one another."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from service.probes.models import Probe
from service.science.drift import Difference, against_the_others, difference, wanders
from service.site.rules import Policy
from service.upkeep.queries import SideBySide


@dataclass(frozen=True)
class Pair:
    """Two probes and how they differ, first less second."""

    first: Probe
    second: Probe
    found: Difference


@dataclass(frozen=True)
class Wander:
    """A probe against the median of the others. flagged: it drifts by more than its class allows.

    With one other only, nobody can tell which of the two it is: both are flagged.
    """

    probe: Probe
    against: Sequence[Probe]
    found: Difference
    flagged: bool


def pairs(beside: SideBySide) -> list[Pair]:
    """Every two probes with hours that both measured."""
    found = []
    for i, j in combinations(range(len(beside.probes)), 2):
        both = ~np.isnan(beside.mean_c[i]) & ~np.isnan(beside.mean_c[j])
        if both.any():
            apart = difference(beside.hour_s[both], beside.mean_c[i, both], beside.mean_c[j, both])
            found.append(Pair(beside.probes[i], beside.probes[j], apart))
    return found


def wandering(beside: SideBySide, policy: Policy) -> list[Wander]:
    """Each probe against the median of the others, over the time looked at."""
    found = []
    for i, probe in enumerate(beside.probes):
        others = against_the_others(beside.mean_c, i)
        if others is None:
            continue
        hours, median, which = others
        apart = difference(beside.hour_s[hours], beside.mean_c[i, hours], median)
        flagged = wanders(
            apart, window_days=policy.drift_window_days, class_c=policy.recorder_class_storage
        )
        found.append(Wander(probe, [beside.probes[j] for j in which], apart, flagged))
    return found
