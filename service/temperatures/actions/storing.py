"""Storing readings together with the hours they change, under the probes' locks."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import Connection, text
from sqlmodel import Session, SQLModel

from service.database import upsert
from service.science.arrays import Indices
from service.science.exposure import HOUR_S, HourRollups, hour_rollups
from service.security import audit
from service.security.actor import Actor
from service.site import queries as sites
from service.site.queries import SiteView
from service.temperatures import queries
from service.temperatures.actions.decoding import Decoded, Row
from service.temperatures.rules import KINETICS_VERSION, rate_tables
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
        _insert(connection, batch)
        for site_id, view in views.items():
            mine = [p.id for p in probes.values() if p.site_id == site_id]
            part = batch.only(np.isin(batch.probe_id, mine))
            if part.index.size:
                _roll_up(connection, part, around.of(mine), int(view.policy.gap_minutes * 60))
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


@dataclass(frozen=True)
class _Series:
    probe_id: Indices
    at_s: Indices
    centi_c: Indices

    def of(self, probe_ids: list[int]) -> "_Series":
        keep = np.isin(self.probe_id, probe_ids)
        return _Series(self.probe_id[keep], self.at_s[keep], self.centi_c[keep])


_AROUND = text(
    "SELECT at_s, centi_c FROM reading WHERE probe_id = :probe AND at_s >= :low AND at_s < :high"
    " ORDER BY at_s"
)


def _existing_around(connection: Connection, batch: _Batch) -> _Series:
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
    series = _Series(probe, pairs[:, 0], pairs[:, 1])
    if not parts:
        return series
    _, unique = np.unique(np.stack((series.probe_id, series.at_s)), axis=1, return_index=True)
    return _Series(series.probe_id[unique], series.at_s[unique], series.centi_c[unique])


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


def _without_known(batch: _Batch, around: _Series, rejected: dict[int, str]) -> tuple[_Batch, int]:
    """The batch without rows whose probe and second are stored already."""
    if not around.at_s.size or not batch.index.size:
        return batch, 0
    stored = _keys(around.probe_id, around.at_s)  # sorted, as both columns are
    wanted = _keys(batch.probe_id, batch.at_s)
    position = np.minimum(np.searchsorted(stored, wanted), stored.size - 1)
    known = stored[position] == wanted
    differs = known & (around.centi_c[position] != batch.centi_c)
    for index in batch.index[differs]:
        rejected[int(index)] = "another value is stored for this probe and second"
    return batch.only(~known), int((known & ~differs).sum())


def _keys(probe_id: Indices, at_s: Indices) -> Indices:
    """One sortable number of probe and second; seconds fit in 40 bits until the year 36 000."""
    keys: Indices = (probe_id << 40) + at_s
    return keys


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


def _roll_up(connection: Connection, batch: _Batch, around: _Series, gap_s: int) -> None:
    """Compute again every hour from the one before the first reading to the one after the last."""
    probe = np.concatenate((around.probe_id, batch.probe_id))
    at_s = np.concatenate((around.at_s, batch.at_s))
    centi = np.concatenate((around.centi_c, batch.centi_c))
    order = np.lexsort((at_s, probe))
    probe, at_s, centi = probe[order], at_s[order], centi[order]
    hours = hour_rollups(probe, at_s, centi / 100.0, gap_s=gap_s, rates=rate_tables())
    touched = np.unique(
        _keys(
            np.repeat(batch.probe_id, 3),
            (batch.at_s[:, None] // HOUR_S * HOUR_S + np.array([-HOUR_S, 0, HOUR_S])).ravel(),
        )
    )
    changed = np.isin(_keys(hours.series, hours.hour_s), touched)
    versions = _bump(connection, np.unique(batch.probe_id))
    table = SQLModel.metadata.tables["probe_hour"]
    statement = upsert(connection.dialect.name, table, ["probe_id", "hour_s"])
    connection.execute(statement, _hour_rows(hours, np.flatnonzero(changed), versions))


def _bump(connection: Connection, probe_ids: Indices) -> dict[int, int]:
    """Raise the version of these probes; caches elsewhere fetch what is newer."""
    statement = text("UPDATE probe SET version = version + 1 WHERE id = :id RETURNING version")
    return {
        int(i): int(connection.execute(statement, {"id": int(i)}).scalar_one()) for i in probe_ids
    }


def _hour_rows(
    hours: HourRollups, chosen: Indices, versions: dict[int, int]
) -> Sequence[dict[str, object]]:
    above = hours.above_s.astype("<f8")
    integrals = hours.integrals.astype("<f8")
    names = (
        "probe_id",
        "hour_s",
        "readings",
        "covered_s",
        "mean_c",
        "m2",
        "min_c",
        "max_c",
        "first_at_s",
        "first_c",
        "last_at_s",
        "last_c",
    )
    columns = (
        hours.series,
        hours.hour_s,
        hours.readings,
        hours.covered_s,
        hours.mean_c,
        hours.m2,
        hours.min_c,
        hours.max_c,
        hours.first_at_s,
        hours.first_c,
        hours.last_at_s,
        hours.last_c,
    )
    plain = zip(*(column[chosen].tolist() for column in columns), strict=True)
    return [
        dict(zip(names, row, strict=True))
        | {
            "above_s": above[i].tobytes(),
            "integrals": integrals[i].tobytes(),
            "kinetics": KINETICS_VERSION,
            "version": versions[int(hours.series[i])],
        }
        for row, i in zip(plain, chosen, strict=True)
    ]
