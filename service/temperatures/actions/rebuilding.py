"""Hours made again from raw readings: after an offset, another gap, other rates."""

from collections.abc import Iterator
from datetime import datetime

import numpy as np
from sqlmodel import Session

from service.clock import Clock
from service.database import Database
from service.probes import queries as probes
from service.science.exposure import HOUR_S
from service.security.transactions import transaction
from service.site import queries as sites
from service.temperatures import queries
from service.temperatures.actions.rolling import Series, bump, roll_up, write_hours
from service.temperatures.models import HoursMade
from service.temperatures.rules import KINETICS_VERSION

CHUNK_S = 31 * 24 * HOUR_S
FIRST_GAP_S, FIRST_KINETICS = 3600, 1  # with what hours were made before it was kept


def rebuild_hours(
    session: Session, probe_id: int, from_s: int, until_s: int, *, gap_s: int
) -> None:
    """Make the hours again that readings in [from_s, until_s) reach into, offsets applied.

    The probe is locked until commit and its version raised, once. Hours whose raw
    readings are kept no longer stay as they are. Read and written a month at a time;
    cost: the readings of the time, however many there are outside it.
    """
    from_s = max(from_s, queries.raw_kept_from(session, probe_id))
    if until_s <= from_s:
        return
    connection = session.connection()
    versions = {probe_id: bump(connection, [probe_id])[probe_id].version}
    offsets = probes.offsets(session, [probe_id])
    for first, end in _chunks(from_s, until_s):
        at_s, centi_c = queries.as_read(session, probe_id, first - HOUR_S, end + HOUR_S)
        if not at_s.size:
            continue
        series = Series(np.full_like(at_s, probe_id), at_s, centi_c).corrected(offsets)
        hours = roll_up(series, gap_s=gap_s)
        inside = np.flatnonzero((hours.hour_s >= first) & (hours.hour_s < end))
        write_hours(connection, hours, inside, versions)


def _chunks(from_s: int, until_s: int) -> Iterator[tuple[int, int]]:
    """Whole hours that the time reaches into, one more on both sides, in bounded stretches."""
    first = from_s // HOUR_S * HOUR_S - HOUR_S
    end = -(-until_s // HOUR_S) * HOUR_S + HOUR_S
    for begin in range(first, end, CHUNK_S):
        yield begin, min(begin + CHUNK_S, end)


def rebuild_outdated(database: Database, clock: Clock) -> None:
    """Make the hours again of every probe whose site has another longest gap now, or whose
    hours carry other rates: a month of one probe in each transaction, oldest first.

    Killed anywhere, it goes on there. Between two of them others write.
    """
    left = True
    while left:
        with transaction(database.writer) as session:
            left = rebuild_some(session, at=clock())


def rebuild_some(session: Session, *, at: datetime) -> bool:
    """A month of one probe's hours that were made with another gap or other rates; whether
    there was any. What is stored meanwhile is made with the new ones already."""
    gaps: dict[int, int] = {}
    for probe in queries.every_probe(session):
        if probe.site_id not in gaps:
            policy = sites.view(session, probe.site_id, at=at).policy
            gaps[probe.site_id] = int(policy.gap_minutes * 60)
        if _rebuild_a_month(session, probe.id, gaps[probe.site_id]):
            return True
    return False


def _rebuild_a_month(session: Session, probe_id: int, gap_s: int) -> bool:
    made = session.get(HoursMade, probe_id) or HoursMade(
        probe_id=probe_id, gap_s=FIRST_GAP_S, kinetics=FIRST_KINETICS
    )
    changed = (made.gap_s, made.kinetics) != (gap_s, KINETICS_VERSION)
    if made.until_s is None and not changed:
        return False
    first_s, last_s = queries.first_and_last_hour(session, probe_id)
    from_s = first_s if changed or made.until_s is None else made.until_s
    until_s = max(from_s, queries.raw_kept_from(session, probe_id)) + CHUNK_S
    rebuild_hours(session, probe_id, from_s, until_s, gap_s=gap_s)
    made.gap_s, made.kinetics = gap_s, KINETICS_VERSION
    made.until_s = until_s if until_s <= last_s else None
    session.add(made)
    return True
