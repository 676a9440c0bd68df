"""Thermometers."""

from fastapi import APIRouter

from service.http.bodies import Page
from service.http.sessions import Now, ReadSession, WriteSession
from service.probes import queries
from service.probes.actions import setting_up as actions
from service.probes.rules import ProbeKind
from service.probes.schemas import ProbeIn, ProbeOut
from service.security.guard import MayLook, MaySetUp, guarded_router

probes: APIRouter = guarded_router("/probes", "temperatures")
routers = (probes,)


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
