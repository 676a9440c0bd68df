"""What every change of a probe's past has in common: locks, and telling those who look."""

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import case, update
from sqlmodel import Session, col

from service.errors import Invalid
from service.http.bodies import refuse_future
from service.probes import queries
from service.probes.models import Probe
from service.probes.schemas import Since, WithdrawalIn
from service.site.rules import default_policy

STILL = 2**40  # seconds since 1970, later than any reading


def begin_of(said: datetime | None, *, at: datetime, field: str = "from") -> int:
    """The second since which something is so: what was said, else now. Raises Invalid for
    the future."""
    refuse_future(said, now=at, skew=default_policy().skew, field=field)
    return int((said or at).timestamp())


def since(said: Since, *, at: datetime) -> int:
    """The second since which something is so. Raises Invalid for the future."""
    refuse_future(said.occurred_at, now=at, skew=default_policy().skew)
    return begin_of(said.from_at or said.occurred_at, at=at)


def withdrawn(said: WithdrawalIn, *, at: datetime) -> datetime:
    """When something was withdrawn. Raises Invalid for the future."""
    refuse_future(said.occurred_at, now=at, skew=default_policy().skew)
    return said.occurred_at or at


def end_of(said: datetime | None, from_s: int, *, at: datetime) -> int | None:
    """The second until which it is so. Raises Invalid for the future and for before its begin."""
    if said is None:
        return None
    until_s = begin_of(said, at=at, field="until")
    if until_s <= from_s:
        raise Invalid.at("until", "must be after from")
    return until_s


def note_change(session: Session, probe_ids: Collection[int], from_s: int) -> None:
    """What these probes measured counts otherwise from an instant on.

    Caches see it by the version, and the watch judges again from there. The probes are
    locked already.
    """
    session.execute(
        update(Probe)
        .where(col(Probe.id).in_(probe_ids))
        .values(
            version=Probe.version + 1,
            watched_until_s=case(
                (col(Probe.watched_until_s) > from_s, from_s), else_=col(Probe.watched_until_s)
            ),
        )
    )


def note_places_changed(session: Session, place_ids: Collection[int], from_s: int) -> None:
    """Another probe may stand for these places from an instant on: all that hung there since."""
    note_change(session, queries.probes_that_hung_in(session, place_ids, from_s), from_s)
