"""Readings rolled up into hours, and the hours stored: shared by storing and rebuilding."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, bindparam, text

from service.probes.rules import Offsets
from service.science.arrays import Indices
from service.science.exposure import HOUR_S, HourRollups, hour_rollups
from service.temperatures.rules import KINETICS_VERSION, rate_tables


@dataclass(frozen=True)
class Series:
    """Readings of some probes as they came, sorted by probe and second; arrays of one length."""

    probe_id: Indices
    at_s: Indices
    centi_c: Indices

    def only(self, keep: npt.NDArray[np.bool_] | Indices) -> "Series":
        """Some of the readings, in their order."""
        return Series(self.probe_id[keep], self.at_s[keep], self.centi_c[keep])

    def corrected(self, offsets: Mapping[int, Offsets]) -> "Series":
        """The readings with what their probes are off by. O(probes with offsets + readings)."""
        if not offsets:
            return self
        centi_c = self.centi_c.copy()
        for probe_id, off in offsets.items():
            mine = self.probe_id == probe_id
            centi_c[mine] += off.of(self.at_s[mine])
        return Series(self.probe_id, self.at_s, centi_c)


def keys(probe_id: Indices, at_s: Indices) -> Indices:
    """One sortable number of probe and second; seconds fit in 40 bits until the year 36 000."""
    together: Indices = (probe_id << 40) + at_s
    return together


def roll_up(series: Series, *, gap_s: int) -> HourRollups:
    """The hours of corrected readings, at least one."""
    return hour_rollups(
        series.probe_id, series.at_s, series.centi_c / 100.0, gap_s=gap_s, rates=rate_tables()
    )


def hours_reached(at_s: Indices) -> Indices:
    """The beginnings of the hours that a reading may change, shape (n, 3).

    A straight line between two readings is at most an hour long (`gap_minutes`), so what
    is read at an instant reaches into the hour before and the hour after, no further.
    """
    reached: Indices = at_s[:, None] // HOUR_S * HOUR_S + np.array([-HOUR_S, 0, HOUR_S])
    return reached


@dataclass(frozen=True)
class Mark:
    """A probe's version, and up to when the watch has judged it."""

    version: int
    watched_until_s: int


_BUMP = text(
    "UPDATE probe SET version = version + 1 WHERE id IN :ids RETURNING id, version, watched_until_s"
).bindparams(bindparam("ids", expanding=True))


def bump(connection: Connection, probe_ids: Collection[int]) -> dict[int, Mark]:
    """Raise the version of these probes; caches elsewhere fetch what is newer. Locks them."""
    rows = connection.execute(_BUMP, {"ids": list(probe_ids)})
    return {row.id: Mark(row.version, row.watched_until_s) for row in rows}


_NUMBERS = ("probe_id", "hour_s", "readings", "first_at_s", "last_at_s", "kinetics", "version")
_BYTES = ("above_s", "integrals")
_COLUMNS = (
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
    "above_s",
    "integrals",
    "kinetics",
    "version",
)


def write_hours(
    connection: Connection, hours: HourRollups, chosen: Indices, versions: Mapping[int, int]
) -> None:
    """Store these rows of the hours instead of what was there. One statement."""
    if not chosen.size:
        return
    columns = _columns(hours, chosen, versions)
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(_statement("sqlite"), list(zip(*columns, strict=True)))
    else:
        connection.exec_driver_sql(_statement("postgresql"), tuple(columns))


@lru_cache(maxsize=2)
def _statement(dialect: str) -> str:
    """SQLite takes row after row; PostgreSQL whole columns, in one go."""
    if dialect == "sqlite":
        rows = f"VALUES ({', '.join('?' * len(_COLUMNS))})"
    else:
        rows = f"SELECT * FROM unnest({', '.join(f'%s::{_kind(name)}[]' for name in _COLUMNS)})"
    changed = ", ".join(f"{name} = excluded.{name}" for name in _COLUMNS[2:])
    return (
        f"INSERT INTO probe_hour ({', '.join(_COLUMNS)}) {rows}"
        f" ON CONFLICT (probe_id, hour_s) DO UPDATE SET {changed}"
    )


def _kind(name: str) -> str:
    return "bigint" if name in _NUMBERS else "bytea" if name in _BYTES else "float8"


def _columns(
    hours: HourRollups, chosen: Indices, versions: Mapping[int, int]
) -> list[Sequence[object]]:
    above = hours.above_s.astype("<f8")
    integrals = hours.integrals.astype("<f8")
    probe_ids = hours.series[chosen].tolist()
    return [
        probe_ids,
        *(getattr(hours, name)[chosen].tolist() for name in _COLUMNS[1:12]),
        [above[i].tobytes() for i in chosen],
        [integrals[i].tobytes() for i in chosen],
        [KINETICS_VERSION] * chosen.size,
        [versions[probe_id] for probe_id in probe_ids],
    ]
