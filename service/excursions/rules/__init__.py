"""Kinds and states of excursions."""

from enum import StrEnum


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
