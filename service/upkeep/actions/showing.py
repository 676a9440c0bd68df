"""A probe with all that is known of it, as it is shown."""

from datetime import datetime

from service.probes.schemas import fault_out, instant, stay_out
from service.quantities import Units
from service.site.queries import SiteView
from service.upkeep.actions.due import concerns_now
from service.upkeep.queries import Known
from service.upkeep.rules import MEASURED, ConcernKind, due_after
from service.upkeep.schemas import (
    ConcernOut,
    LastReading,
    ProbeShown,
    calibration_out,
    concern_out,
    offset_out,
    stored_concern_out,
)


def concerns(known: Known, view: SiteView, at: datetime) -> list[ConcernOut]:
    """What is so now, and what the daily look at the readings has found."""
    if known.taken_down or known.faulty_since is not None:
        stored = []
    else:
        stored = [c for c in known.concerns if ConcernKind(c.kind) in MEASURED]
    return [
        *(
            concern_out(c.kind, c.from_s, c.because, c.due_at)
            for c in concerns_now(known, view.policy, at=at)
        ),
        *(stored_concern_out(row) for row in stored),
    ]


def probe_shown(known: Known, view: SiteView, at: datetime) -> ProbeShown:
    """A thermometer: where it hung, its offsets, faults, calibrations, its last reading."""
    held = [c.calibrated_at for c in known.calibrations if c.withdrawn_at is None]
    return ProbeShown(
        code=known.probe.code,
        place=known.place_of(known.stays[-1]),
        kind=known.kind,
        last_reading=_last(known, view.units, at),
        calibration_due_at=due_after(held[0], view.policy.probe_calibration) if held else None,
        concerns=concerns(known, view, at),
        stays=[stay_out(stay, known.place_of(stay)) for stay in known.stays],
        offsets=[offset_out(row, view.units) for row in known.offsets],
        faults=[fault_out(known.probe, fault) for fault in known.faults],
        calibrations=[calibration_out(row, view.units) for row in known.calibrations],
    )


def _last(known: Known, units: Units, at: datetime) -> LastReading | None:
    if known.last is None:
        return None
    at_s, temperature_c = known.last
    return LastReading(
        at=instant(at_s),
        temperature=units.temperature_out(temperature_c),
        seconds_ago=max(0, int(at.timestamp()) - at_s),
    )
