"""What makes a thermometer's readings doubtful by themselves: proposed, never decided here.

The figures are our own defaults, chosen so that a door, a defrost or a compressor is not
taken for a fault.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from service.science.arrays import Array, Indices

HOUR_S = 3_600
COLDEST_C, WARMEST_C = -50.0, 50.0  # of a fish kitchen, with a wide margin
WIDEST_STEP_C = 60.0  # from a -30 °C freezer into a 30 °C yard
READS_TO_C = 1.0  # two readings may be off by this together without meaning a jump
LEAST_JUMPS = 3  # in a day: one is somebody's hand
TIMES_LONGER = 4  # than its longest standstill before
OTHERS_MOVED_C = 1.0
TIMES_NOISIER = 4
LEAST_NOISE_C = 1.0


@dataclass(frozen=True)
class Doubt:
    """Readings that are doubtful from an instant on, s since 1970, and why."""

    from_s: int
    because: str


@dataclass(frozen=True)
class Hours:
    """Hours of one thermometer in order: beginning, coldest and warmest, °C; equal lengths."""

    hour_s: Indices
    min_c: Array
    max_c: Array


def stuck(hours: Hours, *, least_h: float, others: list[Hours]) -> Doubt | None:
    """A thermometer that has not moved by a hundredth for many hours, and still does not.

    hours : about eight days. Doubtful if its last standstill has lasted for least_h hours
    and four times as long as any before in these hours, so that a coarse thermometer in a
    quiet place is not; and if, where others hang beside it, one of them has moved by more
    than 1 °C meanwhile. Cost O(hours).

    >>> at = np.arange(20) * 3600
    >>> still = Hours(at, np.full(20, -20.0), np.where(at < 36000, -19.5, -20.0))
    >>> stuck(still, least_h=6, others=[]).from_s
    36000
    >>> stuck(still, least_h=6, others=[Hours(at, np.full(20, -20.1), np.full(20, -19.9))])
    """
    runs = _standstills(hours)
    if not runs or runs[-1][1] != hours.hour_s.size - 1:
        return None
    first, last = runs[-1]
    from_s, until_s = int(hours.hour_s[first]), int(hours.hour_s[last]) + HOUR_S
    lasted = until_s - from_s
    earlier = max((_lasted(hours, run) for run in runs[:-1]), default=0)
    if lasted < least_h * HOUR_S or lasted < TIMES_LONGER * earlier:
        return None
    moved = [_moved(other, from_s, until_s) for other in others]
    known = [m for m in moved if m is not None]
    if known and max(known) <= OTHERS_MOVED_C:
        return None
    beside = f", while one beside it moved by {max(known):.1f} °C" if known else ""
    return Doubt(
        from_s, f"{hours.min_c[last]:.2f} °C without a change for {lasted / HOUR_S:.0f} h{beside}"
    )


def _standstills(hours: Hours) -> list[tuple[int, int]]:
    """First and last position of each stretch of hours at one temperature."""
    still = hours.min_c == hours.max_c
    runs: list[tuple[int, int]] = []
    for i in np.flatnonzero(still).tolist():
        if runs and runs[-1][1] == i - 1 and hours.min_c[i] == hours.min_c[i - 1]:
            runs[-1] = (runs[-1][0], i)
        else:
            runs.append((i, i))
    return runs


def _lasted(hours: Hours, run: tuple[int, int]) -> int:
    return int(hours.hour_s[run[1]] - hours.hour_s[run[0]]) + HOUR_S


def _moved(other: Hours, from_s: int, until_s: int) -> float | None:
    inside = (other.hour_s >= from_s) & (other.hour_s < until_s)
    if not inside.any():
        return None
    return float(other.max_c[inside].max() - other.min_c[inside].min())


def out_of_range(hours: Hours) -> Doubt | None:
    """Readings that no fish kitchen gives: a broken wire, a lost bit. Colder than -50 °C or
    warmer than 50 °C. Cost O(hours).

    >>> out_of_range(Hours(np.array([0, 3600]), np.array([-20.0, -20.0]), np.array([-19.0, 85.0])))
    Doubt(from_s=3600, because='it read -20.0 to 85.0 °C')
    """
    wrong = np.flatnonzero((hours.min_c < COLDEST_C) | (hours.max_c > WARMEST_C))
    if not wrong.size:
        return None
    low, high = hours.min_c[wrong].min(), hours.max_c[wrong].max()
    return Doubt(int(hours.hour_s[wrong[0]]), f"it read {low:.1f} to {high:.1f} °C")


def jumping(at_s: Indices, temperature_c: Array, *, time_constant_s: float) -> Doubt | None:
    """Steps that are faster than a thermometer can follow, three or more of them.

    A body of time constant τ taken from one place into another that is ΔT away moves
    in Δt by at most ΔT·(1 − exp(−Δt/τ)); ΔT is 60 °C at most here. τ = ρ·c·d/(4·h) of a
    rod: steel (7 900 kg/m³, 500 J/kg·K) of 3 mm in moving air (50 W/m²·K) gives 59 s.
    at_s : in order, s; temperature_c : as many. Cost O(readings).

    >>> at = np.arange(10) * 10
    >>> jumping(at, np.where(at % 20 == 0, -20.0, 0.0), time_constant_s=59).from_s
    10
    >>> jumping(at, -20.0 + at / 10, time_constant_s=59)
    """
    step_s = np.diff(at_s).astype(np.float64)
    step_c = np.abs(np.diff(temperature_c))
    most = WIDEST_STEP_C * -np.expm1(-step_s / time_constant_s) + READS_TO_C
    wrong = np.flatnonzero(step_c > most)
    if wrong.size < LEAST_JUMPS:
        return None
    worst = wrong[np.argmax(step_c[wrong] - most[wrong])]
    return Doubt(
        int(at_s[wrong[0] + 1]),
        f"{wrong.size} steps faster than a thermometer follows, as {step_c[worst]:.1f} °C "
        f"in {step_s[worst]:.0f} s",
    )


def noise_c(temperature_c: Array) -> float:
    """The scatter of a series about its own course, °C: 1.4826·median|Δ²T|/√6.

    Δ² takes out whatever runs straight; its variance is 6σ² where each reading is off by
    itself (1 + 4 + 1); the factor makes a median of a normal scatter its σ. Zero for
    fewer than three readings. Cost O(n).

    >>> noise_c(np.arange(10.0))
    0.0
    """
    if temperature_c.size < 3:
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(temperature_c, 2))) / sqrt(6))


def noisy(at_s: Indices, temperature_c: Array, before_c: Array) -> Doubt | None:
    """Readings that scatter by more than 1 °C, and four times as much as they did before.

    before_c : the same thermometer's readings of an earlier time; without any, nothing is
    said, as the compressor of one place is the noise of another. Cost O(readings).

    >>> rough = np.where(np.arange(100) % 2 == 0, -18.0, -22.0) + np.arange(100) % 3
    >>> noisy(np.arange(100) * 60, rough, np.full(100, -20.0)).from_s
    0
    """
    now, then = noise_c(temperature_c), noise_c(before_c)
    if before_c.size < 3 or now <= LEAST_NOISE_C or now < TIMES_NOISIER * then:
        return None
    return Doubt(int(at_s[0]), f"it scatters by {now:.1f} °C; a week before by {then:.1f} °C")
