"""Storing readings together with the hours they change, under the probes' locks."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import Connection, text
from sqlmodel import Session

from service.probes.queries import offsets as offsets_of
from service.probes.rules import Offsets
from service.science.arrays import Indices
from service.science.exposure import HOUR_S
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.temperatures import queries
from service.temperatures.actions.decoding import Decoded, Row
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


@dataclass
class _Batch:
    """Rows that may be stored, as arrays of equal length."""

    index: Indices
    probe_id: Indices
    at_s: Indices
    centi_c: Indices

    def only(self, keep: np.typing.NDArray[np.bool_] | Indices) -> "_Batch":
        return _Batch(self.index[keep], self.probe_id[keep], self.at_s[keep], self.centi_c[keep])


def store(session: Session, decoded: Decoded, *, at: datetime, by: Actor) -> ReadingsOut:
    """Store the rows that can be, and say of each other why not.

    Known probes are locked in order; the same probe and second twice is a
    duplicate when the value is the same, else the first stays. Cost: grows with
    the rows sent and the hours they touch, not with history.
    """
    rejected = dict(decoded.rejected)
    codes = {code.upper() for code in {row.probe for row in decoded.rows}}
    probes = queries.lock_probes(session, codes, by=by)
    views = {
        site: sites.view(session, site, at=at) for site in {p.site_id for p in probes.values()}
    }
    batch = _acceptable(decoded, probes, views, at, rejected)
    batch, duplicates = _without_repeats(batch, rejected)
    connection = session.connection()
    around = _existing_around(connection, batch)
    batch, known = _without_known(batch, around, rejected)
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
                )
    listed = sorted(rejected.items())
    return ReadingsOut(
        stored=int(batch.index.size),
        duplicates=duplicates + known,
        rejected=[RejectedReading(index=i, reason=reason) for i, reason in listed],
    )


def _digest(batch: _Batch) -> str:
    hashed = hashlib.sha256()
    for column in (batch.probe_id, batch.at_s, batch.centi_c):
        hashed.update(column.tobytes())
    return hashed.hexdigest()


def _acceptable(
    decoded: Decoded,
    probes: dict[str, queries.ProbeView],
    views: dict[int, SiteView],
    at: datetime,
    rejected: dict[int, str],
) -> _Batch:
    """Rows of known probes, in range and not in the future.

    All rows are judged at once; only one that is refused is looked at by itself.
    """
    rows = decoded.rows
    named = {code: probes.get(code.upper()) for code in {row.probe for row in rows}}
    ids = {code: probe.id if probe is not None else 0 for code, probe in named.items()}
    index = np.array(decoded.indices, dtype=np.int64)
    probe_id = np.array([ids[row.probe] for row in rows], dtype=np.int64)
    at_s = np.array([row.at.timestamp() for row in rows], dtype=np.float64)
    temperature_c = np.array([row.temperature_c for row in rows], dtype=np.float64)
    fine = np.zeros(len(rows), dtype=np.bool_)
    for site, view in views.items():
        policy = view.policy
        fine |= (
            np.isin(probe_id, [p.id for p in probes.values() if p.site_id == site])
            & (temperature_c >= policy.reading_min)
            & (temperature_c <= policy.reading_max)
            & (at_s <= (at + policy.skew).timestamp())
        )
    for probe in probes.values():
        if probe.raw_kept_from_s:
            fine &= (probe_id != probe.id) | (at_s >= probe.raw_kept_from_s)
    for position in np.flatnonzero(~fine).tolist():
        row = rows[position]
        rejected[decoded.indices[position]] = _why_not(row, named[row.probe], views)
    return _Batch(
        index[fine],
        probe_id[fine],
        np.floor(at_s[fine]).astype(np.int64),
        np.rint(temperature_c[fine] * 100).astype(np.int64),
    )


def _why_not(row: Row, probe: queries.ProbeView | None, views: dict[int, SiteView]) -> str:
    """What keeps a row from being stored."""
    if probe is None:
        return f"unknown probe {row.probe[:40]}"
    policy = views[probe.site_id].policy
    if not policy.reading_min <= row.temperature_c <= policy.reading_max:
        return (
            f"temperature_c: {row.temperature_c:g} is outside {policy.reading_min:g} to "
            f"{policy.reading_max:g} °C"
        )
    if row.at.timestamp() < probe.raw_kept_from_s:
        kept_from = queries.instant(probe.raw_kept_from_s)
        return f"at: raw readings before {kept_from:%Y-%m-%d %H:%M} UTC are no longer kept"
    return "at: lies in the future"


def _without_repeats(batch: _Batch, rejected: dict[int, str]) -> tuple[_Batch, int]:
    """The first of each probe and second, sorted by them."""
    order = np.lexsort((batch.index, batch.at_s, batch.probe_id))
    batch = batch.only(order)
    if batch.index.size == 0:
        return batch, 0
    same = (batch.probe_id[1:] == batch.probe_id[:-1]) & (batch.at_s[1:] == batch.at_s[:-1])
    first = np.concatenate(([True], ~same))
    group = np.flatnonzero(first)[np.cumsum(first) - 1]
    differs = batch.centi_c != batch.centi_c[group]
    for index in batch.index[differs]:
        rejected[int(index)] = "another value was sent for this probe and second"
    return batch.only(first), int((~first & ~differs).sum())


_AROUND = text(
    "SELECT at_s, centi_c FROM reading WHERE probe_id = :probe AND at_s >= :low AND at_s < :high"
    " ORDER BY at_s"
)


def _existing_around(connection: Connection, batch: _Batch) -> Series:
    """Stored readings within two hours of the hours that the batch touches."""
    parts: list[tuple[int, list[tuple[int, int]]]] = []
    for probe_id, low, high in _runs(batch):
        rows = connection.execute(
            _AROUND, {"probe": probe_id, "low": low - 2 * HOUR_S, "high": high + 2 * HOUR_S}
        ).all()
        parts.append((probe_id, [(r[0], r[1]) for r in rows]))
    pairs = np.array([pair for _, rows in parts for pair in rows], dtype=np.int64).reshape(-1, 2)
    probe = np.repeat(
        np.array([p for p, _ in parts], dtype=np.int64), [len(rows) for _, rows in parts]
    )
    series = Series(probe, pairs[:, 0], pairs[:, 1])
    if not parts:
        return series
    _, unique = np.unique(np.stack((series.probe_id, series.at_s)), axis=1, return_index=True)
    return Series(series.probe_id[unique], series.at_s[unique], series.centi_c[unique])


def _runs(batch: _Batch) -> list[tuple[int, int, int]]:
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


def _without_known(batch: _Batch, around: Series, rejected: dict[int, str]) -> tuple[_Batch, int]:
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


def _insert(connection: Connection, batch: _Batch) -> None:
    rows = list(
        zip(batch.probe_id.tolist(), batch.at_s.tolist(), batch.centi_c.tolist(), strict=True)
    )
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(
            "INSERT INTO reading (probe_id, at_s, centi_c) VALUES (?, ?, ?)", rows
        )
        return
    cursor = connection.connection.cursor()
    with cursor.copy("COPY reading (probe_id, at_s, centi_c) FROM STDIN") as copy:
        for row in rows:
            copy.write_row(row)


def _roll_up(
    connection: Connection,
    batch: _Batch,
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
    write_hours(connection, hours, changed, bump(connection, np.unique(batch.probe_id).tolist()))
