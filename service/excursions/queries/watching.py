"""What the watch asks: policies, where probes hung, what stands, and the fish that was there."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Select, and_, case, or_
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, func, select

from service.excursions.models import Excursion, ExcursionParcel, PassedDefrost, ProbeWatch
from service.excursions.rules import ExcursionState
from service.excursions.rules.hanging import Hung, hung_of
from service.excursions.rules.limits import Limits, limits_of
from service.ledger.models import Movement, Parcel, Transfer
from service.probes import queries as probes
from service.quantities import MassUnit, TemperatureUnit, Units
from service.site import queries as sites
from service.site.models import Place, PolicyVersion, Site
from service.site.rules import PlaceKind, Policy, default_policy


@dataclass(frozen=True)
class Meeting:
    """A parcel that was in a place: since when, until when it held fish, grams at first."""

    parcel_id: int
    grams: int
    from_at: datetime
    emptied_at: datetime | None


@dataclass(frozen=True)
class Book:
    """What every place is held against, whenever: kinds of places and policies of sites."""

    places: Mapping[int, Place]
    units: Mapping[int, Units]
    zones: Mapping[int, ZoneInfo]
    policies: Mapping[int, Sequence[tuple[int, Policy]]]

    def limits(self, place_id: int, at_s: int) -> Limits:
        """What a place was held against at an instant."""
        place = self.places[place_id]
        unit = self.units[place.site_id].temperature
        return limits_of(PlaceKind(place.kind), self.policy(place_id, at_s), unit)

    def policy(self, place_id: int, at_s: int) -> Policy:
        """The policy of a place's site that was in force at an instant."""
        policy = default_policy()
        for from_s, later in self.policies.get(self.places[place_id].site_id, ()):
            policy = later if from_s <= at_s else policy
        return policy

    def changes(self, place_id: int, from_s: int, until_s: int) -> list[int]:
        """When a place's policy changed between two instants."""
        versions = self.policies.get(self.places[place_id].site_id, ())
        return [at_s for at_s, _ in versions if from_s < at_s < until_s]


def book(session: Session) -> Book:
    """All places with the policies of their sites. Three queries; cost grows with both."""
    places = {place.id or 0: place for place in session.exec(select(Place))}
    all_sites = session.exec(select(Site)).all()
    units = {
        site.id or 0: Units(MassUnit(site.mass_unit), TemperatureUnit(site.temperature_unit))
        for site in all_sites
    }
    zones = {site.id or 0: ZoneInfo(site.timezone) for site in all_sites}
    policies: dict[int, list[tuple[int, Policy]]] = {}
    statement = select(PolicyVersion).order_by(col(PolicyVersion.version))
    for version in session.exec(statement):
        policies.setdefault(version.site_id, []).append(
            (int(version.from_at.timestamp()), sites.policy_from(version))
        )
    return Book(places, units, zones, policies)


def hung(session: Session, probe_ids: Collection[int]) -> dict[int, list[Hung]]:
    """Where these probes hung and were not broken. Two queries."""
    stays: dict[int, list[tuple[int | None, int, int | None]]] = {}
    for stay in probes.stays_of(session, probe_ids):
        stays.setdefault(stay.probe_id, []).append((stay.place_id, stay.from_s, stay.until_s))
    faults: dict[int, list[tuple[int, int | None]]] = {}
    for fault in probes.faults(session, probe_ids, live=True):
        faults.setdefault(fault.probe_id, []).append((fault.from_s, fault.until_s))
    return {id_: hung_of(stays.get(id_, []), faults.get(id_, [])) for id_ in probe_ids}


def watches(session: Session, probe_ids: Collection[int]) -> dict[int, ProbeWatch]:
    """What the watch remembers of these probes. One query."""
    statement = (
        select(ProbeWatch)
        .where(col(ProbeWatch.probe_id).in_(probe_ids))
        .execution_options(populate_existing=True)
    )
    return {watched.probe_id: watched for watched in session.exec(statement)}


def probes_with_open(session: Session, probe_ids: Collection[int]) -> set[int]:
    """Those of these probes that have an excursion that goes on. One query."""
    return set(
        session.exec(
            select(Excursion.probe_id).where(
                col(Excursion.probe_id).in_(probe_ids),
                col(Excursion.ended_at).is_(None),
                col(Excursion.state) != ExcursionState.WITHDRAWN,
            )
        )
    )


def standing_since(session: Session, probe_id: int, since: datetime) -> Sequence[Excursion]:
    """A probe's excursions that go on, or ended at an instant or later; not those withdrawn.
    Oldest first. One query."""
    return session.exec(
        select(Excursion)
        .where(
            col(Excursion.probe_id) == probe_id,
            col(Excursion.state) != ExcursionState.WITHDRAWN,
            or_(col(Excursion.ended_at).is_(None), col(Excursion.ended_at) >= since),
        )
        .order_by(col(Excursion.from_at), col(Excursion.id))
    ).all()


def standing_at(session: Session, place_id: int, since: datetime) -> Sequence[Excursion]:
    """A place's excursions that go on, or ended at an instant or later; not those withdrawn.
    Oldest first. One query."""
    return session.exec(
        select(Excursion)
        .where(
            col(Excursion.place_id) == place_id,
            col(Excursion.state) != ExcursionState.WITHDRAWN,
            or_(col(Excursion.ended_at).is_(None), col(Excursion.ended_at) >= since),
        )
        .order_by(col(Excursion.from_at), col(Excursion.id))
    ).all()


def has_newcomers(session: Session, excursion: Excursion, at: datetime) -> bool:
    """Whether fish is in the place that was not there when the excursion was last looked at.
    One query."""
    stored = select(ExcursionParcel.parcel_id).where(
        col(ExcursionParcel.excursion_id) == excursion.id
    )
    new = select(Parcel.id).where(
        col(Parcel.place_id) == excursion.place_id,
        col(Parcel.grams) > 0,
        col(Parcel.opened_at) <= at,
        col(Parcel.id).not_in(stored),
    )
    return session.exec(new.limit(1)).first() is not None


def passed_since(session: Session, probe_id: int, since_s: int) -> Sequence[PassedDefrost]:
    """The defrosts of a probe that were passed over and ended after an instant. One query."""
    return session.exec(
        select(PassedDefrost).where(
            col(PassedDefrost.probe_id) == probe_id, col(PassedDefrost.until_s) > since_s
        )
    ).all()


def passed_in(
    session: Session, probe_ids: Collection[int], from_s: int, until_s: int, *, limit: int
) -> Sequence[PassedDefrost]:
    """The defrosts of probes that were passed over and began in a time, newest first. One query."""
    return session.exec(
        select(PassedDefrost)
        .where(
            col(PassedDefrost.probe_id).in_(probe_ids),
            col(PassedDefrost.from_s) >= from_s,
            col(PassedDefrost.from_s) < until_s,
        )
        .order_by(col(PassedDefrost.from_s).desc())
        .limit(limit)
    ).all()


def met_at(session: Session, place_id: int, from_at: datetime, until_at: datetime) -> list[Meeting]:
    """The parcels that held fish in a place between two instants. Two queries; cost grows with
    the parcels that ever were there."""
    left: dict[int, list[tuple[datetime, int]]] = {}
    parcels: dict[int, tuple[int, datetime]] = {}
    for row in session.execute(_moved(place_id, from_at, until_at)):
        left.setdefault(row.id, []).append((row.at, int(row.left)))
        parcels[row.id] = (row.grams, row.opened_at)
    there = columns(col(Parcel.id), col(Parcel.grams), col(Parcel.opened_at)).where(
        col(Parcel.place_id) == place_id,
        col(Parcel.opened_at) <= until_at,
        col(Parcel.grams) > 0,
    )
    for row in session.execute(there):
        parcels[row.id] = (row.grams, row.opened_at)
    found = []
    for parcel_id, (grams, opened_at) in sorted(parcels.items()):
        gone = left.get(parcel_id, [])
        at_first = grams + sum(g for _, g in gone)
        emptied = max(at for at, _ in gone) if grams == 0 else None
        if at_first > 0:
            found.append(Meeting(parcel_id, at_first, max(opened_at, from_at), emptied))
    return found


def _moved(place_id: int, from_at: datetime, until_at: datetime) -> Select[Any]:
    """What left parcels of a place since an instant, less what came back by a reversal, which
    counts from when the fish was taken."""
    undone = aliased(Movement)
    happened = func.coalesce(col(undone.occurred_at), col(Movement.occurred_at))
    leaves = and_(col(Transfer.from_parcel_id) == col(Parcel.id), col(undone.id).is_(None))
    returns = and_(col(Transfer.to_parcel_id) == col(Parcel.id), col(undone.id).is_not(None))
    touches = or_(
        col(Transfer.from_parcel_id) == col(Parcel.id), col(Transfer.to_parcel_id) == col(Parcel.id)
    )
    return (
        columns(
            col(Parcel.id),
            col(Parcel.grams),
            col(Parcel.opened_at),
            happened.label("at"),
            case((leaves, col(Transfer.grams)), else_=-col(Transfer.grams)).label("left"),
        )
        .join(Transfer, touches)
        .join(Movement, col(Movement.id) == col(Transfer.movement_id))
        .outerjoin(undone, col(undone.id) == col(Movement.reverses_id))
        .where(
            or_(leaves, returns),
            col(Parcel.place_id) == place_id,
            col(Parcel.opened_at) <= until_at,
            happened >= from_at,
        )
    )
