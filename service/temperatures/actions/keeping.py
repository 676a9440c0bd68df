"""Many years of readings: months made ahead, and raw readings cut by policy. Hours stay for ever.

Run daily, in pieces: each is one transaction, takes a second or so, and leaves behind
what the next one needs to know, so it may be killed anywhere.
"""

import hashlib
from datetime import datetime

import numpy as np
from sqlmodel import Session, col, delete

from service.probes import queries as probes
from service.probes.models import Probe
from service.science.arrays import Indices
from service.security import audit
from service.security.actor import SERVICE
from service.site import queries as sites
from service.temperatures import queries
from service.temperatures.actions.partitions import (
    empty_months,
    ensure_partitions,
    make_months,
    month_in_the_rest,
    patiently,
)
from service.temperatures.models import Reading
from service.temperatures.rules.months import (
    cut_before,
    kept_from,
    months_ahead,
    raw_needed_from,
)

AHEAD = 3  # months: a worker that stands still for a quarter of a year is noticed
MOST_AT_ONCE = 50_000  # a month of readings a minute apart is 44 640


def keep_history(session: Session, *, at: datetime, undecided_since: datetime | None) -> bool:
    """Do one piece of keeping; whether another is left.

    undecided_since: when the first excursion began that nobody has decided yet. Raw
    readings of all sites are kept from then on, and from the arrival of the oldest fish on
    hand: what may have to be judged again can be read again. So fish that was forgotten in
    the books keeps them for longer, and never the other way round.
    """
    return _sort_into_months(session, at) or _cut_some(session, at, undecided_since)


def _sort_into_months(session: Session, at: datetime) -> bool:
    """Months ahead, and one month whose rows lie in the rest. Nothing on SQLite."""
    connection = session.connection()
    if connection.dialect.name == "sqlite":
        return False
    ahead = np.array([month.from_s for month in months_ahead(at, AHEAD)])
    ensure_partitions(connection, ahead)
    left = month_in_the_rest(connection)
    return left is not None and patiently(connection, lambda: make_months(connection, [left]))


def _cut_some(session: Session, at: datetime, undecided_since: datetime | None) -> bool:
    """The oldest readings of one probe that need be kept no longer; whether there were any."""
    arrived = queries.arrival_of_oldest_fish(session)
    needed = [instant for instant in (undecided_since, arrived) if instant is not None]
    edges: dict[int, int] = {}
    for probe in queries.every_probe(session):
        if probe.site_id not in edges:
            months = sites.view(session, probe.site_id, at=at).policy.raw_kept_months
            edges[probe.site_id] = raw_needed_from(at, months, needed)
        before_s = max(edges[probe.site_id], cut_before(probe.raw_kept_from_s))
        if _cut(session, probe.id, probe.site_id, before_s, at):
            return True
    connection = session.connection()
    if edges and connection.dialect.name != "sqlite":
        patiently(connection, lambda: empty_months(connection, min(edges.values())))
    return False


def _cut(session: Session, probe_id: int, site_id: int, before_s: int, at: datetime) -> bool:
    """Some of a probe's readings before a time, under its lock; whether there were any.

    A late reading that waits for the lock is judged by what is kept afterwards.
    """
    if not queries.first_readings(session, probe_id, before_s, limit=1)[0].size:
        return False
    probe = probes.lock_probe(session, probe_id)
    at_s, centi_c = queries.first_readings(session, probe_id, before_s, limit=MOST_AT_ONCE)
    probe.raw_kept_from_s = max(probe.raw_kept_from_s, kept_from(before_s))
    session.add(probe)
    session.flush()
    session.execute(
        delete(Reading).where(
            col(Reading.probe_id) == probe_id, col(Reading.at_s) <= int(at_s.max(initial=0))
        )
    )
    _note(session, probe, site_id, at_s, centi_c, at)
    return True


def _note(
    session: Session,
    probe: Probe,
    site_id: int,
    at_s: Indices,
    centi_c: Indices,
    at: datetime,
) -> None:
    audit.note(
        session,
        SERVICE,
        "raw readings cut",
        probe.code,
        at=at,
        site_id=site_id,
        detail={
            "from": queries.instant(int(at_s[0])).isoformat(),
            "to": queries.instant(int(at_s[-1])).isoformat(),
            "rows": int(at_s.size),
            "sha256": hashlib.sha256(at_s.tobytes() + centi_c.tobytes()).hexdigest(),
            "kept_from": queries.instant(probe.raw_kept_from_s).isoformat(),
        },
    )
