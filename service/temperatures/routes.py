"""Probes, readings, the temperatures of a place, excursions."""

from typing import Annotated

from fastapi import APIRouter, Header, Query, Request
from sqlmodel import Session

from service.errors import Invalid
from service.http.bodies import Moment
from service.http.sessions import Now, ReadSession, WriteSession
from service.quantities import TemperatureUnit
from service.science.exposure import HOUR_S
from service.security.guard import MayLook, MayRecordTemperatures, guarded_router
from service.site import queries as sites
from service.site.rules import PlaceKind, place_limit_c
from service.temperatures import queries
from service.temperatures.actions import decoding, storing
from service.temperatures.rules.steps import Steps, steps_of, steps_of_hours
from service.temperatures.schemas import (
    ReadingsOut,
    TemperaturePoint,
    TemperaturesOut,
)

readings: APIRouter = guarded_router("/readings", "temperatures")
places: APIRouter = guarded_router("/places", "temperatures")
routers = (readings, places)

MOST_POINTS = 20_000
FINEST_STEP_S = 60

_READING = {
    "type": "object",
    "required": decoding.COLUMNS,
    "additionalProperties": False,
    "properties": {
        "probe": {"type": "string"},
        "at": {"type": "string", "format": "date-time"},
        "temperature_c": {"type": "number"},
    },
}
_READINGS_BODY = {
    "requestBody": {
        "required": True,
        "content": {
            "application/json": {"schema": {"type": "array", "items": _READING}},
            "application/x-ndjson": {"schema": {"type": "string"}},
            "text/csv": {"schema": {"type": "string"}},
        },
    }
}


@readings.post("", openapi_extra=_READINGS_BODY, response_model_exclude_none=True)
def store_readings(
    request: Request,
    session: WriteSession,
    at: Now,
    by: MayRecordTemperatures,
    unit: Annotated[TemperatureUnit, Query(description="Unit of all temperatures.")] = (
        TemperatureUnit.C
    ),
    device_time: Annotated[
        Moment | None, Header(description="What the sender's clock shows now, to correct it by.")
    ] = None,
) -> ReadingsOut:
    """Readings as JSON, NDJSON or CSV: good rows are stored, bad ones listed by index from 0."""
    kind = request.headers.get("content-type", "")
    decoded = decoding.decode(request.state.body, kind, unit)
    return storing.store(session, decoded, at=at, by=by, device_time=device_time)


@places.get("/{place}/temperatures")
def temperatures(
    place: str,
    session: ReadSession,
    at: Now,
    by: MayLook,
    from_at: Annotated[Moment, Query(alias="from")],
    to_at: Annotated[Moment, Query(alias="to")],
    step: Annotated[int, Query(ge=FINEST_STEP_S, le=366 * 86400)] = HOUR_S,
) -> TemperaturesOut:
    """The series of a place by its governing probe: steps of whole hours from the rollups."""
    found = sites.place_by_code(session, place, by=by, field="place")
    assert found.id is not None
    from_s, to_s = int(from_at.timestamp()), int(to_at.timestamp())
    if to_s <= from_s:
        raise Invalid.at("to", "must be after from")
    if (to_s - from_s) / step > MOST_POINTS:
        raise Invalid.at("step", f"gives more than {MOST_POINTS} points: take a longer one")
    if step > HOUR_S and step % HOUR_S:
        raise Invalid.at("step", "longer than an hour: whole hours, as 7200 or 86400")
    view = sites.view(session, found.site_id, at=at)
    gap_s = int(view.policy.gap_minutes * 60)
    probe = queries.governing_probe(session, found.id, from_s, to_s)
    points = [] if probe is None else _points(session, probe.id or 0, from_s, to_s, step, gap_s)
    return TemperaturesOut(
        place=found.code,
        probe=probe.code if probe else None,
        step=step,
        points=points,
        limit_c=place_limit_c(PlaceKind(found.kind), view.policy, view.units.temperature),
    )


def _points(
    session: Session, probe_id: int, from_s: int, to_s: int, step: int, gap_s: int
) -> list[TemperaturePoint]:
    if step % HOUR_S == 0:
        first = from_s // HOUR_S * HOUR_S
        hours = queries.hours(session, probe_id, first, to_s)
        found = steps_of_hours(
            Steps(hours.hour_s, hours.mean_c, hours.min_c, hours.max_c, hours.covered_s),
            from_s=first,
            step_s=step,
        )
    else:
        at_s, temperature_c = queries.raw(session, probe_id, from_s - gap_s, to_s + gap_s + 1)
        found = steps_of(at_s, temperature_c, from_s=from_s, to_s=to_s, step_s=step, gap_s=gap_s)
    return [
        TemperaturePoint(
            at=queries.instant(int(at)),
            mean_c=round(float(mean), 3),
            min_c=round(float(low), 2),
            max_c=round(float(high), 2),
            coverage=round(min(1.0, float(covered) / step), 4),
        )
        for at, mean, low, high, covered in zip(
            found.at_s, found.mean_c, found.min_c, found.max_c, found.covered_s, strict=True
        )
    ]
