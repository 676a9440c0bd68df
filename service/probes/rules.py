"""Kinds of probes, and which of several stands for a place."""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from service.science.arrays import Indices

MEASURES_AIR_FIRST = ("air", "water", "product", "core")


class ProbeKind(StrEnum):
    """What a thermometer is in."""

    AIR = "air"
    PRODUCT = "product"
    CORE = "core"
    WATER = "water"


@dataclass(frozen=True)
class Standing:
    """A time in which a probe hung in a place and was not broken: it may stand for the place.

    chosen: the site named it for all of this time.
    """

    probe_id: int
    kind: ProbeKind
    from_s: int
    until_s: int
    chosen: bool


@dataclass(frozen=True)
class Offsets:
    """What is added to a probe's raw readings, each from an instant on; arrays in order."""

    from_s: Indices
    centi_c: Indices

    def of(self, at_s: Indices) -> Indices:
        """What to add at each instant; nothing before the first.

        >>> Offsets(np.array([100]), np.array([-30])).of(np.array([99, 100]))
        array([  0, -30])
        """
        if not self.from_s.size:
            return np.zeros_like(at_s)
        steps: Indices = np.concatenate(([0], self.centi_c))
        return steps[np.searchsorted(self.from_s, at_s, side="right")]
