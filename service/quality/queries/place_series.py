"""The series of places, kept in this process and gone on with as readings come.

An entry is right for a session whose view of the database has the same versions of its probes
and the same stays, faults and choices; else what changed is fetched and summed anew, from the
day of the reading before the first change on. Only sessions that just look put entries back:
what a transaction has written itself it sees, and nobody else does.

Memory: an hour takes 160 bytes, a year of a place 1.4 MB; the 128 MB hold some 90 place-years,
that is 18 places over five years. The places asked least recently go first.
"""

import threading
from collections import OrderedDict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
from sqlmodel import Session

from service.database import ONLY_LOOKS
from service.probes import queries as probes
from service.probes.rules import Standing
from service.science.arrays import Array, Indices
from service.science.exposure import DAY_S, HOUR_S, HourRollups
from service.science.measured import parts_of
from service.science.place_hours import Edges, PlaceHours, no_edges, summed
from service.temperatures import queries as temperatures
from service.temperatures.rules import rate_tables
from service.temperatures.rules.composing import (
    composed,
    lines_beside,
    spans_of,
    windows_of,
)

MOST_BYTES = 128 * 2**20
FOREVER = 2**40  # seconds: the year 36 000
_HOURS_AT_ONCE = 100_000  # are fetched together: 25 MB


@dataclass(frozen=True)
class Asked:
    """A place whose series is wanted, and from when on.

    gap_s : longer times between two readings are unknown. assumed_c : what the place is
    taken to be where nobody ever measured.
    """

    place_id: int
    from_s: float
    gap_s: int
    assumed_c: float


@dataclass
class PlaceSeries:
    """The series of one place from `begin_s` on; hours None: nobody ever measured there.

    exact : edges that were worked out from readings, kept for the next who asks.
    """

    asked: Asked
    begin_s: int
    standings: tuple[Standing, ...]
    versions: Mapping[int, int]
    hours: PlaceHours | None
    exact: Edges = field(default_factory=lambda: no_edges(len(rate_tables())))

    def is_silent(self, at_s: float) -> bool:
        """Whether somebody measured here once and nobody does any more."""
        return self.hours is not None and at_s - self.hours.last[0] > self.asked.gap_s

    @property
    def nbytes(self) -> int:
        """Memory in bytes."""
        own = 0 if self.hours is None else self.hours.nbytes
        return own + self.exact.nbytes


class Kept:
    """Series by database and place, within so many bytes; for many threads."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes, self._lock = most_bytes, threading.Lock()
        self._series: OrderedDict[tuple[str, int], PlaceSeries] = OrderedDict()

    def of(self, database: str, place_id: int) -> PlaceSeries | None:
        """A place's series, as somebody left it."""
        with self._lock:
            found = self._series.get((database, place_id))
            if found is not None:
                self._series.move_to_end((database, place_id))
            return found

    def keep(self, database: str, series: PlaceSeries) -> None:
        """Keep a series; the least recently asked give way."""
        with self._lock:
            key = (database, series.asked.place_id)
            self._series[key] = series
            self._series.move_to_end(key)
            total = sum(s.nbytes for s in self._series.values())
            while total > self._most_bytes and len(self._series) > 1:
                total -= self._series.popitem(last=False)[1].nbytes

    @property
    def nbytes(self) -> int:
        """Memory in bytes."""
        with self._lock:
            return sum(series.nbytes for series in self._series.values())

    def forget(self) -> None:
        """Keep nothing."""
        with self._lock:
            self._series.clear()


KEPT = Kept()


def series_of(
    session: Session, asked: Collection[Asked], kept: Kept = KEPT
) -> dict[int, PlaceSeries]:
    """The series of places, right for what this session sees, by place.

    Four queries where nothing changed; up to four more where something did, however many
    places, and one more for each hundred thousand hours to fetch.
    """
    bind = session.get_bind()
    database = bind.engine.url.render_as_string(hide_password=True)
    may_keep = bool(bind.get_execution_options().get(ONLY_LOOKS))
    standings = probes.standings_of(session, [a.place_id for a in asked], 0, FOREVER)
    every = {s.probe_id for of in standings.values() for s in of}
    versions = temperatures.versions(session, every)
    found, stale = {}, []
    for a in asked:
        own = tuple(standings[a.place_id])
        known = {s.probe_id: versions[s.probe_id] for s in own}
        series = kept.of(database, a.place_id)
        if series is not None and _serves(series, a):
            if (series.standings, series.versions) == (own, known):
                found[a.place_id] = series
                continue
        else:
            series = None
        stale.append(_Stale(a, own, known, series))
    for fresh in _renewed(session, stale):
        found[fresh.asked.place_id] = fresh
        if may_keep:
            kept.keep(database, fresh)
    return found


def _serves(series: PlaceSeries, asked: Asked) -> bool:
    """Whether a series reaches back far enough and was made by the same rule."""
    same = (series.asked.gap_s, series.asked.assumed_c) == (asked.gap_s, asked.assumed_c)
    return same and series.begin_s <= asked.from_s


@dataclass
class _Stale:
    """A place whose series has to be made or gone on with. load_from_s: hours from here on."""

    asked: Asked
    standings: tuple[Standing, ...]
    versions: Mapping[int, int]
    base: PlaceSeries | None
    begin_s: int = 0
    load_from_s: int = 0
    before: tuple[float, float] | None = None


def _renewed(session: Session, stale: Sequence[_Stale]) -> list[PlaceSeries]:
    if not stale:
        return []
    _go_on_from(session, [s for s in stale if s.base is not None])
    _begin(session, [s for s in stale if s.base is None])
    found, again = [], []
    for group in _groups(stale):
        for one, series in zip(group, _made(session, group), strict=True):
            if _hangs_in_the_air(one, series):
                one.load_from_s = one.begin_s = 0
                again.append(one)
            else:
                found.append(series)
    for one in again:
        found += _made(session, [one])
    return found


def _hangs_in_the_air(one: _Stale, series: PlaceSeries) -> bool:
    """Earlier hours were loaded for a reading to begin with, and none of them counts."""
    if one.base is not None or one.load_from_s in (0, one.begin_s):
        return False
    return series.hours is None or (
        series.hours.first is not None and series.hours.first[0] >= one.begin_s
    )


def _go_on_from(session: Session, stale: Sequence[_Stale]) -> None:
    """Decide from where on each base is summed anew; drop those that are no base."""
    seen: dict[int, int] = {}
    for one in stale:
        assert one.base is not None
        if any(one.versions.get(p, -1) < v for p, v in one.base.versions.items()):
            one.base = None  # an older view of the database than the base's
            continue
        for probe_id, version in one.versions.items():
            last = one.base.versions.get(probe_id)
            if last is not None and last < version:
                seen[probe_id] = min(last, seen.get(probe_id, last))
    newer = temperatures.first_newer_hours(session, seen) if seen else {}
    for one in stale:
        if one.base is None or one.base.hours is None:
            one.base = None
            continue
        changes = [newer[p] for p in one.versions if p in newer]
        changes += [c - HOUR_S for c in _changes(one.base.standings, one.standings)]
        first = min(changes, default=FOREVER)
        if first == FOREVER:  # versions rose and no hour did
            first = int(one.base.hours.last[0])
        _take_up(one, one.base.hours, first)


def _changes(old: Sequence[Standing], new: Sequence[Standing]) -> list[int]:
    """The first instants at which two accounts of who hung where differ."""
    before, after = ({(s.probe_id, s.from_s): s for s in of} for of in (old, new))
    found = []
    for key in before.keys() | after.keys():
        one, other = before.get(key), after.get(key)
        if one == other:
            continue
        if one is None or other is None or one.chosen != other.chosen or one.kind != other.kind:
            found.append(key[1])
        else:
            found.append(min(one.until_s, other.until_s))
    return found


def _take_up(one: _Stale, hours: PlaceHours, first_s: int) -> None:
    """Go on from the day of the last reading before the day of the first change."""
    anchors = hours.anchors
    for _ in range(2):  # that day itself begins with a reading before it
        at = int(np.searchsorted(anchors.day_s, first_s, side="right")) - 1
        if at < 0 or np.isnan(anchors.at_s[at]):
            one.base = None
            return
        day_s, before = int(anchors.day_s[at]), (float(anchors.at_s[at]), float(anchors.c[at]))
        first_s = int(before[0])
    assert one.base is not None
    if hours.edge_s[0] > day_s:
        one.base = None
        return
    one.load_from_s, one.before, one.begin_s = day_s, before, one.base.begin_s


def _begin(session: Session, stale: Sequence[_Stale]) -> None:
    """Decide from where on series are loaded anew: whole months, and the reading before."""
    for one in stale:
        one.begin_s = one.load_from_s = _month_of(one.asked.from_s)
    asked = {(probe_id, one.begin_s) for one in stale for probe_id in one.versions}
    earlier = temperatures.last_hours_before(session, asked) if asked else {}
    for one in stale:
        last = [earlier[p, one.begin_s] for p in one.versions if (p, one.begin_s) in earlier]
        if last:
            one.load_from_s = max(last) // int(DAY_S) * int(DAY_S)


def _month_of(at_s: float) -> int:
    day = datetime.fromtimestamp(max(0.0, at_s), UTC)
    month = day.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    return int(month.timestamp())


def _groups(stale: Sequence[_Stale]) -> list[list[_Stale]]:
    """Places together as long as they take few hours."""
    groups: list[list[_Stale]] = [[]]
    hours = 0.0
    newest = max((one.load_from_s for one in stale), default=0)
    for one in sorted(stale, key=lambda o: -o.load_from_s):
        more = ((newest - one.load_from_s) / HOUR_S + 24) * len(one.versions)
        if groups[-1] and hours + more > _HOURS_AT_ONCE:
            groups.append([])
            hours = 0.0
        groups[-1].append(one)
        hours += more
    return [group for group in groups if group]


def _made(session: Session, group: Sequence[_Stale]) -> list[PlaceSeries]:
    """Fetch the hours of places, and readings where hours do not serve; sum them up."""
    from_s: dict[int, int] = {}
    for one in group:
        for probe_id in one.versions:
            from_s[probe_id] = min(one.load_from_s, from_s.get(probe_id, one.load_from_s))
    hours = temperatures.hours_since(session, from_s) if from_s else None
    own = {id(one): _own(hours, one) for one in group if hours is not None}
    spans = [
        (s.probe_id, s.from_s, s.until_s)
        for one in group
        if (rows := own.get(id(one))) is not None and rows.series.size
        for s in spans_of(one.standings, one.load_from_s, _end(rows), one.asked.gap_s)
    ]
    raw = temperatures.readings_in(session, spans) if spans else {}
    return [_summed(one, own.get(id(one)), raw) for one in group]


def _own(hours: HourRollups, one: _Stale) -> HourRollups:
    """The hours of a place's probes, from where they are wanted on."""
    mine = np.isin(hours.series, list(one.versions)) & (hours.hour_s >= one.load_from_s)
    return HourRollups(**{name: rows[mine] for name, rows in vars(hours).items()})


def _end(hours: HourRollups) -> int:
    return int(hours.hour_s.max()) + HOUR_S


def _summed(
    one: _Stale, hours: HourRollups | None, raw: Mapping[int, tuple[Array, Array]]
) -> PlaceSeries:
    found = PlaceSeries(one.asked, one.begin_s, one.standings, one.versions, None)
    base = None if one.base is None else one.base.hours
    if hours is None or (not hours.series.size and base is None):
        return found
    until = _end(hours) if hours.series.size else one.load_from_s + HOUR_S
    bins = composed(
        one.standings,
        hours,
        raw,
        one.load_from_s,
        max(until, one.load_from_s + HOUR_S),
        gap_s=one.asked.gap_s,
        rates=rate_tables(),
    )
    found.hours = summed(
        bins,
        one.before,
        gap_s=one.asked.gap_s,
        rates=rate_tables(),
        assumed_c=one.asked.assumed_c,
        base=base,
    )
    if one.base is not None:
        found.exact = one.base.exact.before(one.load_from_s)
    return found


def sharpen(
    session: Session, wanted: Mapping[int, Array], series: Mapping[int, PlaceSeries]
) -> None:
    """Work out from readings what lies in the hours of instants before and after them.

    wanted : instants by place. Those that are known already, lie between two hours or
    beyond all readings cost nothing. Two queries for all; one more a thousand stretches.
    """
    asked = []
    for place_id, instants in wanted.items():
        one = series[place_id]
        if one.hours is not None:
            fresh = np.setdiff1d(instants, one.exact.at_s)
            bins = _standing_bins(one, fresh)
            inside = (bins >= 0) & (one.hours.edge_s[one.hours.bins_at(fresh)] != fresh)
            if inside.any():
                asked.append((one, fresh[inside], bins[inside]))
    if not asked:
        return
    spans = [span for one, _, bins in asked for span in _spans(one, bins)]
    raw = temperatures.readings_in(session, spans)
    for one, instants, bins in asked:
        one.exact = one.exact.joined(_edges(one, instants, bins, raw))


def _standing_bins(one: PlaceSeries, instants: Array) -> Indices:
    """The bin whose probe stands for each instant: just beyond a series its last; -1: none."""
    hours = one.hours
    assert hours is not None
    bins = hours.bins_at(instants)
    last = hours.bins_at(np.array([hours.last[0]]))[0]
    near = (bins > last) & (instants <= hours.last[0] + one.asked.gap_s)
    bins = np.where(near, last, bins)
    if hours.first is not None:
        first = hours.bins_at(np.array([hours.first[0]]))[0]
        near = (bins < first) & (instants >= hours.first[0] - one.asked.gap_s)
        bins = np.where(near, first, bins)
    found: Indices = np.where(hours.probe_id[bins] >= 0, bins, -1)
    return found


def _spans(one: PlaceSeries, bins: Indices) -> list[tuple[int, int, int]]:
    hours, gap_s = one.hours, one.asked.gap_s
    assert hours is not None
    return [
        (
            int(hours.probe_id[i]),
            int(hours.edge_s[i]) - gap_s,
            int(hours.edge_s[i + 1]) + gap_s + 1,
        )
        for i in np.unique(bins)
    ]


def _edges(
    one: PlaceSeries, instants: Array, bins: Indices, raw: Mapping[int, tuple[Array, Array]]
) -> Edges:
    """Exact edges of instants; nan where the readings are gone that their hour was made of."""
    hours = one.hours
    assert hours is not None
    rates = rate_tables()
    windows = windows_of(one.standings)
    ends = [(hours.last[0], hours.last[0] + one.asked.gap_s, hours.last[1])]
    if hours.first is not None:
        ends.append((hours.first[0] - one.asked.gap_s, *hours.first))
    own = hours.bins_at(instants)
    known = np.full(instants.size, np.nan)
    used = np.full((instants.size, len(rates)), np.nan)
    above = np.full((instants.size, hours.above.shape[1]), np.nan)
    sides = np.full((2, instants.size), np.nan)
    nothing = (np.zeros(0), np.zeros(0))
    for probe_id in np.unique(hours.probe_id[bins]):
        mine = np.flatnonzero(hours.probe_id[bins] == probe_id)
        at_s, temperature_c = raw.get(int(probe_id), nothing)
        lines = lines_beside(
            at_s, temperature_c, windows.get(int(probe_id), []), one.asked.gap_s, ends
        )
        at, begin, end = instants[mine], hours.edge_s[own[mine]], hours.edge_s[own[mine] + 1]
        before, after = (
            parts_of(lines, low, high, rates) for low, high in ((begin, at), (at, end))
        )
        whole = np.diff(hours.known_s)[own[mine]]
        same = np.abs(before.known_s + after.known_s - whole) < 1.0
        mine, keep = mine[same], np.flatnonzero(same)
        known[mine], used[mine] = before.known_s[keep], before.used[keep]
        above[mine] = before.above_s[keep]
        sides[0, mine], sides[1, mine] = before.max_c[keep], after.max_c[keep]
    return Edges(instants, known, used, above, sides[0], sides[1])
