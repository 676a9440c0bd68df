"""Every select of what is known of probes, their last readings included, and their hours."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from sqlalchemy import func
from sqlalchemy import select as columns
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from service.probes import queries as probes
from service.probes.models import (
    Calibration,
    Probe,
    ProbeConcern,
    ProbeFault,
    ProbeOffset,
    ProbeStay,
)
from service.probes.rules import Offsets, ProbeKind
from service.science.arrays import Array, Indices
from service.science.exposure import HOUR_S
from service.site import queries as sites
from service.site.models import Place
from service.temperatures.models import ProbeHour, Reading

Row = TypeVar("Row", ProbeStay, ProbeOffset, ProbeFault, Calibration, ProbeConcern)
LEAST_COVERED_S = 1800  # of an hour whose mean is compared


@dataclass(frozen=True)
class Known:
    """All that is known of one probe. home: the place that it hangs in, or hung in last.

    stays, offsets, faults in order; calibrations newest first; concerns that are open;
    last: its newest reading, corrected, s since 1970 and °C.
    """

    probe: Probe
    home: Place
    stays: Sequence[ProbeStay]
    offsets: Sequence[ProbeOffset]
    faults: Sequence[ProbeFault]
    calibrations: Sequence[Calibration]
    concerns: Sequence[ProbeConcern]
    last: tuple[int, float] | None
    places: dict[int, Place]

    @property
    def id(self) -> int:
        """The probe's number."""
        return self.probe.id or 0

    @property
    def kind(self) -> ProbeKind:
        """What it is in."""
        return ProbeKind(self.probe.kind)

    @property
    def taken_down(self) -> bool:
        """Whether it hangs nowhere now."""
        return self.stays[-1].place_id is None

    @property
    def faulty_since(self) -> int | None:
        """Since when it is broken; None while it is in order."""
        live = [f.from_s for f in self.faults if f.withdrawn_at is None and f.until_s is None]
        return min(live, default=None)

    def place_of(self, stay: ProbeStay) -> str | None:
        """The code of a stay's place; None where it was taken down."""
        return None if stay.place_id is None else self.places[stay.place_id].code


def known(session: Session, found: Sequence[tuple[Probe, Place]]) -> list[Known]:
    """All that is known of these probes, in their order. Eight queries, however many."""
    ids = [probe.id or 0 for probe, _ in found]
    stays = _by_probe(probes.stays_of(session, ids))
    offsets = _by_probe(probes.offset_rows(session, ids))
    faults = _by_probe(probes.faults(session, ids))
    calibrations = _by_probe(probes.calibrations(session, ids))
    concerns = _by_probe(probes.open_concerns(session, ids))
    last = last_readings(session, ids)
    named = {s.place_id for hung in stays.values() for s in hung if s.place_id is not None}
    places = sites.places_by_id(session, sorted(named))
    return [
        Known(
            probe,
            home,
            stays.get(i, []),
            offsets.get(i, []),
            faults.get(i, []),
            calibrations.get(i, []),
            concerns.get(i, []),
            last.get(i),
            places,
        )
        for i, (probe, home) in zip(ids, found, strict=True)
    ]


def _by_probe(rows: Sequence[Row]) -> dict[int, list[Row]]:
    found: dict[int, list[Row]] = {}
    for row in rows:
        found.setdefault(row.probe_id, []).append(row)
    return found


def last_readings(session: Session, probe_ids: Collection[int]) -> dict[int, tuple[int, float]]:
    """The newest reading of each probe, corrected; those without any are left out.

    Two queries, one look-up by key a probe.
    """
    every = aliased(Reading)
    newest = (
        columns(func.max(col(every.at_s)))
        .where(col(every.probe_id) == col(Probe.id))
        .correlate(Probe)
        .scalar_subquery()
    )
    rows = session.execute(
        columns(col(Reading.probe_id), col(Reading.at_s), col(Reading.centi_c))
        .select_from(Probe)
        .join(Reading, (col(Reading.probe_id) == col(Probe.id)) & (col(Reading.at_s) == newest))
        .where(col(Probe.id).in_(probe_ids))
    ).all()
    offsets = probes.offsets(session, [row[0] for row in rows])
    return {
        probe_id: (at_s, (centi_c + _offset(offsets, probe_id, at_s)) / 100)
        for probe_id, at_s, centi_c in rows
    }


def _offset(offsets: dict[int, Offsets], probe_id: int, at_s: int) -> int:
    known_ = offsets.get(probe_id)
    return 0 if known_ is None else int(known_.of(np.array([at_s]))[0])


def first_hour(session: Session, probe_id: int) -> int | None:
    """The earliest hour of a probe that was measured. One look-up by key."""
    statement = select(func.min(ProbeHour.hour_s)).where(col(ProbeHour.probe_id) == probe_id)
    return session.exec(statement).one()


@dataclass(frozen=True)
class HourTable:
    """Hours of one probe in order, arrays of equal length."""

    hour_s: Indices
    readings: Array
    covered_s: Array
    mean_c: Array
    min_c: Array
    max_c: Array
    m2: Array


_COLUMNS = ("hour_s", "readings", "covered_s", "mean_c", "min_c", "max_c", "m2")


def hours_of(
    session: Session, probe_ids: Collection[int], from_s: int, until_s: int
) -> dict[int, HourTable]:
    """The hours of these probes that begin from `from_s` until before `until_s`. One query."""
    rows = session.execute(
        columns(col(ProbeHour.probe_id), *(col(getattr(ProbeHour, name)) for name in _COLUMNS))
        .where(
            col(ProbeHour.probe_id).in_(probe_ids),
            col(ProbeHour.hour_s) >= from_s,
            col(ProbeHour.hour_s) < until_s,
        )
        .order_by(col(ProbeHour.probe_id), col(ProbeHour.hour_s))
    ).all()
    table = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(-1, len(_COLUMNS) + 1)
    return {
        int(probe_id): HourTable(
            part[:, 1].astype(np.int64), *(part[:, i] for i in range(2, len(_COLUMNS) + 1))
        )
        for probe_id in np.unique(table[:, 0])
        for part in [table[table[:, 0] == probe_id]]
    }


@dataclass(frozen=True)
class SideBySide:
    """Hourly means of the probes that hung in one place, shape (probes, hours), NaN where one
    hung elsewhere, was broken or measured less than half of the hour."""

    probes: Sequence[Probe]
    hour_s: Indices
    mean_c: Array


def side_by_side(session: Session, place_id: int, from_s: int, until_s: int) -> SideBySide:
    """The probes of a place beside one another. Five queries; cost: their hours."""
    standings = probes.standings(session, place_id, from_s, until_s)
    ids = sorted({s.probe_id for s in standings})
    hours = hours_of(session, ids, from_s // HOUR_S * HOUR_S, until_s)
    hour_s = np.unique(np.concatenate([np.empty(0, np.int64), *(h.hour_s for h in hours.values())]))
    mean_c = np.full((len(ids), hour_s.size), np.nan)
    for row, probe_id in enumerate(ids):
        if probe_id not in hours:
            continue
        mine = hours[probe_id]
        there = np.zeros(mine.hour_s.size, dtype=np.bool_)
        spans = [(s.from_s, s.until_s) for s in standings if s.probe_id == probe_id]
        for begin, end in _joined(spans):
            there |= (mine.hour_s >= begin) & (mine.hour_s + HOUR_S <= end)
        counts = there & (mine.covered_s >= LEAST_COVERED_S)
        mean_c[row, np.searchsorted(hour_s, mine.hour_s[counts])] = mine.mean_c[counts]
    found = {p.id: p for p in session.exec(select(Probe).where(col(Probe.id).in_(ids)))}
    return SideBySide([found[i] for i in ids], hour_s, mean_c)


def _joined(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order, those that touch put together: a choice of the site cuts no hour."""
    joined: list[tuple[int, int]] = []
    for begin, end in sorted(spans):
        if joined and begin <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((begin, end))
    return joined
