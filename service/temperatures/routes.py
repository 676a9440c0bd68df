"""Probes, readings, the temperatures of a place, excursions."""

from datetime import datetime
from typing import Annotated

import numpy as np
from fastapi import APIRouter, Query, Request
from sqlmodel import Session

from service.errors import Invalid
from service.http.bodies import Cursor, Limit, Moment, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.quantities import TemperatureUnit
from service.science.exposure import HOUR_S
from service.security.guard import MayLook, MayRecordTemperatures, MaySetUp, guarded_router
from service.site import queries as sites
from service.site.rules import PlaceKind, place_limit_c
from service.temperatures import queries
from service.temperatures.actions import decoding, storing
from service.temperatures.actions import probes as actions
from service.temperatures.rules import ExcursionKind, ProbeKind
from service.temperatures.schemas import (
    ExcursionOut,
    ProbeIn,
    ProbeOut,
    ReadingsOut,
    TemperaturePoint,
    TemperaturesOut,
)

probes: APIRouter = guarded_router("/probes", "temperatures")
readings: APIRouter = guarded_router("/readings", "temperatures")
places: APIRouter = guarded_router("/places", "temperatures")
excursions: APIRouter = guarded_router("/excursions", "temperatures")
routers = (probes, readings, places, excursions)

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


@probes.get("")
def list_probes(session: ReadSession, by: MayLook) -> Page[ProbeOut]:
    """The thermometers of your sites."""
    found = queries.probes(session, by=by)
    return Page(
        items=[
            ProbeOut(code=p.code, place=place.code, kind=ProbeKind(p.kind)) for p, place in found
        ]
    )


@probes.post("", status_code=201)
def add_probe(new: ProbeIn, session: WriteSession, at: Now, by: MaySetUp) -> ProbeOut:
    """A thermometer in a place."""
    probe = actions.add_probe(session, new, at=at, by=by)
    return ProbeOut(code=probe.code, place=new.place, kind=ProbeKind(probe.kind))


@readings.post("", openapi_extra=_READINGS_BODY)
def store_readings(
    request: Request,
    session: WriteSession,
    at: Now,
    by: MayRecordTemperatures,
    unit: Annotated[TemperatureUnit, Query(description="Unit of all temperatures.")] = (
        TemperatureUnit.C
    ),
) -> ReadingsOut:
    """Readings as JSON, NDJSON or CSV: good rows are stored, bad ones listed by index from 0."""
    kind = request.headers.get("content-type", "")
    decoded = decoding.decode(request.state.body, kind, unit)
    return storing.store(session, decoded, at=at, by=by)


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
    view = sites.view(session, found.site_id, at=at)
    probe = queries.governing_probe(session, found.id, from_s, to_s)
    points = [] if probe is None else _points(session, probe.id or 0, from_s, to_s, step)
    return TemperaturesOut(
        place=found.code,
        probe=probe.code if probe else None,
        step=step,
        points=points,
        limit_c=place_limit_c(PlaceKind(found.kind), view.policy, view.units.temperature),
    )


def _points(
    session: Session, probe_id: int, from_s: int, to_s: int, step: int
) -> list[TemperaturePoint]:
    if step % HOUR_S == 0:
        first = from_s // HOUR_S * HOUR_S
        hours = queries.hours(session, probe_id, first, to_s)
        at_s, mean, low, high = hours.hour_s, hours.mean_c, hours.min_c, hours.max_c
        covered = hours.covered_s
    else:
        first = from_s
        at_s, mean = queries.raw(session, probe_id, from_s, to_s)
        low = high = mean
        following = np.append(at_s[1:], at_s[-1:])
        length = following - at_s
        covered = np.where(length <= HOUR_S, length, 0).astype(np.float64)
    if at_s.size == 0:
        return []
    window = (at_s - first) // step
    starts = np.flatnonzero(np.diff(window, prepend=-1))
    weight = np.add.reduceat(covered, starts)
    count = np.diff(np.append(starts, at_s.size))
    weighed = np.add.reduceat(mean * covered, starts) / np.where(weight > 0, weight, 1.0)
    means = np.where(weight > 0, weighed, np.add.reduceat(mean, starts) / count)
    lows, highs = np.minimum.reduceat(low, starts), np.maximum.reduceat(high, starts)
    return [
        TemperaturePoint(
            at=_instant(first + int(window[s]) * step),
            mean_c=round(float(m), 3),
            min_c=round(float(a), 2),
            max_c=round(float(b), 2),
            coverage=round(min(1.0, float(w) / step), 4),
        )
        for s, m, a, b, w in zip(starts, means, lows, highs, weight, strict=True)
    ]


def _instant(seconds: int) -> datetime:
    return queries.instant(seconds)


@excursions.get("")
def list_excursions(
    session: ReadSession, by: MayLook, limit: Limit = 100, cursor: Cursor = None
) -> Page[ExcursionOut]:
    """Times in which a place was too warm for too long, or silent; newest first."""
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    rows = queries.excursions(
        session, sites.sites_seen(session, by=by), limit=limit + 1, before_id=last
    )
    more = encode_cursor(rows[limit - 1][0].id or 0) if len(rows) > limit else None
    return Page(
        next=more,
        items=[
            ExcursionOut(
                id=e.id or 0,
                place=place,
                probe=probe,
                kind=ExcursionKind(e.kind),
                from_at=e.from_at,
                ended_at=e.ended_at,
                limit_c=e.limit_c,
                peak_c=e.peak_c,
            )
            for e, place, probe in rows[:limit]
        ],
    )
