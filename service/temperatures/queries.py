"""Every select of readings and hours, and which probe stands for a place."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from itertools import chain
from typing import Any, cast

import numpy as np
from sqlalchemy import Dialect, bindparam, type_coerce
from sqlalchemy import select as columns
from sqlalchemy.types import NullType
from sqlmodel import Session, col, func, or_, select

from service.database import StraightSelect
from service.ledger.models import Parcel
from service.lots.models import Lot
from service.probes import queries as probes
from service.probes.models import Probe, ProbeSender, ProbeStay
from service.science.arrays import Array, Indices
from service.science.exposure import HOUR_S, THRESHOLDS_C, HourRollups
from service.security.actor import Actor
from service.security.models import User, UserSite
from service.security.rules import Role
from service.site.models import Place
from service.temperatures.models import ProbeHour, Reading, SenderClock
from service.temperatures.rules import rate_tables
from service.temperatures.rules.governing import MeasuredHours, Piece, governing_of
from service.temperatures.rules.steps import (
    Spans,
    Step,
    Steps,
    Window,
    joined,
    one_after_another,
    steps_of,
    steps_of_hours,
)

MOST_NAMED = 1000  # codes in one statement; SQLite takes 32 766 values, PostgreSQL 65 535


@dataclass(frozen=True)
class ProbeView:
    """A probe, its place and its site, and from when on its raw readings are kept."""

    id: int
    code: str
    place_id: int
    site_id: int
    raw_kept_from_s: int = 0


def lock_probes(session: Session, codes: set[str], *, by: Actor) -> dict[str, ProbeView]:
    """The probes of these codes that somebody may see, locked until commit, by code.

    One query; one more where a body names more codes than a statement takes.
    """
    if len(codes) > MOST_NAMED:
        codes = codes & set(session.exec(select(Probe.code)).all())
    rows = session.connection().execute(_locking_select(), {"codes": list(codes)}).all()
    return {row.code: ProbeView(*row) for row in rows if by.sees(row.site_id)}


@lru_cache(maxsize=1)
def _locking_select() -> Any:
    """The select of `lock_probes`, built once: every batch of readings asks it."""
    return (
        columns(
            col(Probe.id),
            col(Probe.code),
            col(Probe.place_id),
            col(Place.site_id),
            col(Probe.raw_kept_from_s),
        )
        .join(Place, col(Place.id) == col(Probe.place_id))
        .where(col(Probe.code).in_(bindparam("codes", expanding=True)))
        .order_by(col(Probe.id))
        .with_for_update(of=Probe, key_share=True)
    )


def barred(session: Session, probe_ids: Collection[int], *, by: Actor) -> frozenset[int]:
    """Which of these probes somebody may not send readings of. One query, for a device only.

    A device that is named by probes sends those; one that is named by none sends the
    probes that name nobody. Asked anew each time: a right that is withdrawn is gone.
    """
    if by.role is not Role.DEVICE:
        return frozenset()
    rows = session.execute(
        columns(col(ProbeSender.probe_id), col(ProbeSender.user_id)).where(
            col(ProbeSender.probe_id).in_(probe_ids) | (col(ProbeSender.user_id) == by.user_id)
        )
    ).all()
    own = {row.probe_id for row in rows if row.user_id == by.user_id}
    named = {row.probe_id for row in rows}
    return frozenset(i for i in probe_ids if (i not in own if own else i in named))


def governing(session: Session, place_id: int, from_s: int, to_s: int) -> list[Piece]:
    """Who stands for a place when, in order; a time in which nobody measured is left out.

    Three queries where one probe ever hung there, else one more of all their hours.
    """
    standings = probes.standings(session, place_id, from_s, to_s)
    ids = sorted({s.probe_id for s in standings})
    if len(ids) == 1:
        return _joined(Piece(s.probe_id, s.from_s, s.until_s) for s in standings)
    measured = measured_hours(session, ids, from_s, to_s)
    return governing_of(standings, measured, from_s, to_s).pieces()


def _joined(pieces: Iterable[Piece]) -> list[Piece]:
    """Pieces of one probe in order, those that adjoin made one."""
    joined: list[Piece] = []
    for piece in pieces:
        if joined and joined[-1].until_s == piece.from_s:
            joined[-1] = Piece(piece.probe_id, joined[-1].from_s, piece.until_s)
        else:
            joined.append(piece)
    return joined


def measured_hours(
    session: Session, probe_ids: Collection[int], from_s: int, to_s: int
) -> dict[int, MeasuredHours]:
    """What probes are chosen by, of all hours that reach into a time. One query."""
    statement = (
        columns(
            col(ProbeHour.probe_id),
            col(ProbeHour.hour_s),
            col(ProbeHour.readings),
            col(ProbeHour.covered_s),
            col(ProbeHour.mean_c),
        )
        .where(
            col(ProbeHour.probe_id).in_(probe_ids),
            col(ProbeHour.hour_s) > from_s - HOUR_S,
            col(ProbeHour.hour_s) < to_s,
        )
        .order_by(col(ProbeHour.probe_id), col(ProbeHour.hour_s))
    )
    rows = [tuple(row) for row in session.execute(statement)]
    table = np.array(rows, dtype=np.float64).reshape(-1, 5)
    found = {}
    for probe_id in probe_ids:
        own = table[table[:, 0] == probe_id]
        found[probe_id] = MeasuredHours(
            own[:, 1].astype(np.int64), own[:, 2].astype(np.int64), own[:, 3], own[:, 4]
        )
    return found


@dataclass(frozen=True)
class HourSeen:
    """An hour of a probe: from its first reading to its last, the mean, and what came last."""

    hour_s: int
    first_at_s: int
    last_at_s: int
    mean_c: float
    last_c: float


def hours_seen(
    session: Session, probe_ids: Collection[int], from_s: int, to_s: int
) -> dict[int, list[HourSeen]]:
    """The hours of these probes that reach into a time, by probe, in order. One query."""
    hour = ProbeHour
    rows = session.execute(
        columns(
            col(hour.probe_id),
            col(hour.hour_s),
            col(hour.first_at_s),
            col(hour.last_at_s),
            col(hour.mean_c),
            col(hour.last_c),
        )
        .where(
            col(hour.probe_id).in_(probe_ids),
            col(hour.hour_s) > from_s - HOUR_S,
            col(hour.hour_s) < to_s,
        )
        .order_by(col(hour.probe_id), col(hour.hour_s))
    )
    found: dict[int, list[HourSeen]] = {}
    for probe_id, *seen in rows:
        found.setdefault(probe_id, []).append(HourSeen(*seen))
    return found


def versions(session: Session, probe_ids: Collection[int]) -> dict[int, int]:
    """How often the hours of each probe have changed. One query; none without probes."""
    if not probe_ids:
        return {}
    statement = columns(col(Probe.id), col(Probe.version)).where(col(Probe.id).in_(probe_ids))
    return {int(id_): int(version) for id_, version in session.execute(statement)}


def first_newer_hours(session: Session, seen: Mapping[int, int]) -> dict[int, int]:
    """Of probes the first hour that is newer than a version. One query, by index."""
    rows = _asked(
        session,
        seen.items(),
        "SELECT h.probe_id, min(h.hour_s) FROM asked a JOIN probe_hour h "
        "ON h.probe_id = a.probe_id AND h.version > a.first GROUP BY h.probe_id",
    )
    return {int(probe_id): int(hour_s) for probe_id, hour_s in rows}


def last_hours_before(
    session: Session, asked: Collection[tuple[int, int]]
) -> dict[tuple[int, int], int]:
    """Of probes and instants the last hour that begins before, where there is one. One query."""
    rows = _asked(
        session,
        asked,
        "SELECT a.probe_id, a.first, (SELECT max(h.hour_s) FROM probe_hour h "
        "WHERE h.probe_id = a.probe_id AND h.hour_s < a.first) FROM asked a",
    )
    return {(int(p), int(at)): int(hour_s) for p, at, hour_s in rows if hour_s is not None}


_HOUR_COLUMNS = (
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
_WHOLE = frozenset({"hour_s", "readings", "first_at_s", "last_at_s"})
_AT_ONCE = 4096  # rows that are held as such


def hours_since(session: Session, from_s: Mapping[int, int]) -> HourRollups:
    """The hours of several probes, each from an instant on, by probe and hour.

    One query. About a microsecond a value; rows are turned into arrays as they come.
    """
    result = _asked(
        session,
        from_s.items(),
        f"SELECT h.probe_id, {', '.join(f'h.{name}' for name in _HOUR_COLUMNS)}, "
        "h.above_s, h.integrals FROM asked a JOIN probe_hour h "
        "ON h.probe_id = a.probe_id AND h.hour_s >= a.first ORDER BY h.probe_id, h.hour_s",
    )
    parts = [list(zip(*rows, strict=True)) for rows in result.partitions(_AT_ONCE)]
    widths = (len(THRESHOLDS_C), len(rate_tables()))

    def column(i: int, kind: type) -> np.typing.NDArray[Any]:
        return np.concatenate([np.zeros(0, kind), *(np.array(p[i], dtype=kind) for p in parts)])

    above, integrals = (
        _floats([blob for part in parts for blob in part[-2 + i]], width)
        for i, width in enumerate(widths)
    )
    plain = {
        name: column(1 + i, np.int64 if name in _WHOLE else np.float64)
        for i, name in enumerate(_HOUR_COLUMNS)
    }
    return HourRollups(series=column(0, np.int64), **plain, above_s=above, integrals=integrals)


def readings_in(
    session: Session, spans: Iterable[tuple[int, int, int]]
) -> dict[int, tuple[Array, Array]]:
    """Readings of probes in [from, until), corrected by their offsets, by probe, in order.

    spans : (probe, from, until), may overlap. Two queries, and one more for each further
    thousand spans that do not.
    """
    apart = _apart(spans)
    found: dict[int, list[tuple[int, int]]] = {}
    for begin in range(0, len(apart), MOST_NAMED):
        rows = _asked(
            session,
            apart[begin : begin + MOST_NAMED],
            "SELECT r.probe_id, r.at_s, r.centi_c FROM asked a JOIN reading r "
            "ON r.probe_id = a.probe_id AND r.at_s >= a.first AND r.at_s < a.last "
            "ORDER BY r.probe_id, r.at_s",
        )
        for probe_id, at_s, centi_c in rows:
            found.setdefault(probe_id, []).append((at_s, centi_c))
    offsets = probes.offsets(session, list(found)) if found else {}
    series = {}
    for probe_id, rows_ in found.items():
        table = np.array(rows_, dtype=np.int64)
        centi = table[:, 1]
        if probe_id in offsets:
            centi = centi + offsets[probe_id].of(table[:, 0])
        series[probe_id] = (table[:, 0].astype(np.float64), centi / 100.0)
    return series


def _apart(spans: Iterable[tuple[int, int, int]]) -> list[tuple[int, int, int]]:
    """Spans of each probe in order, those that touch made one."""
    apart: list[tuple[int, int, int]] = []
    for probe_id, low, high in sorted(spans):
        if apart and apart[-1][0] == probe_id and low <= apart[-1][2]:
            apart[-1] = (probe_id, apart[-1][1], max(apart[-1][2], high))
        else:
            apart.append((probe_id, low, high))
    return apart


def _asked(session: Session, rows: Iterable[tuple[int, ...]], statement: str) -> Any:
    """Run a select on a table `asked` (probe_id, first, last) of whole numbers."""
    given = [tuple(int(value) for value in row) for row in rows] or [(-1, 0)]
    names = ("probe_id", "first", "last")[: len(given[0])]
    values = ", ".join("(" + ", ".join(f"CAST({v} AS BIGINT)" for v in row) + ")" for row in given)
    asked = f"WITH asked({', '.join(names)}) AS (VALUES {values}) {statement}"
    return session.connection().exec_driver_sql(asked)


def _floats(blobs: Sequence[bytes], width: int) -> Array:
    flat: Array = np.frombuffer(b"".join(blobs), dtype="<f8").reshape(-1, width)
    return flat


def raw(session: Session, probe_id: int, from_s: int, to_s: int) -> tuple[Indices, Array]:
    """A probe's readings from `from_s` until before `to_s`, corrected by its offsets: seconds
    and °C. Two queries."""
    at_s, centi_c = as_read(session, probe_id, from_s, to_s)
    offsets = probes.offsets(session, [probe_id]).get(probe_id)
    if offsets is not None:
        centi_c = centi_c + offsets.of(at_s)
    return at_s, centi_c / 100.0


def as_read(session: Session, probe_id: int, from_s: int, to_s: int) -> tuple[Indices, Indices]:
    """What a probe read from `from_s` until before `to_s`: seconds and hundredths of a °C, as
    they came. One query."""
    statement = (
        columns(col(Reading.at_s), col(Reading.centi_c))
        .where(
            col(Reading.probe_id) == probe_id, col(Reading.at_s) >= from_s, col(Reading.at_s) < to_s
        )
        .order_by(col(Reading.at_s))
    )
    rows = session.execute(statement).all()
    table = np.array([tuple(row) for row in rows], dtype=np.int64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def neighbours(
    session: Session, probe_id: int, from_s: int, to_s: int
) -> tuple[tuple[int, float] | None, tuple[int, float] | None]:
    """The last reading before a time and the first after it. Two look-ups by key."""
    before = (
        columns(col(Reading.at_s), col(Reading.centi_c))
        .where(col(Reading.probe_id) == probe_id, col(Reading.at_s) < from_s)
        .order_by(col(Reading.at_s).desc())
        .limit(1)
    )
    after = (
        columns(col(Reading.at_s), col(Reading.centi_c))
        .where(col(Reading.probe_id) == probe_id, col(Reading.at_s) >= to_s)
        .order_by(col(Reading.at_s))
        .limit(1)
    )
    found = [session.execute(statement).first() for statement in (before, after)]
    first, second = (None if row is None else (int(row[0]), row[1] / 100.0) for row in found)
    return first, second


def last_reading(session: Session, probe_id: int) -> tuple[int, float] | None:
    """A probe's newest reading. One look-up by key."""
    return neighbours(session, probe_id, 2**40, 2**40)[0]


def raw_kept_from(session: Session, probe_id: int) -> int:
    """From which second on a probe's raw readings are kept; 0: all of them. One look-up by key.

    Before it only hours are left: part of an hour is then the hour's, by its share of time.
    """
    statement = columns(col(Probe.raw_kept_from_s)).where(col(Probe.id) == probe_id)
    return int(session.execute(statement).scalar_one())


def instant(seconds: float) -> datetime:
    """An instant from seconds since 1970."""
    return datetime.fromtimestamp(seconds, UTC)


@dataclass(frozen=True)
class Chart:
    """A series in steps, and which probe it is of, when."""

    pieces: list[Piece]
    steps: Steps


def chart_of_place(
    session: Session, place_id: int, step: Step, window: Window, *, gap_s: int
) -> Chart:
    """The series of a place by the probes that stand for it.

    Four queries, two more a piece for steps that are not whole hours. O(hours), for those
    O(readings).
    """
    standings = probes.standings(session, place_id, window.first_day_s, window.last_day_s)
    hours = _plain_hours(
        session, window.first_day_s, window.last_day_s, [s.probe_id for s in standings]
    )
    measured = {probe_id: measured for probe_id, (_, measured) in hours.items()}
    governing = governing_of(standings, measured, window.first_day_s, window.last_day_s)
    pieces = [
        Piece(p.probe_id, max(p.from_s, window.from_s), min(p.until_s, window.until_s))
        for p in governing.pieces()
        if p.from_s < window.until_s and p.until_s > window.from_s
    ]
    if not step.of_hours:
        return Chart(pieces, _steps_of_raw(session, pieces, window, gap_s))
    spans = [hours[p.probe_id][0].between(p.from_s, p.until_s) for p in pieces]
    return Chart(pieces, steps_of_hours(one_after_another(spans), window.cuts_s))


def chart_of_probe(
    session: Session, probe_id: int, step: Step, window: Window, *, gap_s: int
) -> Chart:
    """The series of one probe, wherever it hung and whether or not it was broken. One query,
    two for steps that are not whole hours."""
    pieces = [Piece(probe_id, window.from_s, window.until_s)]
    if not step.of_hours:
        return Chart(pieces, _steps_of_raw(session, pieces, window, gap_s))
    spans, _ = _plain_hours(session, window.from_s, window.until_s, [probe_id])[probe_id]
    spans = spans.between(window.from_s, window.until_s)
    return Chart(pieces, steps_of_hours(spans, window.cuts_s))


def raw_kept_in(session: Session, place_id: int, window: Window) -> int:
    """From when on raw readings of all probes are kept that hung in a place. One query."""
    statement = (
        columns(func.max(col(Probe.raw_kept_from_s)))
        .join(ProbeStay, col(ProbeStay.probe_id) == col(Probe.id))
        .where(
            col(ProbeStay.place_id) == place_id,
            col(ProbeStay.from_s) < window.until_s,
            or_(col(ProbeStay.until_s).is_(None), col(ProbeStay.until_s) > window.from_s),
        )
    )
    return int(session.execute(statement).scalar() or 0)


def probe_codes(session: Session, pieces: Sequence[Piece]) -> dict[int, str]:
    """The codes of the probes of a chart. One query."""
    ids = {piece.probe_id for piece in pieces}
    rows = session.execute(columns(col(Probe.id), col(Probe.code)).where(col(Probe.id).in_(ids)))
    return {row.id: row.code for row in rows}


def _steps_of_raw(session: Session, pieces: list[Piece], window: Window, gap_s: int) -> Steps:
    parts = []
    for p in pieces:
        at_s, temperature_c = raw(session, p.probe_id, p.from_s - gap_s, p.until_s + gap_s + 1)
        parts.append(
            steps_of(
                at_s, temperature_c, window.cuts_s, from_s=p.from_s, to_s=p.until_s, gap_s=gap_s
            )
        )
    return joined(parts)


def _plain_hours(
    session: Session, from_s: int, to_s: int, probe_ids: Iterable[int]
) -> dict[int, tuple[Spans, MeasuredHours]]:
    """Probes' hours that touch a time, without rates and thresholds. One query, straight at
    the driver: five years of a probe are 43 800 rows."""
    connection = session.connection()
    asked = sorted(set(probe_ids))
    rows = _plain_select(connection.dialect, len(asked)).rows(
        connection,
        {"from_hour": from_s - HOUR_S, "to_hour": to_s}
        | {f"probe_{n}": probe_id for n, probe_id in enumerate(asked)},
    )
    width = len(_PLAIN)
    numbers = np.fromiter(chain.from_iterable(rows), dtype=np.float64, count=width * len(rows))
    table = numbers.reshape(-1, width).T
    edges = np.searchsorted(table[0], [*asked, np.inf])
    return {
        probe_id: _plain(table[1:, low:high])
        for probe_id, low, high in zip(asked, edges, edges[1:], strict=False)
    }


def _plain(table: Array) -> tuple[Spans, MeasuredHours]:
    hour_s, readings = table[0].astype(np.int64), table[1].astype(np.int64)
    covered, mean, low, high = table[2:]
    spans = Spans(hour_s, hour_s + HOUR_S, mean, low, high, covered)
    return spans, MeasuredHours(hour_s, readings, covered, mean)


_PLAIN = ("probe_id", "hour_s", "readings", "covered_s", "mean_c", "min_c", "max_c")


@lru_cache(maxsize=64)
def _plain_select(dialect: Dialect, probes_asked: int) -> StraightSelect:
    """Compiled once for each number of probes."""
    statement = (
        columns(
            *(  # of no type: both drivers give plain numbers, and none need be looked at
                type_coerce(col(getattr(ProbeHour, name)), NullType()) for name in _PLAIN
            )
        )
        .where(
            col(ProbeHour.probe_id).in_([bindparam(f"probe_{n}") for n in range(probes_asked)]),
            col(ProbeHour.hour_s) > bindparam("from_hour"),
            col(ProbeHour.hour_s) < bindparam("to_hour"),
        )
        .order_by(col(ProbeHour.probe_id), col(ProbeHour.hour_s))
    )
    return StraightSelect(cast(Any, statement), dialect)


def every_probe(session: Session) -> list[ProbeView]:
    """All probes, in the order in which they are locked. One query."""
    rows = session.execute(
        columns(
            col(Probe.id),
            col(Probe.code),
            col(Probe.place_id),
            col(Place.site_id),
            col(Probe.raw_kept_from_s),
        )
        .join(Place, col(Place.id) == col(Probe.place_id))
        .order_by(col(Probe.id))
    )
    return [ProbeView(*row) for row in rows]


def arrival_of_oldest_fish(session: Session) -> datetime | None:
    """When the fish arrived that has been on hand for longest, anywhere. One query."""
    statement = (
        columns(func.min(col(Lot.arrived_at)))
        .join(Parcel, col(Parcel.lot_id) == col(Lot.id))
        .where(col(Parcel.grams) > 0)
    )
    found: datetime | None = session.execute(statement).scalar()
    return found


def first_readings(
    session: Session, probe_id: int, before_s: int, *, limit: int
) -> tuple[Indices, Indices]:
    """A probe's oldest readings before a time, at most so many: seconds and hundredths of a
    °C. One query."""
    statement = (
        columns(col(Reading.at_s), col(Reading.centi_c))
        .where(col(Reading.probe_id) == probe_id, col(Reading.at_s) < before_s)
        .order_by(col(Reading.at_s))
        .limit(limit)
    )
    rows = session.execute(statement).all()
    table = np.array([tuple(row) for row in rows], dtype=np.int64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


@dataclass(frozen=True)
class Sender:
    """Somebody who has sent readings: the probes that name it, and how its clock goes."""

    user: str
    probes: list[str]
    clock: SenderClock


def senders(session: Session, *, by: Actor) -> list[Sender]:
    """Who has sent readings and whose clock is followed, by name. Three queries.

    One that is limited to other sites than those somebody sees is left out.
    """
    rows = session.execute(
        columns(User, SenderClock)
        .join(SenderClock, col(SenderClock.user_id) == col(User.id))
        .order_by(col(User.name))
    ).all()
    homes, named = defaultdict(set), defaultdict(list)
    for home in session.exec(select(UserSite)):
        homes[home.user_id].add(home.site_id)
    for user_id, code in session.execute(
        columns(col(ProbeSender.user_id), col(Probe.code))
        .join(Probe, col(Probe.id) == col(ProbeSender.probe_id))
        .order_by(col(Probe.code))
    ):
        named[user_id].append(code)
    return [
        Sender(user.name, named[user.id], clock)
        for user, clock in rows
        if by.sites is None or homes[user.id] & by.sites
    ]


def first_and_last_hour(session: Session, probe_id: int) -> tuple[int, int]:
    """The beginnings of a probe's first hour and last hour; 0 and -1 where it has none.
    Two look-ups by key."""
    mine = col(ProbeHour.probe_id) == probe_id
    first, last = (
        session.execute(columns(bound(col(ProbeHour.hour_s))).where(mine)).scalar_one()
        for bound in (func.min, func.max)
    )
    return (0, -1) if first is None else (int(first), int(last))
