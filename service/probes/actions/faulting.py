"""Declaring a probe broken, in order again, or not broken after all."""

from datetime import datetime

from sqlmodel import Session

from service.errors import Conflict, Invalid
from service.probes import queries
from service.probes.actions.changing import (
    STILL,
    begin_of,
    end_of,
    note_places_changed,
    since,
    withdrawn,
)
from service.probes.models import Probe, ProbeFault
from service.probes.schemas import FaultEndIn, FaultIn, WithdrawalIn
from service.security import audit
from service.security.actor import Actor
from service.site.models import Place


def declare(
    session: Session, code: str, fault: FaultIn, *, at: datetime, by: Actor
) -> tuple[Probe, ProbeFault]:
    """A probe was broken for a time: it stands for no place, and the watch judges again.

    Raises NotFound, Invalid for a time that cannot be, Conflict if it is known to have
    been broken all that time.
    """
    from_s = since(fault, at=at)
    until_s = end_of(fault.until_at, from_s, at=at)
    probe, place = queries.probe_by_code(session, code, by=by)
    queries.lock_site(session, place.site_id)
    for known in queries.faults(session, [probe.id or 0], live=True):
        if known.from_s <= from_s and (known.until_s or STILL) >= (until_s or STILL):
            raise Conflict(
                f"fault {known.id} says so already", kind="already-faulty", extra={"id": known.id}
            )
    row = ProbeFault(
        probe_id=probe.id or 0,
        from_s=from_s,
        until_s=until_s,
        reason=fault.reason,
        recorded_at=at,
        by=by.name,
    )
    session.add(row)
    session.flush()
    _note(session, probe, place, row, from_s, "probe declared faulty", fault.reason, at, by)
    return probe, row


def end(
    session: Session, number: int, ended: FaultEndIn, *, at: datetime, by: Actor
) -> tuple[Probe, ProbeFault]:
    """A probe is in order again from an instant on.

    Raises NotFound, Conflict if the fault has ended or was withdrawn.
    """
    until_s = begin_of(ended.occurred_at, at=at, field="occurred_at")
    fault, probe, place = queries.fault_by_id(session, number, by=by)
    _live(session, fault, place)
    if fault.until_s is not None:
        raise Conflict("this fault has ended before", kind="already-ended")
    if until_s <= fault.from_s:
        raise Invalid.at("occurred_at", "must be after the fault began; or withdraw the fault")
    fault.until_s = until_s
    session.add(fault)
    session.flush()
    _note(session, probe, place, fault, until_s, "probe in order again", "", at, by)
    return probe, fault


def withdraw(
    session: Session, number: int, withdrawal: WithdrawalIn, *, at: datetime, by: Actor
) -> tuple[Probe, ProbeFault]:
    """A probe was not broken after all. Raises NotFound, Conflict if it was withdrawn before."""
    withdrawn_at = withdrawn(withdrawal, at=at)
    fault, probe, place = queries.fault_by_id(session, number, by=by)
    _live(session, fault, place)
    fault.withdrawn_at, fault.withdrawn_by = withdrawn_at, by.name
    session.add(fault)
    session.flush()
    _note(session, probe, place, fault, fault.from_s, "fault withdrawn", withdrawal.reason, at, by)
    return probe, fault


def _live(session: Session, fault: ProbeFault, place: Place) -> None:
    """Lock what a fault concerns; it still counts. Raises Conflict if it was withdrawn."""
    queries.lock_site(session, place.site_id)
    session.refresh(fault)
    if fault.withdrawn_at is not None:
        raise Conflict(
            f"this fault was withdrawn by {fault.withdrawn_by}", kind="already-withdrawn"
        )


def _note(
    session: Session,
    probe: Probe,
    place: Place,
    fault: ProbeFault,
    changed_s: int,
    what: str,
    reason: str,
    at: datetime,
    by: Actor,
) -> None:
    """The trail; and another probe may stand for where this one hung since."""
    places = {
        s.place_id
        for s in queries.stays(session, fault.probe_id)
        if s.place_id is not None and (s.until_s is None or s.until_s > changed_s)
    }
    note_places_changed(session, places, changed_s)
    audit.note(
        session,
        by,
        what,
        probe.code,
        at=at,
        site_id=place.site_id,
        after=fault,
        detail={"fault": fault.id, "from_s": fault.from_s, "until_s": fault.until_s}
        | ({"reason": reason} if reason else {}),
    )
