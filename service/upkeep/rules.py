"""What a probe may want, and what to do about it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from service.probes.rules import ProbeKind

SOON = timedelta(days=30)  # our default: time to plan an ice bath
STUCK_AFTER_H: Mapping[ProbeKind, float] = {
    # Our defaults: air moves with every door and compressor, fish hardly at all.
    ProbeKind.AIR: 6,
    ProbeKind.WATER: 12,
    ProbeKind.PRODUCT: 48,
}
TIME_CONSTANT_S: Mapping[ProbeKind, float] = {
    # A thin probe in moving air (`science.doubt.jumping`); one in a buffer, our default. In
    # water a probe follows within seconds: there nothing is too fast.
    ProbeKind.AIR: 59,
    ProbeKind.PRODUCT: 300,
}


class ConcernKind(StrEnum):
    """What a probe wants looking at for."""

    FAULTY = "faulty"
    CALIBRATION_FAILED = "calibration_failed"
    CALIBRATION_OVERDUE = "calibration_overdue"
    NEVER_CALIBRATED = "never_calibrated"
    CALIBRATION_SOON = "calibration_soon"
    SILENT = "silent"
    SPARSE = "sparse"
    DRIFT = "drift"
    STUCK = "stuck"
    JUMPING = "jumping"
    OUT_OF_RANGE = "out_of_range"
    NOISY = "noisy"


MEASURED = frozenset(
    {
        ConcernKind.SPARSE,
        ConcernKind.DRIFT,
        ConcernKind.STUCK,
        ConcernKind.JUMPING,
        ConcernKind.OUT_OF_RANGE,
        ConcernKind.NOISY,
    }
)
"""What only the daily look at the readings finds."""
TOLD = MEASURED | {ConcernKind.CALIBRATION_OVERDUE, ConcernKind.NEVER_CALIBRATED}
"""What the daily look tells. A failed calibration is told at once, silence by the watch."""
SUGGEST_A_FAULT = MEASURED - {ConcernKind.SPARSE, ConcernKind.DRIFT}

_HOLD_AGAINST = (
    "hold it in crushed ice and water, or beside a thermometer that is known to be right"
)
_LOOK = "look at the probe, its cable and place; if it is broken, declare it faulty since then"
WHAT_TO_DO: Mapping[ConcernKind, str] = {
    ConcernKind.FAULTY: "repair or replace it, then end the fault",
    ConcernKind.CALIBRATION_FAILED: "set an offset or declare it faulty, then calibrate it again",
    ConcernKind.CALIBRATION_OVERDUE: _HOLD_AGAINST,
    ConcernKind.NEVER_CALIBRATED: _HOLD_AGAINST,
    ConcernKind.CALIBRATION_SOON: f"by then, {_HOLD_AGAINST}",
    ConcernKind.SILENT: "see whether it has power and a connection; measure by hand meanwhile",
    ConcernKind.SPARSE: "let its recorder read more often",
    ConcernKind.DRIFT: f"find out which is right: {_HOLD_AGAINST}",
    ConcernKind.STUCK: _LOOK,
    ConcernKind.JUMPING: _LOOK,
    ConcernKind.OUT_OF_RANGE: _LOOK,
    ConcernKind.NOISY: _LOOK,
}


@dataclass(frozen=True)
class Concern:
    """What a probe wants looking at for, and since when (s since 1970)."""

    probe_id: int
    kind: ConcernKind
    from_s: int
    because: str
    due_at: datetime | None = None


@dataclass(frozen=True)
class Held:
    """A calibration that counts. passes: with the offset in force now, it would."""

    calibrated_at: datetime
    passed: bool
    passes: bool


def calibration_concern(
    probe_id: int,
    held: Sequence[Held],
    *,
    created_at: datetime,
    at: datetime,
    interval_days: float,
) -> Concern | None:
    """What a probe's calibrations, newest first, leave to do; nothing: None.

    A calibration counts for its interval whether it passed or not; one that failed
    is open until an offset puts it right or a newer one passes.
    """
    if not held:
        return Concern(
            probe_id,
            ConcernKind.NEVER_CALIBRATED,
            int(created_at.timestamp()),
            "it was never held against anything known",
            created_at,
        )
    newest = held[0]
    due_at = due_after(newest.calibrated_at, interval_days)
    since = int(newest.calibrated_at.timestamp())
    on = f"last held against something known on {newest.calibrated_at:%Y-%m-%d}"
    if not newest.passed and not newest.passes:
        return Concern(
            probe_id, ConcernKind.CALIBRATION_FAILED, since, "it failed its calibration", due_at
        )
    if at > due_at:
        late_s = int(due_at.timestamp())
        return Concern(probe_id, ConcernKind.CALIBRATION_OVERDUE, late_s, on, due_at)
    if at > due_at - SOON:
        return Concern(probe_id, ConcernKind.CALIBRATION_SOON, since, on, due_at)
    return None


def due_after(calibrated_at: datetime, interval_days: float) -> datetime:
    """When a probe is to be calibrated again."""
    return calibrated_at + timedelta(days=interval_days)


def reads_too_seldom(readings: int, covered_s: float, *, most_minutes: float) -> bool:
    """Whether readings lie further apart on average than they may, with a tenth of grace.

    >>> reads_too_seldom(24, 86400, most_minutes=30), reads_too_seldom(47, 86400, most_minutes=30)
    (True, False)
    """
    return readings > 0 and covered_s / readings > most_minutes * 60 * 1.1
