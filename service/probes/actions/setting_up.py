"""Setting up probes."""

from datetime import datetime

from sqlmodel import Session, col, select

from service.errors import Conflict
from service.http.bodies import refuse_future
from service.probes.models import Probe, ProbeStay
from service.probes.schemas import ProbeIn
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.rules import default_policy


def add_probe(session: Session, new: ProbeIn, *, at: datetime, by: Actor) -> Probe:
    """A thermometer in a place. Raises NotFound for the place, Conflict for a taken code."""
    refuse_future(new.occurred_at, now=at, skew=default_policy().skew)
    place = sites.place_by_code(session, new.place, by=by, field="place")
    if session.exec(select(Probe.id).where(col(Probe.code) == new.code)).first() is not None:
        raise Conflict.exists("probe", new.code)
    assert place.id is not None
    probe = Probe(place_id=place.id, code=new.code, kind=new.kind, created_at=at)
    session.add(probe)
    session.flush()
    session.add(
        ProbeStay(probe_id=probe.id or 0, place_id=place.id, from_s=0, recorded_at=at, by=by.name)
    )
    session.flush()
    audit.note(session, by, "probe added", probe.code, at=at, site_id=place.site_id, after=new)
    return probe
