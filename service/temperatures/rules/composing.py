"""The series of a place, put together from the hours of the probes that hung there."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.probes.rules import Standing
from service.science.arrays import Array, Indices
from service.science.exposure import HOUR_S, THRESHOLDS_C, HourRollups, RateTable
from service.science.measured import Lines, lines_of, parts_of
from service.science.place_hours import Bins
from service.temperatures.rules.governing import MeasuredHours, governing_of

Window = tuple[float, float]


@dataclass(frozen=True)
class Span:
    """A time for which a probe's raw readings are wanted."""

    probe_id: int
    from_s: int
    until_s: int


def windows_of(standings: Sequence[Standing]) -> dict[int, list[Window]]:
    """By probe, the times in which it hung in the place unbroken, those that adjoin made one."""
    windows: dict[int, list[Window]] = {}
    for s in sorted(standings, key=lambda s: (s.probe_id, s.from_s)):
        own = windows.setdefault(s.probe_id, [])
        if own and own[-1][1] == s.from_s:
            own[-1] = (own[-1][0], s.until_s)
        else:
            own.append((s.from_s, s.until_s))
    return windows


def odd_hours(standings: Sequence[Standing], from_s: int, until_s: int) -> list[int]:
    """Hours whose rollups do not serve: something changed in them, or just beside them.

    Where a probe's time in a place begins or ends, the lines across it mean nothing;
    they reach into the hour beside it.
    """
    odd: set[int] = set()
    for s in standings:
        odd |= {cut // HOUR_S * HOUR_S for cut in (s.from_s, s.until_s) if cut % HOUR_S}
    for windows in windows_of(standings).values():
        for low, high in windows:
            begin, end = int(low) // HOUR_S * HOUR_S, int(high - 1) // HOUR_S * HOUR_S
            odd |= {begin, begin + HOUR_S, end - HOUR_S, end}
    return sorted(hour for hour in odd if from_s <= hour < until_s)


def spans_of(standings: Sequence[Standing], from_s: int, until_s: int, gap_s: int) -> list[Span]:
    """The raw readings that `composed` needs: those around odd hours."""
    spans: list[Span] = []
    hours = odd_hours(standings, from_s, until_s)
    for probe_id, windows in windows_of(standings).items():
        for hour in hours:
            low, high = hour - gap_s, hour + HOUR_S + gap_s + 1
            if any(begin < high and end > low for begin, end in windows):
                spans.append(Span(probe_id, low, high))
    return spans


def composed(
    standings: Sequence[Standing],
    hours: HourRollups,
    raw: Mapping[int, tuple[Array, Array]],
    from_s: int,
    until_s: int,
    *,
    gap_s: float,
    rates: Sequence[RateTable],
) -> Bins:
    """What was measured in a place in [from_s, until_s), by the probe that stood for it.

    Parameters
    ----------
    standings : of all time, so that what ended just before counts.
    hours : of its probes (`series` is the probe), by probe and hour, from `from_s` on.
    raw : by probe, readings around `odd_hours`, in order: instants and °C.
    from_s, until_s : full hours.

    Notes
    -----
    Cost: O(hours · rates). Of an odd hour whose raw readings are gone nothing is known.
    """
    odd = odd_hours(standings, from_s, until_s)
    cuts = [
        cut
        for s in standings
        for cut in (s.from_s, s.until_s)
        if cut % HOUR_S and from_s < cut < until_s
    ]
    edges = np.union1d(np.arange(from_s, until_s + 1, HOUR_S), np.array(cuts, dtype=np.int64))
    governing = governing_of(standings, _measured(hours), from_s, until_s)
    stands = np.searchsorted(governing.edge_s, edges[:-1], side="right") - 1
    probe_id = governing.probe_id[stands]
    bins = _gathered(hours, edges, probe_id, np.array(odd, dtype=np.int64), len(rates))
    return _with_odd(bins, odd, standings, raw, gap_s, rates)


def _measured(hours: HourRollups) -> dict[int, MeasuredHours]:
    found = {}
    for probe_id in np.unique(hours.series):
        low, high = np.searchsorted(hours.series, [probe_id, probe_id + 1])
        found[int(probe_id)] = MeasuredHours(
            hours.hour_s[low:high],
            hours.readings[low:high],
            hours.covered_s[low:high],
            hours.mean_c[low:high],
        )
    return found


def _gathered(
    hours: HourRollups, edges: Indices, probe_id: Indices, odd: Indices, rates: int
) -> Bins:
    """Bins with the hours of the probes that stand for them; odd hours left empty."""
    count = probe_id.size
    begin = edges[:-1]
    row = np.full(count, -1)
    if hours.series.size:
        keys = (hours.series << 40) + hours.hour_s
        wanted = (np.maximum(probe_id, 0) << 40) + begin
        at = np.minimum(np.searchsorted(keys, wanted), keys.size - 1)
        found = (keys[at] == wanted) & (probe_id >= 0)
        found &= ~np.isin(begin // HOUR_S * HOUR_S, odd)
        row = np.where(found, at, -1)
    has = np.flatnonzero(row >= 0)
    row = row[has]

    def filled(source: Array | Indices, empty: float) -> Array:
        rows = np.full((count, *source.shape[1:]), empty)
        rows[has] = source[row]
        return rows

    return Bins(
        edge_s=edges.astype(np.float64),
        probe_id=probe_id,
        known_s=filled(hours.covered_s, 0.0),
        integrals=filled(hours.integrals.reshape(-1, rates), 0.0),
        above_s=filled(hours.above_s.reshape(-1, len(THRESHOLDS_C)), 0.0),
        weight_s=filled(np.where(hours.covered_s > 0, hours.covered_s, _LONELY_S), 0.0),
        mean_c=filled(hours.mean_c, 0.0),
        min_c=filled(hours.min_c, np.nan),
        max_c=filled(hours.max_c, np.nan),
        first_at_s=filled(hours.first_at_s, np.nan),
        first_c=filled(hours.first_c, np.nan),
        last_at_s=filled(hours.last_at_s, np.nan),
        last_c=filled(hours.last_c, np.nan),
    )


_LONELY_S = 1e-3  # weight of a reading that covers no time


def _with_odd(
    bins: Bins,
    odd: Sequence[int],
    standings: Sequence[Standing],
    raw: Mapping[int, tuple[Array, Array]],
    gap_s: float,
    rates: Sequence[RateTable],
) -> Bins:
    """Odd hours filled from readings."""
    if not odd:
        return bins
    windows = windows_of(standings)
    is_odd = np.isin(bins.edge_s[:-1] // HOUR_S * HOUR_S, odd)
    columns = {name: rows.copy() for name, rows in vars(bins).items()}
    for probe_id, (at_s, temperature_c) in raw.items():
        mine = np.flatnonzero(is_odd & (bins.probe_id == probe_id))
        if not mine.size or probe_id not in windows:
            continue
        lines = lines_of(at_s, temperature_c, windows[probe_id], gap_s)
        low_s, high_s = bins.edge_s[mine], bins.edge_s[mine + 1]
        parts = parts_of(lines, low_s, high_s, rates)
        columns["known_s"][mine] = parts.known_s
        columns["integrals"][mine] = parts.used
        columns["above_s"][mine] = parts.above_s
        covers = parts.known_s > 0
        columns["weight_s"][mine] = parts.known_s
        columns["mean_c"][mine] = np.where(
            covers, parts.degree_s / np.where(covers, parts.known_s, 1.0), 0.0
        )
        columns["min_c"][mine], columns["max_c"][mine] = parts.min_c, parts.max_c
        _own_readings(columns, mine, at_s, temperature_c)
    return replace(bins, **columns)


def _own_readings(
    columns: dict[str, Array], mine: Indices, at_s: Array, temperature_c: Array
) -> None:
    """First, last and extreme readings of bins that begin and end where a standing does."""
    edges = columns["edge_s"]
    for i in mine:
        low, high = np.searchsorted(at_s, [edges[i], edges[i + 1]])
        if high == low:
            continue
        own = temperature_c[low:high]
        columns["first_at_s"][i], columns["first_c"][i] = at_s[low], own[0]
        columns["last_at_s"][i], columns["last_c"][i] = at_s[high - 1], own[-1]
        columns["min_c"][i], columns["max_c"][i] = own.min(), own.max()
        if columns["weight_s"][i] == 0:
            columns["weight_s"][i], columns["mean_c"][i] = _LONELY_S, own.mean()


def lines_beside(
    at_s: Array,
    temperature_c: Array,
    windows: Sequence[Window],
    gap_s: float,
    ends: Sequence[tuple[float, float, float]],
) -> Lines:
    """A probe's lines, with those that stand for the time beside a reading without neighbour.

    ends : (from, until, °C) of such times.
    """
    lines = lines_of(at_s, temperature_c, windows, gap_s)
    more = np.array(ends, dtype=np.float64).reshape(-1, 3)
    start = np.concatenate((lines.start_s, more[:, 0]))
    order = np.argsort(start, kind="stable")
    return Lines(
        start[order],
        np.concatenate((lines.end_s, more[:, 1]))[order],
        np.concatenate((lines.start_c, more[:, 2]))[order],
        np.concatenate((lines.end_c, more[:, 2]))[order],
    )
