"""Storing readings together with the hours they change, under the probes' locks.

Whether a place was too warm is judged by the watch, outside of this transaction: it
goes forward from each probe's `watched_until_s`, which a late reading sets back.
"""

import hashlib
from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache
from itertools import chain

import numpy as np
from sqlalchemy import Connection, TextClause, bindparam, text
from sqlmodel import Session

from service.probes.queries import offsets as offsets_of
from service.probes.rules import Offsets
from service.science.exposure import HOUR_S
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.temperatures import queries
from service.temperatures.actions import clocks
from service.temperatures.actions.accepting import (
    Batch,
    acceptable,
    columns_of,
    without_repeats,
)
from service.temperatures.actions.decoding import Decoded
from service.temperatures.actions.partitions import ensure_partitions
from service.temperatures.actions.rolling import (
    Series,
    bump,
    hours_reached,
    keys,
    roll_up,
    write_hours,
)
from service.temperatures.schemas import ReadingsOut, RejectedReading

ROWS_OF_A_STATEMENT = 50  # SQLite: a third faster than one by one; more gain nothing
RUNS_OF_A_STATEMENT = 50


def store(
    session: Session,
    decoded: Decoded,
    *,
    at: datetime,
    by: Actor,
    device_time: datetime | None = None,
) -> ReadingsOut:
    """Store the rows that can be, and say of each other why not.

    device_time : what the sender's clock shows now; where it is wrong, its instants are
    corrected. Known probes are locked in order; the same probe and second twice is a
    duplicate when the value is the same, else the first stays. Cost: grows with the rows
    sent and the hours they touch, not with history.
    """
    rejected = dict(decoded.rejected)
    codes = {code.upper() for code in {row.probe for row in decoded.rows}}
    probes = queries.lock_probes(session, codes, by=by)
    views = {
        site: sites.view(session, site, at=at) for site in {p.site_id for p in probes.values()}
    }
    sent = columns_of(decoded, probes)
    barred = queries.barred(session, [probe.id for probe in probes.values()], by=by)
    skew = min((view.policy.skew for view in views.values()), default=None)
    clock = clocks.reading_of(session, device_time, sent.newest(), skew, at=at, by=by)
    batch = acceptable(sent, views, barred, ahead_s=clock.correct_s, at=at, rejected=rejected)
    batch, duplicates = without_repeats(batch, rejected)
    connection = session.connection()
    around = _existing_around(connection, batch)
    batch, stored_before = _without_stored(batch, around, rejected)
    if batch.index.size:
        ensure_partitions(connection, batch.at_s)
        _insert(connection, batch)
        offsets = offsets_of(session, np.unique(batch.probe_id).tolist())
        for site_id, view in views.items():
            mine = [p.id for p in probes.values() if p.site_id == site_id]
            part = batch.only(np.isin(batch.probe_id, mine))
            if part.index.size:
                near = around.only(np.isin(around.probe_id, mine))
                _roll_up(connection, part, near, offsets, int(view.policy.gap_minutes * 60))
                audit.note(
                    session,
                    by,
                    "readings stored",
                    f"{part.index.size} readings",
                    at=at,
                    site_id=site_id,
                    after=_digest(part),
                    detail=clock.detail(),
                )
    clocks.notice(session, clock, at=at, by=by)
    listed = sorted(rejected.items())
    return ReadingsOut(
        stored=int(batch.index.size),
        duplicates=duplicates + stored_before,
        rejected=[RejectedReading(index=i, reason=reason) for i, reason in listed],
        clock_skew_s=clock.said_s,
    )


def _digest(batch: Batch) -> str:
    hashed = hashlib.sha256()
    for column in (batch.probe_id, batch.at_s, batch.centi_c):
        hashed.update(column.tobytes())
    return hashed.hexdigest()


def _existing_around(connection: Connection, batch: Batch) -> Series:
    """Stored readings within two hours of the hours that the batch touches, in order."""
    runs = _runs(batch)
    found = [np.zeros(0, dtype=np.int64)]
    for first in range(0, len(runs), RUNS_OF_A_STATEMENT):
        some = runs[first : first + RUNS_OF_A_STATEMENT]
        values = {
            f"{name}{number}": value
            for number, (probe_id, low, high) in enumerate(some)
            for name, value in (
                ("probe", probe_id),
                ("low", low - 2 * HOUR_S),
                ("high", high + 2 * HOUR_S),
            )
        }
        rows = connection.execute(_around(len(some)), values)
        found.append(np.fromiter(chain.from_iterable(rows), dtype=np.int64))
    table = np.concatenate(found).reshape(-1, 3)
    series = Series(table[:, 0], table[:, 1], table[:, 2])
    return series.only(np.lexsort((series.at_s, series.probe_id)))


@lru_cache(maxsize=RUNS_OF_A_STATEMENT)
def _around(runs: int) -> TextClause:
    """One select for so many stretches: each is its own range of the key."""
    part = (
        "SELECT probe_id, at_s, centi_c FROM reading"
        " WHERE probe_id = :probe{0} AND at_s >= :low{0} AND at_s < :high{0}"
    )
    return text(" UNION ALL ".join(part.format(number) for number in range(runs)))


def _runs(batch: Batch) -> list[tuple[int, int, int]]:
    """(probe, start, end) of stretches of hours touched, joined where they are near."""
    if batch.index.size == 0:
        return []
    hour = batch.at_s // HOUR_S * HOUR_S
    apart = (batch.probe_id[1:] != batch.probe_id[:-1]) | (hour[1:] - hour[:-1] > 4 * HOUR_S)
    starts = np.flatnonzero(np.concatenate(([True], apart)))
    ends = np.concatenate((starts[1:], [hour.size])) - 1
    return [
        (int(batch.probe_id[s]), int(hour[s]), int(hour[e]) + HOUR_S)
        for s, e in zip(starts, ends, strict=True)
    ]


def _without_stored(batch: Batch, around: Series, rejected: dict[int, str]) -> tuple[Batch, int]:
    """The batch without rows whose probe and second are stored already."""
    if not around.at_s.size or not batch.index.size:
        return batch, 0
    stored = keys(around.probe_id, around.at_s)  # sorted, as both columns are
    wanted = keys(batch.probe_id, batch.at_s)
    position = np.minimum(np.searchsorted(stored, wanted), stored.size - 1)
    known = stored[position] == wanted
    differs = known & (around.centi_c[position] != batch.centi_c)
    for index in batch.index[differs]:
        rejected[int(index)] = "another value is stored for this probe and second"
    return batch.only(~known), int((known & ~differs).sum())


def _insert(connection: Connection, batch: Batch) -> None:
    if connection.dialect.name == "sqlite":
        _insert_in_groups(connection, batch)
    else:
        _copy(connection, batch)


def _insert_in_groups(connection: Connection, batch: Batch) -> None:
    """Into SQLite: many rows a statement, so that less is spent on each."""
    values = np.stack((batch.probe_id, batch.at_s, batch.centi_c), axis=1)
    whole = len(values) // ROWS_OF_A_STATEMENT * ROWS_OF_A_STATEMENT
    head = "INSERT INTO reading (probe_id, at_s, centi_c) VALUES "
    if whole:
        groups = values[:whole].reshape(-1, 3 * ROWS_OF_A_STATEMENT).tolist()
        rows = ", ".join(["(?, ?, ?)"] * ROWS_OF_A_STATEMENT)
        connection.exec_driver_sql(head + rows, [tuple(group) for group in groups])
    if whole < len(values):
        rest = [tuple(row) for row in values[whole:].tolist()]
        connection.exec_driver_sql(head + "(?, ?, ?)", rest)


_COPY_HEAD = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_COPY_ROW = np.dtype(
    [
        ("fields", ">i2"),
        ("probe_length", ">i4"),
        ("probe_id", ">i4"),
        ("at_length", ">i4"),
        ("at_s", ">i8"),
        ("centi_length", ">i4"),
        ("centi_c", ">i4"),
    ]
)
_COPY_END = b"\xff\xff"


def _copy(connection: Connection, batch: Batch) -> None:
    """Into PostgreSQL in its binary format (documented with COPY): no text is made or read."""
    rows = np.zeros(batch.index.size, dtype=_COPY_ROW)
    rows["fields"], rows["probe_length"], rows["at_length"], rows["centi_length"] = 3, 4, 8, 4
    rows["probe_id"], rows["at_s"], rows["centi_c"] = batch.probe_id, batch.at_s, batch.centi_c
    cursor = connection.connection.cursor()
    with cursor.copy("COPY reading (probe_id, at_s, centi_c) FROM STDIN (FORMAT BINARY)") as copy:
        copy.write(_COPY_HEAD + rows.tobytes() + _COPY_END)


def _roll_up(
    connection: Connection,
    batch: Batch,
    around: Series,
    offsets: Mapping[int, Offsets],
    gap_s: int,
) -> None:
    """Make every hour again that the new readings reach into."""
    probe = np.concatenate((around.probe_id, batch.probe_id))
    at_s = np.concatenate((around.at_s, batch.at_s))
    centi = np.concatenate((around.centi_c, batch.centi_c))
    series = Series(probe, at_s, centi).only(np.lexsort((at_s, probe)))
    hours = roll_up(series.corrected(offsets), gap_s=gap_s)
    reached = np.unique(keys(np.repeat(batch.probe_id, 3), hours_reached(batch.at_s).ravel()))
    changed = np.flatnonzero(np.isin(keys(hours.series, hours.hour_s), reached))
    versions = _changed_since(connection, batch)
    write_hours(connection, hours, changed, versions)


_SET_BACK = text("UPDATE probe SET watched_until_s = :first WHERE id = :id").bindparams(
    bindparam("first"), bindparam("id")
)


def _changed_since(connection: Connection, batch: Batch) -> dict[int, int]:
    """New versions of the batch's probes; the watch is sent back to where readings are late."""
    probe_ids, first = np.unique(batch.probe_id, return_index=True)  # in order of instants
    marks = bump(connection, probe_ids.tolist())
    late = [
        {"id": probe_id, "first": at_s}
        for probe_id, at_s in zip(probe_ids.tolist(), batch.at_s[first].tolist(), strict=True)
        if at_s < marks[probe_id].watched_until_s
    ]
    if late:
        connection.execute(_SET_BACK, late)
    return {probe_id: mark.version for probe_id, mark in marks.items()}
