"""Every select of sites, places, policies and deviations."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import bindparam
from sqlmodel import Session, col, select

from service.database import rows_where_in
from service.errors import Invalid, NotFound
from service.http.bodies import instant_of
from service.quantities import MassUnit, TemperatureUnit, Units
from service.security.actor import Actor
from service.site.models import Deviation, Place, PolicyVersion, Site
from service.site.rules import Policy, default_policy


@dataclass(frozen=True)
class SiteView:
    """A site with its zone, units and the policy in force at an instant."""

    id: int
    code: str
    zone: ZoneInfo
    units: Units
    policy: Policy
    policy_version: int

    def day_of(self, at: datetime) -> date:
        """The site's civil date of an instant."""
        return at.astimezone(self.zone).date()

    def start_of(self, day: date) -> datetime:
        """When a civil day of the site begins."""
        return datetime.combine(day, time(), self.zone)

    def end_of(self, day: date) -> datetime:
        """When the next civil day begins."""
        return self.start_of(day + timedelta(days=1))


def site_by_code(session: Session, code: str, *, by: Actor, field: str = "site") -> Site:
    """The site of this code. Raises NotFound, and NotAllowed for somebody else's."""
    site = session.exec(select(Site).where(col(Site.code) == code.upper())).one_or_none()
    if site is None:
        raise NotFound.of("site", code, field)
    assert site.id is not None
    by.ensure_site(site.id)
    return site


def sites(session: Session, *, by: Actor) -> list[Site]:
    """The sites that somebody sees, by code. One query."""
    found = session.exec(select(Site).order_by(col(Site.code))).all()
    return [site for site in found if site.id is not None and by.sees(site.id)]


def site_or_only(session: Session, code: str | None, *, by: Actor, field: str = "site") -> Site:
    """The site named, else the only one. Raises Invalid where there are several."""
    if code is not None:
        return site_by_code(session, code, by=by, field=field)
    seen = sites(session, by=by)
    if len(seen) != 1:
        raise Invalid.at(field, "there are several sites: name one")
    return seen[0]


def view(session: Session, site_id: int, *, at: datetime) -> SiteView:
    """A site and its policy in force at an instant. Two queries."""
    site = session.get_one(Site, site_id)
    return view_of(session, site, at=at)


def view_of(session: Session, site: Site, *, at: datetime) -> SiteView:
    """A loaded site and its policy in force at an instant. One query."""
    assert site.id is not None
    version = policy_version(session, site.id, at=at)
    return SiteView(
        id=site.id,
        code=site.code,
        zone=ZoneInfo(site.timezone),
        units=Units(MassUnit(site.mass_unit), TemperatureUnit(site.temperature_unit)),
        policy=policy_from(version),
        policy_version=version.version if version else 0,
    )


def lock_site(session: Session, site_id: int) -> None:
    """Let nobody else decide something about a site as a whole until this is committed."""
    session.exec(select(Site.id).where(col(Site.id) == site_id).with_for_update()).one()


def happened_at(
    session: Session, site_id: int, said: datetime | None, *, now: datetime
) -> datetime:
    """When something at a site happened: what was said, else now. Raises Invalid for the future."""
    if said is None:
        return now
    return instant_of(said, now=now, skew=view(session, site_id, at=now).policy.skew)


def policy_version(session: Session, site_id: int, *, at: datetime) -> PolicyVersion | None:
    """The policy version in force at an instant; None while the defaults are."""
    found: PolicyVersion | None = session.execute(
        _policy_select(), {"of_site": site_id, "in_force_at": at}
    ).scalar_one_or_none()
    return found


def policy_versions(session: Session, site_id: int, *, limit: int) -> Sequence[PolicyVersion]:
    """The newest policy versions of a site. One query."""
    return session.exec(
        select(PolicyVersion)
        .where(col(PolicyVersion.site_id) == site_id)
        .order_by(col(PolicyVersion.version).desc())
        .limit(limit)
    ).all()


@lru_cache(maxsize=1)
def _policy_select() -> Any:
    """The select of `policy_version`, built once: every write asks it."""
    return (
        select(PolicyVersion)
        .where(
            col(PolicyVersion.site_id) == bindparam("of_site"),
            col(PolicyVersion.from_at) <= bindparam("in_force_at"),
        )
        .order_by(col(PolicyVersion.version).desc())
        .limit(1)
    )


def policy_from(version: PolicyVersion | None) -> Policy:
    """The policy of a version: the defaults with what the site has set."""
    return policy_with(version.document) if version else default_policy()


def policy_with(document: Mapping[str, Any]) -> Policy:
    """The defaults with what a site has set. Raises ValidationError outside the bounds."""
    return Policy(**{**default_policy().model_dump(), **document})


def place_by_code(session: Session, code: str, *, by: Actor, field: str) -> Place:
    """The place of this code. Raises NotFound, and NotAllowed at somebody else's site."""
    found = session.execute(rows_where_in(Place.code), {"keys": [code.upper()]})
    place: Place | None = found.scalar_one_or_none()
    if place is None:
        raise NotFound.of("place", code, field)
    by.ensure_site(place.site_id)
    return place


def places(session: Session, *, by: Actor) -> list[Place]:
    """The places of the sites that somebody sees, by code. One query."""
    found = session.exec(select(Place).order_by(col(Place.code))).all()
    return [place for place in found if by.sees(place.site_id)]


def places_of(session: Session, site_id: int) -> Sequence[Place]:
    """The places of one site, by code. One query."""
    statement = select(Place).where(col(Place.site_id) == site_id).order_by(col(Place.code))
    return session.exec(statement).all()


def places_by_id(session: Session, ids: Sequence[int]) -> dict[int, Place]:
    """The places of these ids. One query."""
    found = session.execute(rows_where_in(Place.id), {"keys": list(set(ids))}).scalars()
    return {place.id: place for place in found if place.id is not None}


def deviations(
    session: Session, site_ids: Sequence[int], *, limit: int, before_id: int | None
) -> Sequence[Deviation]:
    """The newest deviations of these sites. One query."""
    statement = (
        select(Deviation)
        .where(col(Deviation.site_id).in_(site_ids))
        .order_by(col(Deviation.id).desc())
        .limit(limit)
    )
    if before_id is not None:
        statement = statement.where(col(Deviation.id) < before_id)
    return session.exec(statement).all()


def sites_seen(session: Session, *, by: Actor) -> Sequence[int]:
    """The ids of the sites that somebody sees. One query."""
    return [site.id for site in sites(session, by=by) if site.id is not None]
