"""Offsets of probes, and calibrations that set one: the hours they change are made again."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.errors import Conflict, Invalid
from service.probes import queries as probes
from service.probes.actions import calibrating
from service.probes.actions.changing import STILL, note_change, since, withdrawn
from service.probes.models import Calibration, Probe, ProbeOffset
from service.probes.rules import Method
from service.probes.schemas import WithdrawalIn
from service.quantities import MAX_OFFSET_C
from service.security import audit
from service.security.actor import Actor
from service.security.rules import Action
from service.site import queries as sites
from service.site.models import Place
from service.temperatures.actions.rebuilding import rebuild_hours
from service.upkeep import queries
from service.upkeep.schemas import OffsetIn


@dataclass(frozen=True)
class Corrected:
    """An offset with its probe and place."""

    probe: Probe
    place: Place
    offset: ProbeOffset


def set_offset(
    session: Session, code: str, offset: OffsetIn, *, at: datetime, by: Actor
) -> Corrected:
    """Add so much to what a probe reads from an instant on, until the next offset that is known.

    Raw readings stay as they came; the hours are made again. Of two offsets from one
    instant the newer counts. Locks the probe; cost: its readings of that time.
    Raises NotFound, Invalid for the future.
    """
    from_s = since(offset, at=at)
    probe, place = probes.probe_by_code(session, code, by=by)
    centi_c = round(offset.offset.c * 100)
    return _add(session, probe, place, from_s, centi_c, offset.reason, at, by)


def withdraw_offset(
    session: Session, number: int, withdrawal: WithdrawalIn, *, at: datetime, by: Actor
) -> Corrected:
    """An offset does not count any more; what counted before it does again.

    Raises NotFound, Conflict if it was withdrawn before.
    """
    withdrawn_at = withdrawn(withdrawal, at=at)
    row, probe, place = probes.offset_by_id(session, number, by=by)
    probes.lock_probe(session, row.probe_id)
    session.refresh(row)
    if row.withdrawn_at is not None:
        raise Conflict(f"this offset was withdrawn by {row.withdrawn_by}", kind="already-withdrawn")
    row.withdrawn_at, row.withdrawn_by = withdrawn_at, by.name
    session.add(row)
    session.flush()
    _make_hours_again(session, row, place, at)
    audit.note(
        session,
        by,
        "probe offset withdrawn",
        probe.code,
        at=at,
        site_id=place.site_id,
        after=row,
        detail={"offset": number, "reason": withdrawal.reason},
    )
    return Corrected(probe, place, row)


def calibrate(
    session: Session,
    probe_code: str,
    *,
    method: Method,
    reference_c: float,
    measured_c: float,
    calibrated_at: datetime,
    apply_offset: bool = False,
    note: str = "",
    at: datetime,
    by: Actor,
) -> Calibration:
    """As `probes.actions.calibrating.calibrate`; with apply_offset the probe is put right too,
    from the instant of the calibration on.

    Raises NotAllowed for an offset by somebody who may not set probes up, Invalid for one of
    more than 10 °C: such a probe is broken.
    """
    if apply_offset:
        by.ensure(Action.SET_UP)
        if abs(reference_c - measured_c) > MAX_OFFSET_C:
            raise Invalid.at("apply_offset", f"more than {MAX_OFFSET_C} °C: the probe is faulty")
    row = calibrating.calibrate(
        session,
        probe_code,
        method=method,
        reference_c=reference_c,
        measured_c=measured_c,
        calibrated_at=calibrated_at,
        note=note,
        at=at,
        by=by,
    )
    if apply_offset:
        probe, place = probes.probe_by_id(session, row.probe_id, by=by)
        centi_c = round((reference_c - measured_c) * 100)
        reason = f"calibration {row.id}"
        _add(session, probe, place, int(calibrated_at.timestamp()), centi_c, reason, at, by)
    return row


def _add(
    session: Session,
    probe: Probe,
    place: Place,
    from_s: int,
    centi_c: int,
    reason: str,
    at: datetime,
    by: Actor,
) -> Corrected:
    probes.lock_probe(session, probe.id or 0)
    row = ProbeOffset(
        probe_id=probe.id or 0,
        from_s=from_s,
        centi_c=centi_c,
        reason=reason,
        recorded_at=at,
        by=by.name,
    )
    session.add(row)
    session.flush()
    _make_hours_again(session, row, place, at)
    audit.note(
        session,
        by,
        "probe offset set",
        probe.code,
        at=at,
        site_id=place.site_id,
        after=row,
        detail={"offset": row.id, "centi_c": centi_c, "from_s": from_s, "reason": reason},
    )
    return Corrected(probe, place, row)


def _make_hours_again(session: Session, row: ProbeOffset, place: Place, at: datetime) -> None:
    """From where an offset counts, or did, until the next one that does."""
    note_change(session, [row.probe_id], row.from_s)
    first_s = queries.first_hour(session, row.probe_id)
    if first_s is None:
        return
    later = [
        other.from_s
        for other in probes.offset_rows(session, [row.probe_id])
        if other.withdrawn_at is None and other.from_s > row.from_s
    ]
    policy = sites.view(session, place.site_id, at=at).policy
    newest = int((at + policy.skew).timestamp()) + 1
    rebuild_hours(
        session,
        row.probe_id,
        max(row.from_s, first_s),
        min(min(later, default=STILL), newest),
        gap_s=int(policy.gap_minutes * 60),
    )
