"""Holding a probe against something known."""

from datetime import datetime

from sqlmodel import Session

from service.errors import Conflict, Invalid
from service.http.bodies import refuse_future
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.probes import queries
from service.probes.actions.changing import withdrawn
from service.probes.models import Calibration, Probe
from service.probes.rules import Method, Suggestion, agrees, suggestions
from service.probes.schemas import WithdrawalIn
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView


def calibrate(
    session: Session,
    probe_code: str,
    *,
    method: Method,
    reference_c: float,
    measured_c: float,
    calibrated_at: datetime,
    note: str = "",
    at: datetime,
    by: Actor,
) -> Calibration:
    """Record how far a probe was off; a failure is told, and what to do is a person's decision.

    measured_c is what the probe itself shows; the offset in force then is added before it
    is judged. The one that can also set an offset is `upkeep.actions.correcting.calibrate`:
    that makes hours again, which lies above this part.
    Raises NotFound, Invalid for the future or an ice bath that is not at 0 °C.
    """
    refuse_future(calibrated_at, now=at)
    if method is Method.ICE_POINT and reference_c != 0:
        raise Invalid.at("reference", "melting ice is at 0 °C; otherwise it is a comparison")
    probe, place = queries.probe_by_code(session, probe_code, by=by)
    view = sites.view(session, place.site_id, at=calibrated_at)
    refuse_future(calibrated_at, now=at, skew=view.policy.skew)
    offset_c = queries.offset_c(session, probe.id or 0, int(calibrated_at.timestamp()))
    tolerance_c = view.policy.calibration_tolerance
    row = Calibration(
        probe_id=probe.id or 0,
        calibrated_at=calibrated_at,
        method=method,
        reference_c=reference_c,
        measured_c=measured_c,
        offset_c=offset_c,
        tolerance_c=tolerance_c,
        passed=agrees(measured_c, offset_c, reference_c, tolerance_c),
        note=note,
        recorded_at=at,
        by=by.name,
    )
    session.add(row)
    session.flush()
    if not row.passed:
        _tell(session, probe, view, row, at)
    audit.note(
        session,
        by,
        "probe calibrated",
        probe.code,
        at=at,
        site_id=place.site_id,
        after=row,
        detail={"calibration": row.id, "passed": row.passed, "policy": view.policy_version},
    )
    return row


def suggested(session: Session, row: Calibration, view: SiteView) -> list[Suggestion]:
    """What might be done about a probe that failed; nothing for one that passed. One query."""
    if row.passed:
        return []
    good = [
        known.calibrated_at
        for known in queries.calibrations(session, [row.probe_id])
        if known.passed and known.withdrawn_at is None and known.calibrated_at < row.calibrated_at
    ]
    return suggestions(
        row.measured_c,
        row.offset_c,
        row.reference_c,
        calibrated_at=row.calibrated_at,
        good_until=max(good, default=None),
        class_c=view.policy.recorder_class_storage,
    )


def _tell(session: Session, probe: Probe, view: SiteView, row: Calibration, at: datetime) -> None:
    error_c = row.measured_c + row.offset_c - row.reference_c
    off = view.units.difference_out(error_c)
    unit = f"°{off.unit.upper()}"
    ways = " ".join(
        f"Suggested: {s.remedy} since {s.from_at:%Y-%m-%d %H:%M} UTC, as {s.because}."
        for s in suggested(session, row, view)
    )
    tell(
        session,
        site_id=view.id,
        subject=Subject.PROBE,
        number=row.probe_id,
        title=f"{probe.code} failed its calibration: {off.value:+.2f} {unit}",
        body=f"Within {row.tolerance_c:g} °C was asked. {ways} Nothing is changed until somebody "
        "decides.",
        urgency=Urgency.TODAY,
        at=at,
    )


def withdraw(
    session: Session, number: int, withdrawal: WithdrawalIn, *, at: datetime, by: Actor
) -> tuple[Calibration, Probe, Place]:
    """A calibration does not count any more; an offset set by it stays until it is withdrawn too.

    Raises NotFound, Conflict if it was withdrawn before.
    """
    withdrawn_at = withdrawn(withdrawal, at=at)
    row, probe, place = queries.calibration_by_id(session, number, by=by)
    queries.lock_site(session, place.site_id)
    session.refresh(row)
    if row.withdrawn_at is not None:
        raise Conflict(
            f"this calibration was withdrawn by {row.withdrawn_by}", kind="already-withdrawn"
        )
    row.withdrawn_at, row.withdrawn_by = withdrawn_at, by.name
    session.add(row)
    session.flush()
    audit.note(
        session,
        by,
        "calibration withdrawn",
        probe.code,
        at=at,
        site_id=place.site_id,
        after=row,
        detail={"calibration": number, "reason": withdrawal.reason},
    )
    return row, probe, place
