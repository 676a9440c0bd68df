"""Readings rolled up into hours, and the hours stored: shared by storing and rebuilding."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, text
from sqlmodel import SQLModel

from service.database import upsert
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


def bump(connection: Connection, probe_ids: Collection[int]) -> dict[int, int]:
    """Raise the version of these probes; caches elsewhere fetch what is newer. Locks them."""
    statement = text("UPDATE probe SET version = version + 1 WHERE id = :id RETURNING version")
    return {i: connection.execute(statement, {"id": i}).scalar_one() for i in sorted(probe_ids)}


def write_hours(
    connection: Connection, hours: HourRollups, chosen: Indices, versions: Mapping[int, int]
) -> None:
    """Store these rows of the hours instead of what was there. One statement."""
    if chosen.size:
        connection.execute(_upsert(connection.dialect.name), _rows(hours, chosen, versions))


@lru_cache(maxsize=2)
def _upsert(dialect: str) -> Any:
    return upsert(dialect, SQLModel.metadata.tables["probe_hour"], ["probe_id", "hour_s"])


_NAMES = (
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


def _rows(
    hours: HourRollups, chosen: Indices, versions: Mapping[int, int]
) -> Sequence[dict[str, object]]:
    above = hours.above_s.astype("<f8")
    integrals = hours.integrals.astype("<f8")
    columns = (hours.series, *(getattr(hours, name) for name in _NAMES[1:]))
    plain = zip(*(column[chosen].tolist() for column in columns), strict=True)
    return [
        dict(zip(_NAMES, row, strict=True))
        | {
            "above_s": above[i].tobytes(),
            "integrals": integrals[i].tobytes(),
            "kinetics": KINETICS_VERSION,
            "version": versions[row[0]],
        }
        for row, i in zip(plain, chosen, strict=True)
    ]
