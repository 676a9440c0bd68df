"""What a manager does to a site; and how rules are kept, overridden or breached."""

import re
from datetime import datetime

from pydantic import ValidationError
from sqlmodel import Session, col, select

from service.decisions import Decision, Finding
from service.errors import ChangedMeanwhile, Conflict, Invalid
from service.http.bodies import Refusable, refuse_future
from service.security import audit
from service.security.actor import SERVICE, Actor
from service.site import queries
from service.site.models import Deviation, Place, PolicyVersion, Site
from service.site.queries import SiteView
from service.site.rules import Policy, default_policy, permit
from service.site.schemas import NewSite, PlaceChange, PlaceIn, PolicyChange, SiteIn

FIRST_SITE = NewSite(code="main", name="Main site")


def ensure_a_site(session: Session, *, at: datetime) -> None:
    """Make the first site of an empty database."""
    if session.exec(select(Site.id).limit(1)).first() is None:
        add_site(session, FIRST_SITE, at=at, by=SERVICE)


def add_site(session: Session, new: NewSite, *, at: datetime, by: Actor) -> Site:
    """A further site. Raises Conflict if the code is taken."""
    if session.exec(select(Site.id).where(col(Site.code) == new.code)).first() is not None:
        raise Conflict.exists("site", new.code)
    site = Site(**new.model_dump(mode="json"))
    session.add(site)
    session.flush()
    audit.note(session, by, "site added", site.code, at=at, site_id=site.id or 0, after=new)
    return site


def change_site(
    session: Session, code: str, change: SiteIn, *, if_match: str | None, at: datetime, by: Actor
) -> Site:
    """Change name, zone or units. Raises ChangedMeanwhile if `if_match` is not its ETag."""
    site = queries.site_by_code(session, code, by=by)
    session.refresh(site, with_for_update=True)
    if if_match is not None and not {"*", etag(site)} & set(re.split(r"\s*,\s*", if_match.strip())):
        raise ChangedMeanwhile(f"the site is at version {site.version} now")
    before = site.model_dump(mode="json")
    site.sqlmodel_update(change.model_dump(mode="json", exclude_none=True))
    site.version += 1
    session.add(site)
    session.flush()
    audit.note(
        session,
        by,
        "site changed",
        site.code,
        at=at,
        site_id=site.id or 0,
        before=before,
        after=site,
        detail=change.model_dump(mode="json", exclude_none=True),
    )
    return site


def etag(site: Site) -> str:
    """The ETag of a site's present version."""
    return f'"{site.code}-{site.version}"'


def add_place(session: Session, new: PlaceIn, *, at: datetime, by: Actor) -> Place:
    """A place. Raises NotFound for an unknown site or parent, Conflict for a taken code."""
    refuse_future(new.occurred_at, now=at, skew=default_policy().skew)
    site = queries.site_or_only(session, new.site, by=by)
    parent = new.parent and queries.place_by_code(session, new.parent, by=by, field="parent")
    if session.exec(select(Place.id).where(col(Place.code) == new.code)).first() is not None:
        raise Conflict.exists("place", new.code)
    assert site.id is not None
    place = Place(
        site_id=site.id,
        code=new.code,
        name=new.name,
        kind=new.kind,
        parent_id=parent.id if parent else None,
        capacity_g=new.capacity.grams if new.capacity else None,
    )
    session.add(place)
    session.flush()
    audit.note(session, by, "place added", place.code, at=at, site_id=site.id, after=new)
    return place


def change_place(
    session: Session, code: str, change: PlaceChange, *, at: datetime, by: Actor
) -> Place:
    """Change a place's name, or how much it holds: plans made before keep what they were told."""
    refuse_future(change.occurred_at, now=at, skew=default_policy().skew)
    place = queries.place_by_code(session, code, by=by, field="place")
    session.refresh(place, with_for_update=True)
    before = place.model_dump(mode="json")
    if change.name is not None:
        place.name = change.name
    if "capacity" in change.model_fields_set:
        place.capacity_g = change.capacity.grams if change.capacity else None
    session.add(place)
    session.flush()
    audit.note(
        session,
        by,
        "place changed",
        place.code,
        at=at,
        site_id=place.site_id,
        before=before,
        after=place,
    )
    return place


def change_policy(
    session: Session, code: str, change: PolicyChange, *, at: datetime, by: Actor
) -> PolicyVersion:
    """A new policy version from now on; what was decided before keeps the old one.

    Raises Invalid naming a figure that is unknown or outside its bounds.
    """
    refuse_future(change.occurred_at, now=at, skew=default_policy().skew)
    site = queries.site_by_code(session, code, by=by)
    assert site.id is not None
    session.refresh(site, with_for_update=True)
    current = queries.policy_version(session, site.id, at=at)
    document = (current.document if current else {}) | change.changes
    checked_policy(document)
    version = PolicyVersion(
        site_id=site.id,
        version=(current.version if current else 0) + 1,
        from_at=at,
        document=document,
        reason=change.reason,
        by=by.name,
    )
    session.add(version)
    session.flush()
    audit.note(
        session,
        by,
        "policy changed",
        site.code,
        at=at,
        site_id=site.id,
        before=current.document if current else None,
        after=document,
        detail={"changes": change.changes, "reason": change.reason},
    )
    return version


def checked_policy(document: dict[str, float | bool | str]) -> Policy:
    """The policy of what a site has set. Raises Invalid naming a figure outside its bounds."""
    try:
        return queries.policy_with(document)
    except ValidationError as error:
        first = error.errors()[0]
        name = ".".join(str(part) for part in first["loc"]) or "changes"
        raise Invalid.at(f"changes.{name}", str(first["msg"])) from error


def allow(
    session: Session,
    decision: Decision,
    order: Refusable,
    *,
    site: SiteView,
    subject: str,
    occurred_at: datetime,
    at: datetime,
    by: Actor,
) -> tuple[Finding, ...]:
    """Refuse what is blocked; record what is overridden or has happened all the same.

    Returns the breaches: blocking findings of a fact that nobody entitled
    overrode. Raises as `rules.permit`.
    """
    against = permit(
        decision, role=by.role, overrides=order.override, already_done=order.already_done
    )
    reasons = {o.rule: o.reason for o in order.override}
    breaches: list[Finding] = []
    for found in against:
        overridden = found.rule in reasons and by.role in found.may_override
        if not overridden:
            breaches.append(found)
        session.add(
            Deviation(
                site_id=site.id,
                kind="override" if overridden else "breach",
                subject=subject,
                rule=found.rule,
                because=found.because,
                numbers=dict(found.numbers),
                reason=reasons.get(found.rule),
                occurred_at=occurred_at,
                recorded_at=at,
                by=by.name,
                policy_version=site.policy_version,
            )
        )
    return tuple(breaches)
