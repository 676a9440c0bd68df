"""What the air of a cold place looks like when its door is open, its coil is being defrosted,
or its compressor is failing.

Air holds next to no heat, so what warms it shows in the shape of the curve:

======================== ================== ==================== ==========================
what is looked at        door               defrost              compressor
======================== ================== ==================== ==========================
comes at even intervals  no                 three times before,  no
                                            to 10 min or 5 %
steepest rise            20 K/h or more     any                  less than 20 K/h
warm for                 up to 60 min, or   up to 60 min         60 min or more
                         flat after it rose
still rises at the end,  less than 0.4      -                    0.4 or more
as a share of its start
falls again by           5 K/h or more      5 K/h or more        not, while it is broken
======================== ================== ==================== ==========================

The figures are ours [D]; the rise of a passive freezer (45 K over four hours or more) is
from science reference 3.4 [memory, low]. What fits none of the three is unknown. A cause is
a guess that helps whoever goes to look: nothing is permitted or forbidden by it, but that
a defrost which is certainly regular, short and cold enough is not made an alarm.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from service.science.arrays import Array, Indices

HOUR_S = 3600.0
LOOKED_BACK_S = 48 * 3600  # for earlier spikes: three defrosts at 12 h, and more often
SHORTEST_S, LONGEST_S = 2 * 3600, 15 * 3600  # between two defrosts
OFF_S, OFF_SHARE = 600, 0.05  # by which the interval of two defrosts may differ
ALIKE_K, ALIKE_S = 4.0, 900  # by which two defrosts may differ in height and length
REPEATED = 3  # earlier spikes that make it regular
STEEP_K_PER_H = 20.0
SHORT_S = 3600
STILL_RISING = 0.4
RECOVERS_K_PER_H = 5.0


class Cause(StrEnum):
    """What an excursion looks like: a guess from its shape, never a finding."""

    DOOR = "door"
    DEFROST = "defrost"
    COMPRESSOR = "compressor"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Spike:
    """A time in which the air was warmer than its limit, however short."""

    from_s: int
    until_s: int
    peak_c: float


def regular_before(spikes: Sequence[Spike], from_s: int) -> int:
    """How many spikes before an instant lead up to it at even intervals.

    The longest chain of alike spikes whose last interval ends at `from_s`; 0 unless it
    has at least `REPEATED` and no other spike lies between its ends: doors that open at
    all times would seem regular otherwise. Cost: O(spikes squared), of two days.

    >>> spikes = [Spike(hour * 3600, hour * 3600 + 1500, -15.0) for hour in (0, 6, 12)]
    >>> regular_before(spikes, 18 * 3600), regular_before(spikes, 19 * 3600)
    (3, 0)
    """
    earlier = [s for s in spikes if from_s - LOOKED_BACK_S <= s.from_s < from_s]
    best = 0
    for last in earlier:
        interval = from_s - last.from_s
        if SHORTEST_S <= interval <= LONGEST_S:
            chain = _chain(earlier, last, interval)
            between = sum(s.from_s >= chain[-1].from_s for s in earlier)
            if len(chain) >= REPEATED and between == len(chain):
                best = max(best, len(chain))
    return best


def _chain(spikes: Sequence[Spike], last: Spike, interval_s: int) -> list[Spike]:
    """Spikes alike, each one interval before the next; newest first."""
    off = max(OFF_S, OFF_SHARE * interval_s)
    chain = [last]
    for spike in reversed(spikes):
        step = chain[-1].from_s - spike.from_s
        if abs(step - interval_s) <= off and _alike(spike, last):
            chain.append(spike)
    return chain


def _alike(one: Spike, other: Spike) -> bool:
    longer = (one.until_s - one.from_s) - (other.until_s - other.from_s)
    return abs(one.peak_c - other.peak_c) <= ALIKE_K and abs(longer) <= ALIKE_S


@dataclass(frozen=True)
class Shape:
    """How the air rose and fell, in the numbers that a cause is guessed from.

    still_rising : the rise of its last third over that of its first; recovery_k_per_h
    None while it has not fallen by half of its height.
    """

    height_k: float
    steepest_k_per_h: float
    lasted_min: float
    still_rising: float
    recovery_k_per_h: float | None
    regular_before: int


def shape_of(
    at_s: Indices, temperature_c: Array, from_s: int, ended_s: int | None, *, regular: int
) -> Shape | None:
    """The shape of what began at `from_s`; None of fewer than three readings since.

    at_s, temperature_c : shape (n,), ascending, °C, with an hour or more before and after.
    The height counts from the median of what came before. Cost O(n).

    >>> at = np.arange(0, 4 * 3600, 300)
    >>> air = np.where(at < 7200, -24.0, np.minimum(-24 + 8 * (at - 7200) / 3600, -12))
    >>> shape = shape_of(at, air, 7200, None, regular=0)
    >>> round(shape.height_k), round(shape.steepest_k_per_h), shape.recovery_k_per_h is None
    (12, 8, True)
    """
    last_s = int(at_s[-1]) if ended_s is None else ended_s
    during = (at_s >= from_s) & (at_s <= last_s)
    if during.sum() < 3:
        return None
    before = temperature_c[at_s < from_s]
    base = float(np.median(before)) if before.size else float(temperature_c[during][0])
    peak = int(np.flatnonzero(during)[np.argmax(temperature_c[during])])
    height = float(temperature_c[peak]) - base
    # It began to rise before it passed the limit: at the last reading near the base.
    low = np.flatnonzero((np.arange(at_s.size) < peak) & (temperature_c <= base + 0.1 * height))
    foot = int(low[-1]) if low.size else int(np.flatnonzero(during)[0])
    rise_s, rise_c = at_s[foot : peak + 1], temperature_c[foot : peak + 1]
    return Shape(
        height_k=round(height, 2),
        steepest_k_per_h=round(_steepest(rise_s, rise_c), 2),
        lasted_min=round((last_s - from_s) / 60, 1),
        still_rising=round(_still_rising(rise_s, rise_c, last_s), 2),
        recovery_k_per_h=_recovery(at_s[peak:], temperature_c[peak:], base),
        regular_before=regular,
    )


def _steepest(at_s: Indices, temperature_c: Array) -> float:
    """The steepest rise over a quarter of an hour or one interval, K/h."""
    if at_s.size < 2:
        return 0.0
    after = np.minimum(np.searchsorted(at_s, at_s + 900), at_s.size - 1)
    took = at_s[after] - at_s
    some = took > 0
    return float(((temperature_c[after] - temperature_c)[some] / took[some]).max() * HOUR_S)


def _still_rising(at_s: Indices, temperature_c: Array, last_s: int) -> float:
    """The rise in the last third of the time over the rise in the first. Flat after the
    peak counts: the time goes on until `last_s`."""
    end = max(last_s, int(at_s[-1]))
    cuts = np.linspace(at_s[0], end, 4)
    a, b, c, d = np.interp(cuts, at_s, temperature_c)
    return float((d - c) / (b - a)) if b > a else 0.0


def _recovery(at_s: Indices, temperature_c: Array, base_c: float) -> float | None:
    """How fast the air fell by half of its height, K/h; None before it has."""
    if temperature_c[0] <= base_c:
        return None
    half = (temperature_c[0] + base_c) / 2
    fallen = np.flatnonzero(temperature_c <= half)
    if not fallen.size:
        return None
    took = float(at_s[fallen[0]] - at_s[0])
    return round(float(temperature_c[0] - temperature_c[fallen[0]]) / took * HOUR_S, 2)


def cause_of(shape: Shape | None) -> Cause:
    """What a shape looks like, by the table above.

    >>> cause_of(Shape(12, 40, 25, 0.2, 30, 4)), cause_of(Shape(12, 60, 25, 0.2, 30, 0))
    (<Cause.DEFROST: 'defrost'>, <Cause.DOOR: 'door'>)
    >>> cause_of(Shape(14, 8, 180, 0.9, None, 0))
    <Cause.COMPRESSOR: 'compressor'>
    """
    if shape is None:
        return Cause.UNKNOWN
    recovers = shape.recovery_k_per_h is not None and shape.recovery_k_per_h >= RECOVERS_K_PER_H
    short = shape.lasted_min * 60 <= SHORT_S
    rises_on = shape.still_rising >= STILL_RISING
    if shape.regular_before >= REPEATED and short:
        return Cause.DEFROST
    if not short and rises_on and shape.steepest_k_per_h < STEEP_K_PER_H:
        return Cause.COMPRESSOR
    if short and shape.steepest_k_per_h >= STEEP_K_PER_H and recovers:
        return Cause.DOOR
    if not short and not rises_on and (recovers or shape.steepest_k_per_h >= STEEP_K_PER_H):
        return Cause.DOOR
    return Cause.UNKNOWN
