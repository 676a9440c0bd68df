"""Probes with all that is known of them, put right, calibrated, compared, and due."""

from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Query
from sqlmodel import Session

from service.errors import Invalid
from service.http.bodies import Moment, Number, Page
from service.http.sessions import Now, ReadSession, WriteSession
from service.probes import queries as probes
from service.probes.actions import calibrating
from service.probes.models import Calibration
from service.probes.schemas import WithdrawalIn, instant
from service.quantities import Units
from service.science.drift import Trend
from service.security.guard import MayCalibrate, MayLook, MaySetUp, guarded_router
from service.site import queries as sites
from service.site.queries import SiteView
from service.upkeep import queries
from service.upkeep.actions import correcting
from service.upkeep.actions.comparing import pairs, wandering
from service.upkeep.actions.correcting import Corrected
from service.upkeep.actions.due import seen
from service.upkeep.actions.showing import concerns, probe_shown
from service.upkeep.queries import Known
from service.upkeep.rules import due_after
from service.upkeep.schemas import (
    CalibrationIn,
    ComparisonOut,
    DriftOut,
    DueOut,
    OffsetIn,
    PairOut,
    ProbeCalibrationOut,
    ProbeOffsetOut,
    ProbeShown,
    TrendOut,
    calibration_out,
    offset_out,
    suggestion_out,
)

probes_router: APIRouter = guarded_router("/probes", "temperatures")
offsets: APIRouter = guarded_router("/probe-offsets", "temperatures")
calibrations: APIRouter = guarded_router("/calibrations", "temperatures")
places: APIRouter = guarded_router("/places", "temperatures")
routers = (probes_router, offsets, calibrations, places)

LONGEST_COMPARED = timedelta(days=732)


@probes_router.get("")
def list_probes(session: ReadSession, at: Now, by: MayLook) -> Page[ProbeShown]:
    """The thermometers of your sites, with all that is known of them."""
    found = seen(session, by=by)
    views = _views(session, found, at)
    return Page(items=[probe_shown(k, views[k.home.site_id], at) for k in found])


@probes_router.get("/due")
def due(session: ReadSession, at: Now, by: MayLook) -> Page[DueOut]:
    """What thermometers want looking at for: calibration, silence, drift, doubts; what to do."""
    found = seen(session, by=by)
    views = _views(session, found, at)
    return Page(
        items=[
            DueOut(
                probe=known.probe.code,
                place=known.place_of(known.stays[-1]),
                **concern.model_dump(),
            )
            for known in found
            for concern in concerns(known, views[known.home.site_id], at)
        ]
    )


@probes_router.get("/{probe}")
def show_probe(probe: str, session: ReadSession, at: Now, by: MayLook) -> ProbeShown:
    """A thermometer: where it hung, its offsets, faults, calibrations, its last reading."""
    found = probes.probe_by_code(session, probe, by=by)
    (known,) = queries.known(session, [found])
    return probe_shown(known, sites.view(session, known.home.site_id, at=at), at)


@probes_router.post("/{probe}/offsets", status_code=201)
def set_offset(
    probe: str, offset: OffsetIn, session: WriteSession, at: Now, by: MaySetUp
) -> ProbeOffsetOut:
    """Add so much to what a probe reads from an instant on. Raw readings stay as they came."""
    return _offset(session, correcting.set_offset(session, probe, offset, at=at, by=by), at)


@offsets.post("/{offset}/withdrawal")
def withdraw_offset(
    offset: Number, withdrawal: WithdrawalIn, session: WriteSession, at: Now, by: MaySetUp
) -> ProbeOffsetOut:
    """An offset does not count any more; what counted before it does again."""
    found = correcting.withdraw_offset(session, offset, withdrawal, at=at, by=by)
    return _offset(session, found, at)


@probes_router.post("/{probe}/calibrations", status_code=201)
def calibrate(
    probe: str, calibration: CalibrationIn, session: WriteSession, at: Now, by: MayCalibrate
) -> ProbeCalibrationOut:
    """A probe held in melting ice, or beside a better thermometer; what a failure suggests."""
    row = correcting.calibrate(
        session,
        probe,
        method=calibration.method,
        reference_c=calibration.reference_c,
        measured_c=calibration.measured.c,
        calibrated_at=calibration.occurred_at or at,
        apply_offset=calibration.apply_offset,
        note=calibration.note,
        at=at,
        by=by,
    )
    found, place = probes.probe_by_id(session, row.probe_id, by=by)
    return _calibration(session, row, found.code, sites.view(session, place.site_id, at=at))


@calibrations.post("/{calibration}/withdrawal")
def withdraw_calibration(
    calibration: Number, withdrawal: WithdrawalIn, session: WriteSession, at: Now, by: MayCalibrate
) -> ProbeCalibrationOut:
    """A calibration does not count any more: a slip of the pen, the wrong probe."""
    row, found, place = calibrating.withdraw(session, calibration, withdrawal, at=at, by=by)
    return _calibration(session, row, found.code, sites.view(session, place.site_id, at=at))


@places.get("/{place}/probe-comparison")
def compare(
    place: str,
    session: ReadSession,
    at: Now,
    by: MayLook,
    from_at: Annotated[
        Moment | None, Query(alias="from", description="Left out: the policy's days before.")
    ] = None,
    to_at: Annotated[Moment | None, Query(alias="to", description="Left out: now.")] = None,
) -> ComparisonOut:
    """Probes that hung in the place at the same time: how they differ, and which one drifts."""
    found = sites.place_by_code(session, place, by=by, field="place")
    view = sites.view(session, found.site_id, at=at)
    until = to_at or at
    begin = from_at or until - timedelta(days=view.policy.drift_window_days)
    if not timedelta(0) < until - begin <= LONGEST_COMPARED:
        raise Invalid.at("to", f"must be after from, by at most {LONGEST_COMPARED.days} days")
    beside = queries.side_by_side(
        session, found.id or 0, int(begin.timestamp()), int(until.timestamp())
    )
    units = view.units
    return ComparisonOut(
        place=found.code,
        from_at=begin,
        to_at=until,
        window_days=view.policy.drift_window_days,
        allowed=units.difference_out(view.policy.recorder_class_storage),
        pairs=[
            PairOut(
                first=pair.first.code,
                second=pair.second.code,
                kinds=[pair.first.kind, pair.second.kind],
                hours=pair.found.hours,
                days=pair.found.days,
                mean=units.difference_out(pair.found.mean_c),
                sd=units.difference_out(pair.found.sd_c),
                trend=_trend(pair.found.per_month, units),
            )
            for pair in pairs(beside)
        ],
        drift=[
            DriftOut(
                probe=wander.probe.code,
                against=[other.code for other in wander.against],
                hours=wander.found.hours,
                days=wander.found.days,
                mean=units.difference_out(wander.found.mean_c),
                trend=_trend(wander.found.per_month, units),
                flagged=wander.flagged,
            )
            for wander in wandering(beside, view.policy)
        ],
    )


def _views(session: Session, found: list[Known], at: datetime) -> dict[int, SiteView]:
    return {i: sites.view(session, i, at=at) for i in {known.home.site_id for known in found}}


def _offset(session: Session, found: Corrected, at: datetime) -> ProbeOffsetOut:
    units = sites.view(session, found.place.site_id, at=at).units
    shown = offset_out(found.offset, units)
    kept_s = found.probe.raw_kept_from_s
    return ProbeOffsetOut(
        probe=found.probe.code,
        hours_from=instant(kept_s) if kept_s > found.offset.from_s else None,
        **shown.model_dump(),
    )


def _calibration(
    session: Session, row: Calibration, code: str, view: SiteView
) -> ProbeCalibrationOut:
    ways = calibrating.suggested(session, row, view)
    return ProbeCalibrationOut(
        probe=code,
        due_at=due_after(row.calibrated_at, view.policy.probe_calibration),
        suggestions=[suggestion_out(way, view.units) for way in ways],
        **calibration_out(row, view.units).model_dump(),
    )


def _trend(line: Trend | None, units: Units) -> TrendOut | None:
    if line is None:
        return None
    return TrendOut(
        per_month=units.difference_out(line.slope),
        range=[units.difference_out(line.low), units.difference_out(line.high)],
    )
