"""Kinds of probes, which of several stands for a place, and what a calibration says."""

from dataclasses import dataclass
from datetime import datetime
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


class Method(StrEnum):
    """What a probe is held against."""

    ICE_POINT = "ice_point"  # crushed ice and water: 0 °C
    COMPARISON = "comparison"  # a thermometer that is known to be right


class Remedy(StrEnum):
    """What a failed calibration suggests; a person decides."""

    OFFSET = "offset"
    FAULT = "fault"


@dataclass(frozen=True)
class Suggestion:
    """What might be done about a probe that was found off, and since when.

    offset_c : for an offset: what to add to what the probe itself shows, from then on.
    """

    remedy: Remedy
    from_at: datetime
    because: str
    offset_c: float | None = None


def agrees(measured_c: float, offset_c: float, reference_c: float, tolerance_c: float) -> bool:
    """Whether a probe, its offset added, is within tolerance of the reference.

    Judged in whole thousandths of a degree, so that 0.4 off is not more than 0.4.

    >>> agrees(0.4, 0.0, 0.0, 0.4), agrees(0.4, -0.3, 0.0, 0.4), agrees(0.5, 0.0, 0.0, 0.4)
    (True, True, False)
    """
    return round(abs(measured_c + offset_c - reference_c), 3) <= tolerance_c


def suggestions(
    measured_c: float,
    offset_c: float,
    reference_c: float,
    *,
    calibrated_at: datetime,
    good_until: datetime | None,
    class_c: float,
) -> list[Suggestion]:
    """What might be done about a probe that was found off.

    good_until : its last good calibration; None: it never had one. class_c : what a
    recorder of its class may be off by (EN 12830). Within it an offset is enough: of a
    probe that reads too cold from the last good calibration on, as nobody knows since
    when; of one that reads too warm only from now on, because an offset never makes
    fish's past colder by itself. Beyond it the probe is broken, since then too.
    """
    error_c = measured_c + offset_c - reference_c
    since = good_until or calibrated_at
    offset = Suggestion(
        Remedy.OFFSET,
        since if error_c < 0 else calibrated_at,
        f"it reads {abs(error_c):.2f} °C too {'cold' if error_c < 0 else 'warm'}",
        reference_c - measured_c,
    )
    if abs(error_c) <= class_c:
        return [offset]
    off = f"it is {abs(error_c):.2f} °C off, a recorder of its class at most {class_c:g} °C"
    return [Suggestion(Remedy.FAULT, since, off)]


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
