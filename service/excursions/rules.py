"""What counts as an excursion."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from service.science.arrays import Array, Indices


class ExcursionKind(StrEnum):
    """Why a place counts as not known to be cold."""

    WARM = "warm"  # warmer than the limit for longer than the grace
    RISING = "rising"  # still below the limit, but rising fast and on and on
    SILENT = "silent"


class ExcursionState(StrEnum):
    """How far an excursion is dealt with."""

    OPEN = "open"
    ENDED = "ended"
    ASSESSED = "assessed"
    DECIDED = "decided"
    WITHDRAWN = "withdrawn"  # what is known now shows that there was none


SETTLED = (ExcursionState.DECIDED, ExcursionState.WITHDRAWN)
"""Nothing is left to be done about these."""

_MOVES: dict[ExcursionState, tuple[ExcursionState, ...]] = {
    ExcursionState.OPEN: (ExcursionState.ENDED, ExcursionState.WITHDRAWN),
    ExcursionState.ENDED: (
        ExcursionState.OPEN,
        ExcursionState.ASSESSED,
        ExcursionState.WITHDRAWN,
    ),
    ExcursionState.ASSESSED: (
        ExcursionState.OPEN,
        ExcursionState.ENDED,
        ExcursionState.DECIDED,
        ExcursionState.WITHDRAWN,
    ),
}


def may_move(before: ExcursionState, after: ExcursionState) -> bool:
    """Whether an excursion may go from one state to another: a decided one stays decided.

    >>> may_move(ExcursionState.ENDED, ExcursionState.ASSESSED)
    True
    >>> may_move(ExcursionState.DECIDED, ExcursionState.OPEN)
    False
    """
    return after in _MOVES.get(before, ())


class Cause(StrEnum):
    """What an excursion looks like: a guess from its shape, never a finding."""

    DOOR = "door"
    DEFROST = "defrost"
    COMPRESSOR = "compressor"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class WarmRun:
    """A time in which every reading was warmer than the limit. `ended_at_s` None: still warm."""

    from_s: int
    ended_at_s: int | None
    peak_c: float


def warm_runs(at_s: Indices, temperature_c: Array, limit_c: float) -> Sequence[WarmRun]:
    """Runs of readings warmer than a limit, each until the first reading that is not.

    >>> warm_runs(np.array([0, 60, 120]), np.array([-20.0, -10.0, -19.0]), -18.0)
    [WarmRun(from_s=60, ended_at_s=120, peak_c=-10.0)]
    """
    # A reading is stored in hundredths of a degree: compare at that precision, so
    # that 0 °F (-17.777… °C) passes a limit of 0 °F.
    warm = np.round(temperature_c * 100) > np.round(limit_c * 100 + 1e-9)
    change = np.diff(warm.astype(np.int8), prepend=0)
    runs = []
    for start in np.flatnonzero(change == 1):
        after = np.flatnonzero(change[start:] == -1)
        end = start + int(after[0]) if after.size else None
        peak = float(temperature_c[start:end].max())
        runs.append(WarmRun(int(at_s[start]), None if end is None else int(at_s[end]), peak))
    return runs
