"""Finding excursions in the readings of one probe while it hung in one place.

The watch goes forward over readings with a small memory. Fed in one piece or in any
pieces, a series gives the same excursions: what is found depends on the readings alone.

- Warm: a run begins with a reading above the limit. Its time above the limit adds up, each
  reading counting until the next, and past the grace it is an excursion; a reading above
  the higher limit is one at once. A run that comes to nothing is forgotten once it was at
  the limit or colder for `cold_s`. An excursion ends when it was colder than the limit by
  the margin for `cold_s`, or at the limit or colder for `merge_s`; it ended when that
  began. Another that begins within `merge_s` of its end continues it.
- A missing reading never helps: a warm reading counts until the next however long that
  takes, and a cold one does not count beyond itself where the next is missing.
- Rising: the means over five stretches one after the other, each a third as long as the
  rise must last, rise from one to the next by the policy's slope, at or below the limit.
  What heats for as long as the policy says or shorter cannot do that: no defrost does.
- Silent: from the last reading before a gap until the first after it.
- A run at an even distance from alike ones before it is a defrost, and passed over while
  it stays shorter and colder than the policy's figures.
"""

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from typing import Any, Self

import numpy as np

from service.excursions.rules import ExcursionKind
from service.excursions.rules.limits import Limits
from service.science.arrays import Array, Indices
from service.science.excursion_shape import LOOKED_BACK_S, REPEATED, Spike, regular_before

_MOST_SPIKES = 200
_COLD, _AT_LIMIT, _WARM = 0, 1, 2


@dataclass(frozen=True)
class Found:
    """An excursion as the readings show it. ended_s None: it goes on.

    regular, spikes : how many spikes lead up to it at even intervals, and how many there
    were in the two days before.
    """

    kind: ExcursionKind
    place_id: int
    from_s: int
    ended_s: int | None
    peak_c: float | None = None
    limit_c: float | None = None
    regular: int = 0
    spikes: int = 0


@dataclass(frozen=True)
class Passed:
    """A regular defrost that was passed over."""

    place_id: int
    from_s: int
    until_s: int
    peak_c: float


@dataclass
class Run:
    """Readings above the limit, with what lies between them."""

    from_s: int
    warm_s: int = 0
    peak_c: float = -273.0
    below_s: int | None = None  # since when at the limit or colder
    cold_s: int | None = None  # since when colder by the margin
    regular: int = 0
    opened: bool = False


@dataclass
class Event:
    """A warm excursion or a rise: the one that goes on, or the last that ended."""

    from_s: int
    ended_s: int | None
    peak_c: float
    limit_c: float
    regular: int = 0
    spikes: int = 0


@dataclass
class Memory:
    """What the watch remembers of a probe in a place up to its last reading.

    since_s : when the probe was hung there, or repaired; left_s when it was taken down or
    broke, once that has been seen to.
    """

    place_id: int
    since_s: int
    left_s: int | None = None
    last_s: int | None = None
    level: int = _COLD
    last_c: float = 0.0
    run: Run | None = None
    warm: Event | None = None
    rise: Event | None = None
    rose_s: int | None = None  # the last reading that was found rising
    spikes: list[Spike] = field(default_factory=list)

    def as_json(self) -> dict[str, Any]:
        """Plain values, to be stored."""
        return asdict(self)

    @classmethod
    def of_json(cls, stored: dict[str, Any]) -> Self:
        """What was stored."""

        def made(kind: Any, name: str) -> Any:
            return None if stored[name] is None else kind(**stored[name])

        parts = {"run": Run, "warm": Event, "rise": Event}
        return cls(
            **{
                **stored,
                **{name: made(kind, name) for name, kind in parts.items()},
                "spikes": [Spike(**spike) for spike in stored["spikes"]],
            }
        )


@dataclass
class Finds:
    """What was found on the way: excursions that changed, by kind and begin; passed defrosts."""

    excursions: dict[tuple[ExcursionKind, int, int], Found] = field(default_factory=dict)
    passed: list[Passed] = field(default_factory=list)

    def note(self, found: Found) -> None:
        """Remember how an excursion stands now."""
        self.excursions[found.kind, found.place_id, found.from_s] = found


def watch_on(
    memory: Memory, limits: Limits, at_s: Indices, temperature_c: Array, begin: int, finds: Finds
) -> None:
    """Go on over readings from number `begin`; those before it are looked at only for slopes.

    at_s, temperature_c : shape (n,), in order, after what the memory has seen; the
    earlier ones reach back by twice `limits.rise_s`. Cost O(n).
    """
    if at_s.size == begin:
        return
    _silences(memory, limits, at_s[begin:], finds)
    if limits.limit_c is not None:
        rising = _rising(at_s, temperature_c, limits)[begin:]
        for level, from_s, until_s, peak_c, gap in _stretches(
            memory, limits, at_s[begin:], temperature_c[begin:]
        ):
            _step(memory, limits, level, from_s, until_s, peak_c, gap, finds)
        _rises(memory, limits, at_s[begin:], temperature_c[begin:], rising, finds)
        memory.level = int(_levels(temperature_c[-1:], limits)[0])
    memory.last_s, memory.last_c = int(at_s[-1]), float(temperature_c[-1])


def leave(memory: Memory, limits: Limits, at_s: int, finds: Finds) -> None:
    """The probe was taken down or broke at an instant: what went on ends there."""
    memory.left_s = at_s
    if memory.last_s is not None and at_s - memory.last_s > limits.gap_s:
        finds.note(Found(ExcursionKind.SILENT, memory.place_id, memory.last_s, at_s))
    if limits.limit_c is None or memory.last_s is None:
        return
    if memory.run is not None:
        gap = at_s - memory.last_s > limits.gap_s
        _step(memory, limits, memory.level, memory.last_s, at_s, memory.last_c, gap, finds)
        if memory.run is not None:
            _close_run(memory, limits, memory.run.below_s or at_s, finds)
    if memory.rise is not None and memory.rise.ended_s is None:
        memory.rise.ended_s = memory.rose_s
        _note(memory, ExcursionKind.RISING, memory.rise, finds)


def note_standing(memory: Memory, finds: Finds) -> None:
    """What goes on, whether or not anything about it is new."""
    for kind, event in ((ExcursionKind.WARM, memory.warm), (ExcursionKind.RISING, memory.rise)):
        if event is not None and event.ended_s is None:
            _note(memory, kind, event, finds)


def silent_now(memory: Memory, limits: Limits, at_s: int, finds: Finds) -> None:
    """Nothing was heard for longer than a gap may be, and nothing is known of later."""
    if memory.last_s is not None and at_s - memory.last_s > limits.gap_s:
        finds.note(Found(ExcursionKind.SILENT, memory.place_id, memory.last_s, None))


def quiet_from(at_s: Indices, temperature_c: Array, limits: Limits) -> int | None:
    """The last instant from which on the watch may begin anew: nothing that was before counts.

    It follows on readings at the limit or colder, not rising and without a gap, for
    longer than any run, excursion or rise is remembered. None where there is none.
    """
    calm_s = 2 * limits.merge_s + limits.cold_s + 2 * limits.rise_s
    fine = np.diff(at_s, prepend=at_s[:1]) <= limits.gap_s
    if limits.limit_c is not None:
        fine &= _levels(temperature_c, limits) < _WARM
        fine &= ~_rising(at_s, temperature_c, limits)
    broken = np.where(fine, 0, np.arange(at_s.size))
    since = np.maximum.accumulate(broken)  # a stretch begins after what broke it
    begun = at_s[np.minimum(since + 1, at_s.size - 1)]
    whole = np.flatnonzero(fine & (at_s - begun >= calm_s))
    return int(at_s[whole[-1]]) if whole.size else None


def _levels(temperature_c: Array, limits: Limits) -> Indices:
    """Warmer than the limit, at it, or colder by the margin."""
    assert limits.limit_c is not None
    # A reading is stored in hundredths of a degree: compare at that precision, so
    # that 0 °F (-17.777… °C) passes a limit of 0 °F.
    centi = np.round(temperature_c * 100)
    warm = centi > np.round(limits.limit_c * 100 + 1e-9)
    cold = centi <= np.round((limits.limit_c - limits.margin_k) * 100 + 1e-9)
    return np.where(warm, _WARM, np.where(cold, _COLD, _AT_LIMIT)).astype(np.int64)


def _silences(memory: Memory, limits: Limits, at_s: Indices, finds: Finds) -> None:
    times = at_s if memory.last_s is None else np.concatenate(([memory.last_s], at_s))
    for i in np.flatnonzero(np.diff(times) > limits.gap_s):
        ended = int(times[i + 1])
        finds.note(Found(ExcursionKind.SILENT, memory.place_id, int(times[i]), ended))


def _stretches(
    memory: Memory, limits: Limits, at_s: Indices, temperature_c: Array
) -> Iterator[tuple[int, int, int, float, bool]]:
    """Readings of one level one after another: level, from, until the next reading, peak, and
    whether that next reading is missing."""
    levels = _levels(temperature_c, limits)
    if memory.last_s is not None:
        at_s = np.concatenate(([memory.last_s], at_s))
        temperature_c = np.concatenate(([memory.last_c], temperature_c))
        levels = np.concatenate(([memory.level], levels))
    gaps = np.append(np.diff(at_s) > limits.gap_s, False)
    cuts = np.flatnonzero(np.diff(levels) != 0) + 1
    # A gap stands alone, so that a cold reading before it does not count through it.
    around = np.flatnonzero(gaps)
    starts = np.unique(np.concatenate(([0], cuts, around, around + 1)))
    peaks = np.maximum.reduceat(temperature_c, starts)
    ends = np.append(at_s[starts[1:]], at_s[-1])
    yield from zip(
        levels[starts].tolist(),
        at_s[starts].tolist(),
        ends.tolist(),
        peaks.tolist(),
        gaps[starts].tolist(),
        strict=True,
    )


def _step(
    memory: Memory,
    limits: Limits,
    level: int,
    from_s: int,
    until_s: int,
    peak_c: float,
    gap: bool,
    finds: Finds,
) -> None:
    """One stretch of the series."""
    if level == _WARM:
        _warm(memory, limits, from_s, until_s, peak_c, finds)
        return
    run = memory.run
    if run is None:
        return
    if gap:
        run.below_s = run.cold_s = None
        return
    run.below_s = from_s if run.below_s is None else run.below_s
    if level == _COLD:
        run.cold_s = from_s if run.cold_s is None else run.cold_s
    else:
        run.cold_s = None
    below = until_s - run.below_s
    cold = 0 if run.cold_s is None else until_s - run.cold_s
    if run.opened:
        over = (run.cold_s is not None and cold >= limits.cold_s) or below >= limits.merge_s
    else:
        over = below >= limits.cold_s
    if over:
        _close_run(memory, limits, run.below_s, finds)


def _warm(
    memory: Memory, limits: Limits, from_s: int, until_s: int, peak_c: float, finds: Finds
) -> None:
    if memory.run is None:
        regular = regular_before(memory.spikes, from_s) if limits.defrost_s else 0
        memory.run = Run(from_s, regular=regular)
    run = memory.run
    run.warm_s += until_s - from_s
    run.peak_c = max(run.peak_c, peak_c)
    run.below_s = run.cold_s = None
    long_enough = run.warm_s > limits.grace_s or peak_c > limits.at_once_c
    if not run.opened and long_enough and not _may_be_defrost(run, limits, until_s):
        run.opened = True
        _open(memory, limits, run)
    if run.opened:
        assert memory.warm is not None
        memory.warm.peak_c = max(memory.warm.peak_c, run.peak_c)
        _note(memory, ExcursionKind.WARM, memory.warm, finds)


def _may_be_defrost(run: Run, limits: Limits, until_s: int) -> bool:
    """Whether a run is at its even distance and still shorter and colder than a defrost may be."""
    return (
        run.regular >= REPEATED
        and until_s - run.from_s <= limits.defrost_s
        and run.peak_c <= min(limits.defrost_c, limits.at_once_c)
    )


def _open(memory: Memory, limits: Limits, run: Run) -> None:
    """A new excursion, or the last one again if that ended just before."""
    last = memory.warm
    if last is not None and last.ended_s is not None and _near(last.ended_s, run.from_s, limits):
        last.ended_s = None
        return
    assert limits.limit_c is not None
    memory.warm = Event(
        run.from_s, None, run.peak_c, limits.limit_c, run.regular, len(memory.spikes)
    )


def _near(ended_s: int, from_s: int, limits: Limits) -> bool:
    return from_s - ended_s < limits.merge_s


def _close_run(memory: Memory, limits: Limits, ended_s: int, finds: Finds) -> None:
    run = memory.run
    assert run is not None
    memory.run = None
    if run.opened and memory.warm is not None:
        memory.warm.ended_s = ended_s
        _note(memory, ExcursionKind.WARM, memory.warm, finds)
    elif run.warm_s > limits.grace_s:
        finds.passed.append(Passed(memory.place_id, run.from_s, ended_s, run.peak_c))
    memory.spikes.append(Spike(run.from_s, ended_s, run.peak_c))
    oldest = run.from_s - LOOKED_BACK_S
    memory.spikes = [s for s in memory.spikes if s.from_s >= oldest][-_MOST_SPIKES:]


def _rising(at_s: Indices, temperature_c: Array, limits: Limits) -> Any:
    """Which readings end a rise that is fast and long enough, at or below the limit."""
    if limits.rise_k_per_h is None or at_s.size == 0:
        return np.zeros(at_s.size, dtype=np.bool_)
    part = limits.rise_s // 3
    sums = np.concatenate(([0.0], np.cumsum(temperature_c)))
    edges = [np.searchsorted(at_s, at_s - part * i, side="right") for i in range(6)]
    least = limits.rise_k_per_h * part / 3600 - 1e-9
    fine = _levels(temperature_c, limits) < _WARM
    means = []
    for after, before in pairwise(edges):
        fine &= after > before
        means.append((sums[after] - sums[before]) / np.maximum(after - before, 1))
    for later, earlier in pairwise(means):
        fine &= later - earlier >= least
    return fine


def _rises(
    memory: Memory, limits: Limits, at_s: Indices, temperature_c: Array, rising: Any, finds: Finds
) -> None:
    """Open, continue and end rises, reading by reading where there is one."""
    for i in np.flatnonzero(rising):
        _settle_rise(memory, limits, int(at_s[i]), finds)
        _rose(memory, limits, int(at_s[i]), float(temperature_c[i]), finds)
    _settle_rise(memory, limits, int(at_s[-1]), finds)


def _settle_rise(memory: Memory, limits: Limits, now_s: int, finds: Finds) -> None:
    """A rise ended with its last rising reading, once that is long enough ago."""
    rise, last = memory.rise, memory.rose_s
    if rise is None or last is None or rise.ended_s is not None:
        return
    if now_s - last >= limits.cold_s and now_s > last:
        rise.ended_s = last
        _note(memory, ExcursionKind.RISING, rise, finds)


def _rose(memory: Memory, limits: Limits, at_s: int, temperature_c: float, finds: Finds) -> None:
    rise = memory.rise
    goes_on = rise is not None and (rise.ended_s is None or _near(rise.ended_s, at_s, limits))
    if rise is None or not goes_on:
        assert limits.limit_c is not None
        begun = max(memory.since_s, at_s - limits.rise_s)
        rise = memory.rise = Event(begun, None, temperature_c, limits.limit_c)
    rise.ended_s = None
    rise.peak_c = max(rise.peak_c, temperature_c)
    memory.rose_s = at_s
    _note(memory, ExcursionKind.RISING, rise, finds)


def _note(memory: Memory, kind: ExcursionKind, event: Event, finds: Finds) -> None:
    finds.note(
        Found(
            kind,
            memory.place_id,
            event.from_s,
            event.ended_s,
            event.peak_c,
            event.limit_c,
            event.regular,
            event.spikes,
        )
    )
