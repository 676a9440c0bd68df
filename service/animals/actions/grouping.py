"""Groups of animals, and who is in them from when to when."""

from datetime import datetime

from sqlmodel import Session, col, select

from service.animals import queries
from service.animals.models import Animal, AnimalGroup, GroupMembership
from service.animals.schemas import CountIn, GroupIn, MembershipEndIn, MembershipIn
from service.errors import Conflict, Invalid
from service.http.bodies import refuse_future
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.rules import default_policy


def add_group(session: Session, new: GroupIn, *, at: datetime, by: Actor) -> AnimalGroup:
    """A group. Raises Conflict if the code is taken."""
    refuse_future(new.occurred_at, now=at, skew=default_policy().skew)
    site = sites.site_or_only(session, new.site, by=by)
    if session.exec(select(AnimalGroup.id).where(col(AnimalGroup.code) == new.code)).first():
        raise Conflict.exists("group", new.code)
    group = AnimalGroup(site_id=site.id or 0, code=new.code, name=new.name, unnamed=new.unnamed)
    session.add(group)
    session.flush()
    audit.note(session, by, "group added", group.code, at=at, site_id=group.site_id, after=new)
    return group


def count(session: Session, code: str, counted: CountIn, *, at: datetime, by: Actor) -> AnimalGroup:
    """How many of a group have no record of their own, from now on. Raises NotFound."""
    refuse_future(counted.occurred_at, now=at)
    group = queries.group_by_code(session, code, by=by)
    before = {"unnamed": group.unnamed}
    group.unnamed = counted.unnamed
    session.add(group)
    session.flush()
    audit.note(
        session,
        by,
        "group counted",
        group.code,
        at=at,
        site_id=group.site_id,
        before=before,
        after=counted,
        detail={**before, "now": counted.unnamed},
    )
    return group


def join(
    session: Session, code: str, joined: MembershipIn, *, at: datetime, by: Actor
) -> tuple[GroupMembership, AnimalGroup, Animal]:
    """An animal joins a group, and leaves the one that it was in: it is fed in one at a time.

    May lie in the past or be planned ahead. Raises NotFound, Invalid, Conflict
    where a later membership is known already.
    """
    from_at = joined.from_at or at
    if joined.until is not None and joined.until <= from_at:
        raise Invalid.at("until", "lies before the beginning")
    group = queries.group_by_code(session, code, by=by)
    animal = queries.animal_by_code(session, joined.animal, by=by)
    if animal.site_id != group.site_id:
        raise Conflict("the animal lives at another site", kind="another-site")
    assert animal.id is not None and group.id is not None
    for stay in queries.memberships_of(session, animal.id):
        if stay.until_at is not None and stay.until_at <= from_at:
            continue
        if stay.from_at >= from_at and (joined.until is None or stay.from_at < joined.until):
            raise Conflict(
                f"{animal.code} is known to join a group at {stay.from_at:%Y-%m-%d %H:%M} UTC",
                kind="already-in-group",
                advice="Give `until`, or end that membership first.",
            )
        if stay.from_at < from_at:
            stay.until_at = from_at
            session.add(stay)
    membership = GroupMembership(
        group_id=group.id,
        animal_id=animal.id,
        station=joined.station,
        from_at=from_at,
        until_at=joined.until,
        recorded_at=at,
        by=by.name,
    )
    session.add(membership)
    session.flush()
    audit.note(
        session,
        by,
        "animal joined group",
        animal.code,
        at=at,
        site_id=group.site_id,
        after=joined,
        detail={"group": group.code, "from": from_at.isoformat()},
    )
    return membership, group, animal


def leave(
    session: Session, number: int, left: MembershipEndIn, *, at: datetime, by: Actor
) -> tuple[GroupMembership, AnimalGroup, Animal]:
    """An animal leaves a group. Raises NotFound, Invalid before it joined, Conflict if it left."""
    membership, group, animal = queries.membership_by_id(session, number, by=by)
    until = left.until or at
    if until <= membership.from_at:
        raise Invalid.at("until", "lies before the animal joined")
    if membership.until_at is not None and membership.until_at <= at:
        raise Conflict(f"{animal.code} has left {group.code} before", kind="already-over")
    membership.until_at = until
    session.add(membership)
    session.flush()
    audit.note(
        session,
        by,
        "animal left group",
        animal.code,
        at=at,
        site_id=group.site_id,
        after=left,
        detail={"group": group.code, "until": until.isoformat()},
    )
    return membership, group, animal
