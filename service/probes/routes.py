"""Thermometers as they are set up, hung up and broken, and which stands for a place."""

from datetime import datetime

from fastapi import APIRouter
from sqlmodel import Session

from service.http.bodies import Number
from service.http.sessions import Now, ReadSession, WriteSession
from service.probes import queries
from service.probes.actions import choosing, faulting, hanging
from service.probes.actions import setting_up as actions
from service.probes.rules import ProbeKind
from service.probes.schemas import (
    FaultEndIn,
    FaultIn,
    FaultOut,
    GoverningIn,
    GoverningOut,
    ProbeIn,
    ProbeOut,
    StayIn,
    StaysOut,
    WithdrawalIn,
    choice_out,
    fault_out,
    stay_out,
)
from service.security.guard import MayLook, MaySetUp, guarded_router
from service.site import queries as sites
from service.site.models import Place

probes: APIRouter = guarded_router("/probes", "temperatures")
faults: APIRouter = guarded_router("/probe-faults", "temperatures")
places: APIRouter = guarded_router("/places", "temperatures")
routers = (probes, faults, places)


@probes.post("", status_code=201)
def add_probe(new: ProbeIn, session: WriteSession, at: Now, by: MaySetUp) -> ProbeOut:
    """A thermometer in a place."""
    probe = actions.add_probe(session, new, at=at, by=by)
    return ProbeOut(code=probe.code, place=new.place, kind=ProbeKind(probe.kind))


@probes.post("/{probe}/stays", status_code=201)
def hang(probe: str, stay: StayIn, session: WriteSession, at: Now, by: MaySetUp) -> StaysOut:
    """A probe hangs in another place from an instant on, or (place null) is taken down.

    Readings of that time belong to the other place; a late entry needs a reason. What
    was known of that time gives way to it.
    """
    hung = hanging.hang(session, probe, stay, at=at, by=by)
    stays = queries.stays(session, hung.id or 0)
    names = sites.places_by_id(session, [s.place_id for s in stays if s.place_id is not None])
    return StaysOut(
        probe=hung.code,
        stays=[stay_out(s, names[s.place_id].code if s.place_id else None) for s in stays],
    )


@probes.post("/{probe}/faults", status_code=201)
def declare_fault(
    probe: str, fault: FaultIn, session: WriteSession, at: Now, by: MaySetUp
) -> FaultOut:
    """A probe was broken for a time: its readings are kept and stand for nothing."""
    return fault_out(*faulting.declare(session, probe, fault, at=at, by=by))


@faults.post("/{fault}/end")
def end_fault(
    fault: Number, ended: FaultEndIn, session: WriteSession, at: Now, by: MaySetUp
) -> FaultOut:
    """A probe is in order again."""
    return fault_out(*faulting.end(session, fault, ended, at=at, by=by))


@faults.post("/{fault}/withdrawal")
def withdraw_fault(
    fault: Number, withdrawal: WithdrawalIn, session: WriteSession, at: Now, by: MaySetUp
) -> FaultOut:
    """A probe was not broken after all."""
    return fault_out(*faulting.withdraw(session, fault, withdrawal, at=at, by=by))


@places.post("/{place}/governing-probe", status_code=201)
def choose(
    place: str, choice: GoverningIn, session: WriteSession, at: Now, by: MaySetUp
) -> GoverningOut:
    """Name the probe that stands for a place; null: the service chooses the warmest again."""
    return _governing(session, choosing.choose(session, place, choice, at=at, by=by), at)


@places.get("/{place}/governing-probe")
def chosen(place: str, session: ReadSession, at: Now, by: MayLook) -> GoverningOut:
    """Which probe the site has named for a place, now and before."""
    return _governing(session, sites.place_by_code(session, place, by=by, field="place"), at)


def _governing(session: Session, place: Place, at: datetime) -> GoverningOut:
    choices = queries.choices(session, place.id or 0)
    now_s = at.timestamp()
    named = [code for choice, code in choices if choice.from_s <= now_s]
    return GoverningOut(
        place=place.code,
        probe=named[-1] if named else None,
        choices=[choice_out(choice, code) for choice, code in choices],
    )
