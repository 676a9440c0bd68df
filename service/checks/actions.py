"""Recording a check: a fact, corrected only by a new one."""

from dataclasses import dataclass
from datetime import datetime

from sqlmodel import Session

from service.checks import queries
from service.checks.models import Check
from service.checks.rules import CHORES, CheckKind, passes
from service.checks.schemas import CheckIn
from service.errors import Conflict, Invalid, NotFound
from service.http.bodies import refuse_future
from service.lots import queries as lots
from service.lots.models import Lot
from service.notifications.actions.telling import tell
from service.notifications.rules import Subject, Urgency
from service.photos import queries as photos
from service.probes import queries as probes
from service.probes.actions.calibrating import calibrate
from service.probes.models import Probe
from service.probes.rules import Method
from service.quantities import Temperature
from service.security import audit
from service.security.actor import Actor
from service.security.rules import Action
from service.site import queries as sites
from service.site.models import Place


@dataclass(frozen=True)
class _Named:
    """What a check is about."""

    site_id: int
    lot: Lot | None
    place: Place | None
    probe: Probe | None
    replaced: Check | None


def record(session: Session, order: CheckIn, *, at: datetime, by: Actor) -> Check:
    """Store what was measured by hand, or that something was cleaned.

    An ice point is also a calibration of its probe. A tub that is too warm is told. Raises
    NotFound for what nobody knows, Invalid for fish that never was in that place, Conflict
    for a check that was corrected before.
    """
    refuse_future(order.occurred_at, now=at)
    named = _named(session, order, by)
    occurred_at = sites.happened_at(session, named.site_id, order.occurred_at, now=at)
    _check_parcel(session, order, named, occurred_at)
    said = order.measured if order.kind is CheckKind.ICE_POINT else order.temperature
    policy = sites.view(session, named.site_id, at=occurred_at).policy
    check = Check(
        site_id=named.site_id,
        kind=order.kind,
        place_id=named.place.id if named.place else None,
        lot_id=named.lot.id if named.lot else None,
        parcel_id=order.parcel,
        excursion_id=order.excursion,
        probe_id=named.probe.id if named.probe else None,
        calibration_id=_calibration(session, named.probe, said, occurred_at, at, by),
        position=order.position,
        carton=order.carton,
        value=str(said.value) if said else None,
        unit=said.unit if said else None,
        measured_c=round(said.c, 4) if said else None,
        equipment=order.equipment,
        method=order.method,
        contact_minutes=order.contact_minutes,
        passed=passes(
            order.kind,
            policy,
            method=order.method,
            temperature_c=said.c if said else None,
            contact_minutes=order.contact_minutes,
        ),
        note=order.note,
        photo=order.photo,
        replaces_id=order.replaces,
        occurred_at=occurred_at,
        recorded_at=at,
        by=by.name,
    )
    session.add(check)
    session.flush()
    if order.kind is CheckKind.CONTAINER and check.passed is False:
        _tell_warm(session, check, named, at)
    audit.note(
        session,
        by,
        str(order.kind) if order.kind in CHORES else f"{order.kind.replace('_', ' ')} checked",
        check.id,
        at=at,
        site_id=named.site_id,
        before=named.replaced,
        after=check,
    )
    return check


def _named(session: Session, order: CheckIn, by: Actor) -> _Named:
    lot = lots.lot_by_code(session, order.lot, by=by) if order.lot else None
    place = sites.place_by_code(session, order.place, by=by, field="place") if order.place else None
    probe, home = (None, None)
    if order.probe:
        by.ensure(Action.CALIBRATE)
        probe, home = probes.probe_by_code(session, order.probe, by=by)
    here = place or home
    site_id = here.site_id if here else sites.site_or_only(session, order.site, by=by).id or 0
    if lot is not None and lot.site_id != site_id:
        raise Conflict("the lot and the place belong to different sites", kind="another-site")
    if order.photo is not None and photos.missing(session, [order.photo], site_id=site_id):
        raise NotFound.of("photo", order.photo, "photo")
    return _Named(site_id, lot, place, probe, _replaced(session, order, site_id, by))


def _tell_warm(session: Session, check: Check, named: _Named, at: datetime) -> None:
    """Whoever measured it knows; the others hear of it in working hours."""
    assert named.place is not None and check.measured_c is not None
    units = sites.view(session, check.site_id, at=at).units
    shown = units.temperature_out(check.measured_c)
    tell(
        session,
        site_id=check.site_id,
        subject=Subject.CHECK,
        number=check.id or 0,
        title=f"Thawed fish too warm in {named.place.code}: {shown.value} °{shown.unit.upper()}",
        body=f"Measured by {check.by} at {check.occurred_at:%Y-%m-%d %H:%M} UTC"
        + (f", lot {named.lot.code}" if named.lot else "")
        + ".\nTo do: put it on ice or feed it; hours above 10 °C count against it.",
        urgency=Urgency.TODAY,
        at=at,
    )


def _replaced(session: Session, order: CheckIn, site_id: int, by: Actor) -> Check | None:
    if order.replaces is None:
        return None
    wrong = queries.check_by_id(session, order.replaces, by=by, field="replaces")
    if (wrong.kind, wrong.site_id) != (order.kind, site_id):
        raise Invalid.at("replaces", f"check {wrong.id} is of another kind or site")
    known = queries.replaced_by(session, order.replaces)
    if known is not None:
        raise Conflict(
            f"check {wrong.id} was corrected by check {known}",
            kind="already-replaced",
            advice="Correct the newest one.",
        )
    return wrong


def _check_parcel(session: Session, order: CheckIn, named: _Named, at: datetime) -> None:
    if named.lot is None or named.place is None:
        return
    ids = named.lot.id or 0, named.place.id or 0
    if not queries.was_there(session, *ids, at):
        raise Invalid.at("lot", f"{named.lot.code} had not come to {named.place.code} by then")
    if order.parcel is not None and not queries.was_there(
        session, *ids, at, parcel_id=order.parcel
    ):
        raise NotFound.of("parcel", order.parcel, "parcel")


def _calibration(
    session: Session,
    probe: Probe | None,
    shown: Temperature | None,
    occurred_at: datetime,
    at: datetime,
    by: Actor,
) -> int | None:
    """An ice point is a calibration; its correction withdraws nothing by itself."""
    if probe is None or shown is None:
        return None
    row = calibrate(
        session,
        probe.code,
        method=Method.ICE_POINT,
        reference_c=0.0,
        measured_c=shown.c,
        calibrated_at=occurred_at,
        at=at,
        by=by,
    )
    return row.id
