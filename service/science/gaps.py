"""Air from readings with gaps: one line as it most likely was, one below it and one above.

What nobody measured is never taken for cold: the line above is what a place could
have done with its cooling off, and rules are judged by it.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, finite, within
from service.science.exposure import AMBIENT_C, PULL_DOWN_K_PER_S, WARM_UP_S

STEP_S = 300.0  # between the points that stand for a gap
EDGE_S = 1.0  # how soon beside a reading a bound leaves it
HALVINGS = 50  # of a gap, to where warming and pull-down meet

SOURCES = (
    "gaps: envelope of passive warming and pull-down, lumped capacity, textbook [D]",
    "fastest warming and pull-down of a place: our default, memory low",
)


@dataclass(frozen=True)
class GapRule:
    """When readings are too far apart, and what a place may have done in between.

    Attributes
    ----------
    interval_s : how often the place is logged.
    straight_intervals : up to so many intervals a straight line is taken as
        measured. One and a half covers a late reading. With two, one missing
        reading is bridged, and may hide a short peak: no longer the safe side.
    limit_s : from here on a gap counts as unknown.
    ambient_c : what the place warms towards with its cooling off.
    warm_up_s : time constant of its fastest warming, cooling off.
    pull_down_k_per_s : how fast it is ever cooled.

    Raises ValueError for a figure outside its range, naming it.

    >>> GapRule(warm_up_s=0)
    Traceback (most recent call last):
    ...
    ValueError: warm_up_s must lie between 1 and 10000000.0
    """

    interval_s: float = 300.0
    straight_intervals: float = 1.5
    limit_s: float = 3600.0
    ambient_c: float = AMBIENT_C
    warm_up_s: float = WARM_UP_S
    pull_down_k_per_s: float = PULL_DOWN_K_PER_S

    def __post_init__(self) -> None:
        within("interval_s", self.interval_s, 1, 86400)
        within("straight_intervals", self.straight_intervals, 0, 100)
        within("limit_s", self.limit_s, 0, 86400)
        within("ambient_c", self.ambient_c, -45, 45)
        within("warm_up_s", self.warm_up_s, 1, 1e7)
        within("pull_down_k_per_s", self.pull_down_k_per_s, 1e-6, 10)

    @property
    def straight_s(self) -> float:
        """The longest time between two readings that a straight line bridges, s."""
        return min(self.straight_intervals * self.interval_s, self.limit_s)


@dataclass(frozen=True)
class AirSeries:
    """Air of one place over time: lines between points, below, most likely and above.

    at_s : shape (n,), n >= 1, seconds ascending. low_c <= central_c <= high_c :
    shape (n,), °C. unknown : shape (n - 1,), whether nobody knows what was between
    two points. The same line may stand for all three.

    Raises ValueError where shapes differ, instants do not ascend, a value is not
    finite, or the three are not in order.

    >>> line = np.array([-20.0, -18.0])
    >>> AirSeries(np.array([0.0, 60.0]), line, line, line - 1, np.array([False]))
    Traceback (most recent call last):
    ...
    ValueError: low_c, central_c and high_c must be in this order
    """

    at_s: Array
    low_c: Array
    central_c: Array
    high_c: Array
    unknown: npt.NDArray[np.bool_]

    def __post_init__(self) -> None:
        lines = (self.low_c, self.central_c, self.high_c)
        for name, line in zip(("low_c", "central_c", "high_c"), lines, strict=True):
            if finite(name, line).shape != self.at_s.shape:
                raise ValueError(f"{name} must have one value for each of at_s")
        if self.unknown.shape != (self.at_s.size - 1,):
            raise ValueError("unknown must have one value between each two of at_s")
        _ascending(self.at_s)
        if (self.low_c > self.central_c).any() or (self.central_c > self.high_c).any():
            raise ValueError("low_c, central_c and high_c must be in this order")

    def unknown_s(self, begin_s: float, end_s: float) -> float:
        """Seconds between two instants of which nobody knows.

        >>> air_series([0, 7200], [-20, -20]).unknown_s(3600, 9000)
        3600.0
        """
        shared = np.minimum(self.at_s[1:], end_s) - np.maximum(self.at_s[:-1], begin_s)
        return float(np.maximum(shared, 0.0)[self.unknown].sum())

    def with_points(self, instants_s: npt.ArrayLike) -> "AirSeries":
        """The same lines with points at further instants between the first and the last.

        Raises ValueError for an instant that is not finite or outside the series.

        >>> air = air_series([0, 300], [-20, -18]).with_points([150, 300])
        >>> air.at_s.tolist(), air.high_c.tolist()
        ([0.0, 150.0, 300.0], [-20.0, -19.0, -18.0])
        """
        wanted = within("instants_s", instants_s, float(self.at_s[0]), float(self.at_s[-1]))
        at_s = np.union1d(self.at_s, wanted)
        low, central, high = (
            np.interp(at_s, self.at_s, line) for line in (self.low_c, self.central_c, self.high_c)
        )
        segment = np.searchsorted(self.at_s, at_s[1:], side="left") - 1
        central = np.maximum(low, central)  # rounding along a line may cross its neighbour
        return AirSeries(at_s, low, central, np.maximum(central, high), self.unknown[segment])


def _ascending(at_s: Array) -> None:
    if at_s.ndim != 1 or at_s.size == 0:
        raise ValueError("at_s must hold at least one instant, in one row")
    if (np.diff(at_s) <= 0).any():
        raise ValueError("at_s must ascend")


def air_series(
    at_s: npt.ArrayLike,
    air_c: npt.ArrayLike,
    rule: GapRule | None = None,
    *,
    begin_s: float | None = None,
    end_s: float | None = None,
) -> AirSeries:
    """How cold, how warm and most likely what the air of a place was all the time.

    Parameters
    ----------
    at_s, air_c : shape (n,), n >= 1, seconds strictly ascending, °C, -90 to 90.
    rule : when readings are too far apart; None: its defaults, an hour at most.
    begin_s, end_s : where the time asked about begins and ends, if before the first
        or after the last reading: there is no neighbour, and nobody knows.

    Returns
    -------
    AirSeries. Up to `rule.straight_s` all three are the straight line. In a longer
    gap low is the colder neighbour, high the envelope: warming with the cooling off
    and pull-down before the next reading, never below the warmer neighbour. Central
    is the straight line up to `rule.limit_s`; beyond, half of it and half of the
    envelope, for display, and the time is unknown.

    Raises
    ------
    ValueError
        If there is no reading, instants do not ascend, a value is not finite or
        outside its range, or begin_s and end_s leave readings out, naming it.

    Notes
    -----
    Gaps are set out at points of at most five minutes, where warming and pull-down
    meet, and one second beside each reading. Readings that a place with these
    figures may have had lie below the envelope, so leaving them out of a complete
    record never lowers `high_c`. Leaves out what is faster than the figures, such
    as a defrost inside a gap. From one gap to a still longer one the bound may
    fall for a while, as a short gap's floor is its warmer neighbour. Cost O(n +
    time in gaps / 300 s).

    Source
    ------
    Science reference 3.4 (derived there); time constants [memory, low].

    Check
    -----
    Silent for four hours between -20 and -18 °C:

    >>> air = air_series([0, 4 * 3600], [-20, -18])
    >>> at = 2 * 3600
    >>> [round(float(np.interp(at, air.at_s, c)), 2) for c in (air.low_c, air.high_c)]
    [-20.0, -4.26]
    >>> bool(air.unknown.all())
    True
    """
    rule = rule or GapRule()
    times, air = finite("at_s", at_s), within("air_c", air_c, -90, 90)
    _ascending(times)
    if air.shape != times.shape:
        raise ValueError("air_c must have one value for each of at_s")
    first = float(times[0]) if begin_s is None else begin_s
    final = float(times[-1]) if end_s is None else end_s
    if not first <= times[0] <= times[-1] <= final:
        raise ValueError("begin_s and end_s must be finite and leave no reading out")
    finite("begin_s and end_s", (first, final))
    return _bridged(times, air, rule, first, final)


def _bridged(times: Array, air: Array, rule: GapRule, first: float, final: float) -> AirSeries:
    """Readings, and points between them where they are too far apart."""
    early, late = bool(first < times[0]), bool(final > times[-1])
    times = np.concatenate(([first] * early, times, [final] * late))
    air = np.concatenate(([air[0]] * early, air, [air[-1]] * late))
    length = np.diff(times)
    open_before, open_after = np.zeros((2, length.size), dtype=bool)
    open_before[:1], open_after[-1:] = early, late
    unknown = (length > rule.limit_s) | open_before | open_after
    wide = np.flatnonzero((length > rule.straight_s) | unknown)
    gaps = _Gaps(rule, length[wide], air[wide], air[wide + 1], open_before[wide], open_after[wide])
    owner, offset = _points(gaps)
    order = np.argsort(every := np.concatenate((times, times[wide][owner] + offset)), kind="stable")
    segment = np.searchsorted(times, every[order][1:], side="left") - 1
    low, central, high = (np.concatenate((air, line))[order] for line in gaps.bounds(owner, offset))
    # at an end without a reading the lines go on as they came, not to a neighbour
    for place, gap, after_s, is_open in (
        (0, 0, 0.0, early),
        (-1, wide.size - 1, length[-1] if length.size else 0.0, late),
    ):
        if is_open:
            end = gaps.bounds(np.array([gap]), np.array([after_s]))
            low[place], central[place], high[place] = (line[0] for line in end)
    return AirSeries(every[order], low, central, high, unknown[segment])


@dataclass(frozen=True)
class _Gaps:
    """Times without readings, one row each: how long, and the readings at their ends."""

    rule: GapRule
    length: Array
    before: Array
    after: Array
    open_before: npt.NDArray[np.bool_]  # there is no reading before
    open_after: npt.NDArray[np.bool_]

    def rising(self, owner: npt.NDArray[np.int64], offset: Array) -> Array:
        """How warm it is with the cooling off since the last reading."""
        warmest = np.maximum(self.rule.ambient_c, np.maximum(self.before, self.after))
        start = np.where(self.open_before, warmest, self.before)[owner]
        line: Array = warmest[owner] - (warmest[owner] - start) * np.exp(
            -offset / self.rule.warm_up_s
        )
        return line

    def falling(self, owner: npt.NDArray[np.int64], offset: Array) -> Array:
        """From how warm it can have been pulled down to the next reading."""
        left = self.length[owner] - offset
        line: Array = np.where(
            self.open_after[owner],
            np.inf,
            self.after[owner] + self.rule.pull_down_k_per_s * left,
        )
        return line

    def bounds(self, owner: npt.NDArray[np.int64], offset: Array) -> tuple[Array, Array, Array]:
        """Low, central and high at points: whose gap, and how long after its begin."""
        before, after = self.before[owner], self.after[owner]
        warmest = np.minimum(self.rising(owner, offset), self.falling(owner, offset))
        high: Array = np.maximum(warmest, np.maximum(before, after))
        low: Array = np.minimum(before, after)
        straight = before + (after - before) * offset / self.length[owner]
        straight = np.clip(straight, low, np.maximum(before, after))
        unknown = (self.length > self.rule.limit_s) | self.open_before | self.open_after
        central: Array = np.where(unknown[owner], (straight + high) / 2, straight)
        return low, central, high


def _points(gaps: _Gaps) -> tuple[npt.NDArray[np.int64], Array]:
    """Where gaps are set out: for each point whose gap, and seconds since its begin."""
    count = np.ceil(gaps.length / STEP_S).astype(np.int64)
    every = np.arange(gaps.length.size)
    even = np.repeat(every, np.maximum(count - 1, 0))
    begin = np.cumsum(np.maximum(count - 1, 0)) - np.maximum(count - 1, 0)
    number = np.arange(even.size) - begin[even] + 1
    edge = np.minimum(EDGE_S, gaps.length / 4)
    owner = np.concatenate((even, every, every, every))
    offset = np.concatenate(
        (number * gaps.length[even] / count[even], edge, gaps.length - edge, _meeting(gaps))
    )
    # to the millisecond: points that are nearer are one, also counted from an epoch
    keys = np.unique(np.stack((owner, np.round(offset, 3))), axis=1)
    owner, offset = keys[0].astype(np.int64), keys[1]
    inside = (offset > 0) & (offset < gaps.length[owner] - 5e-4)
    return owner[inside], offset[inside]


def _meeting(gaps: _Gaps) -> Array:
    """When warming would be cut off by pull-down; at an end where they do not meet."""
    every = np.arange(gaps.length.size)
    low, high = np.zeros(gaps.length.size), gaps.length.copy()
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        warming = gaps.rising(every, middle) < gaps.falling(every, middle)
        low, high = np.where(warming, middle, low), np.where(warming, high, middle)
    return (low + high) / 2
