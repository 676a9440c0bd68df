"""Hours made again from raw readings: after an offset, another gap, other rates."""

from collections.abc import Iterator

import numpy as np
from sqlmodel import Session

from service.probes import queries as probes
from service.science.exposure import HOUR_S
from service.temperatures import queries
from service.temperatures.actions.rolling import Series, bump, roll_up, write_hours

CHUNK_S = 31 * 24 * HOUR_S


def rebuild_hours(
    session: Session, probe_id: int, from_s: int, until_s: int, *, gap_s: int
) -> None:
    """Make the hours again that readings in [from_s, until_s) reach into, offsets applied.

    The probe is locked until commit and its version raised, once. Hours whose raw
    readings are gone stay as they are. Read and written a month at a time; cost:
    the readings of the time, however many there are outside it.
    """
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
