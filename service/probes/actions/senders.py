"""Naming the devices that may send a probe's readings."""

from collections.abc import Sequence
from datetime import datetime

from sqlmodel import Session, col, select

from service.errors import Conflict, NotFound
from service.probes import queries
from service.probes.models import Probe, ProbeSender
from service.security import audit
from service.security.actor import Actor
from service.security.models import User
from service.security.rules import Role


def name_senders(
    session: Session, codes: Sequence[str], user: str, *, at: datetime, by: Actor
) -> None:
    """A device may send the readings of these probes from now on, and of no others.

    A probe that is named already stays so. Raises NotFound for a probe or user, Conflict
    for a user who is no device: people may send those of all their sites.
    """
    sender = _device(session, user)
    for code in codes:
        probe, place = queries.probe_by_code(session, code, by=by)
        if _named(session, probe, sender) is None:
            session.add(ProbeSender(probe_id=probe.id or 0, user_id=sender.id or 0))
            session.flush()
            audit.note(
                session,
                by,
                "sender named",
                probe.code,
                at=at,
                site_id=place.site_id,
                detail={"user": sender.name},
            )


def remove_sender(session: Session, code: str, user: str, *, at: datetime, by: Actor) -> None:
    """A device may not send the readings of a probe any more.

    One that then is named by no probe may send those that name nobody. Raises NotFound
    for a probe or user, and where the probe does not name it.
    """
    sender = _device(session, user)
    probe, place = queries.probe_by_code(session, code, by=by)
    named = _named(session, probe, sender)
    if named is None:
        raise NotFound.of("sender", sender.name, "user")
    session.delete(named)
    session.flush()
    audit.note(
        session,
        by,
        "sender removed",
        probe.code,
        at=at,
        site_id=place.site_id,
        detail={"user": sender.name},
    )


def _device(session: Session, name: str) -> User:
    user = session.exec(select(User).where(col(User.name) == name)).one_or_none()
    if user is None:
        raise NotFound.of("user", name, "user")
    if user.role != Role.DEVICE:
        raise Conflict(
            f"{name} is no device but a {user.role}",
            advice="People and programs may send the readings of all their sites.",
        )
    return user


def _named(session: Session, probe: Probe, sender: User) -> ProbeSender | None:
    return session.get(ProbeSender, (probe.id, sender.id))
