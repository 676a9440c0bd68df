"""The exposure of a parcel along its chain of places.

Whole hours come from the rollups, the two edge hours from raw readings, gaps
longer than the policy's from the envelope of what the place may have been.
Cost: hours of the parcel's own stays, never of the whole history.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache

import numpy as np
from sqlmodel import Session

from service.ledger.models import Parcel
from service.ledger.queries import Stay
from service.lots.models import Lot
from service.lots.rules import ReceivedAs
from service.quality.rules import (
    CHILLED_BEFORE_ARRIVAL_C,
    FROZEN_BEFORE_ARRIVAL_C,
    NEVER_MEASURED_C,
    Exposure,
)
from service.science.arrays import Array, Indices
from service.science.exposure import DAY_S, HOUR_S, THRESHOLDS_C, gap_bound, seconds_above
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind
from service.temperatures import queries as temperatures
from service.temperatures.queries import HourSeries
from service.temperatures.rules import rate_tables

_NONE = np.zeros(0)
# First and last reading (instant, °C) of a time in which no gap is too long.
_Stretch = tuple[tuple[float, float], tuple[float, float]]


def nothing() -> Exposure:
    """No time at all."""
    zero = np.zeros(len(rate_tables()))
    return Exposure(0.0, 0.0, zero, zero, zero, np.zeros(len(THRESHOLDS_C)), None)


def constant(
    seconds: float, temperatures_c: tuple[float, float, float], *, known: bool
) -> Exposure:
    """Time at one temperature, with the coldest and the warmest that it may have been."""
    value, low, high = (_rates_at(c) * seconds for c in temperatures_c)
    above = np.array([seconds if temperatures_c[0] > limit else 0.0 for limit in THRESHOLDS_C])
    return Exposure(
        seconds if known else 0.0,
        0.0 if known else seconds,
        value,
        low,
        high,
        above if known else np.zeros(len(THRESHOLDS_C)),
        temperatures_c[0] if known else None,
    )


@lru_cache(maxsize=256)
def _rates_at(temperature_c: float) -> Array:
    """Each rate at one temperature. Few are asked: what places are assumed to have been."""
    return np.array([float(table.at(temperature_c)) for table in rate_tables()])


def chain(parcels: dict[int, Parcel], parcel: Parcel, until: datetime) -> list[Stay]:
    """A parcel's stays from its first place on, oldest first."""
    stays: list[Stay] = []
    end: datetime = until
    current: Parcel | None = parcel
    while current is not None:
        if end > current.opened_at:
            stays.append(Stay(current.place_id, current.opened_at, end))
        end = min(end, current.opened_at)
        current = parcels.get(current.parent_id) if current.parent_id is not None else None
    return stays[::-1]


def before_arrival(lot: Lot, view: SiteView, since: datetime | None = None) -> Exposure:
    """The unknown time before a lot arrived, from freezing (else catch), or from `since`."""
    if lot.received_as in (ReceivedAs.LIVE, ReceivedAs.DRY):
        return nothing()
    frozen = lot.received_as == ReceivedAs.FROZEN
    day = (lot.frozen_on or lot.caught_from) if frozen else lot.caught_from
    if day is None:
        return nothing()
    begun = max(view.start_of(day), since) if since is not None else view.start_of(day)
    seconds = max(0.0, (lot.arrived_at - begun).total_seconds())
    assumed = FROZEN_BEFORE_ARRIVAL_C if frozen else CHILLED_BEFORE_ARRIVAL_C
    return constant(seconds, assumed, known=False)


@dataclass
class Exposures:
    """Exposure of stays at one site, each stay computed once. Not kept between requests."""

    session: Session
    view: SiteView
    places: dict[int, Place]
    _known: dict[tuple[int, float, float], Exposure] = field(default_factory=dict)
    _means: dict[tuple[int, datetime], float] = field(default_factory=dict)

    def of_stays(self, stays: Sequence[Stay], since: datetime | None = None) -> Exposure:
        """The sum over stays, from an instant on."""
        total = nothing()
        for stay in stays:
            begun = max(stay.from_at, since) if since is not None else stay.from_at
            if begun < stay.until_at:
                total = total + self.of_place(stay.place_id, begun, stay.until_at)
        return total

    def of_place(self, place_id: int, from_at: datetime, until_at: datetime) -> Exposure:
        """Time in one place."""
        key = (place_id, from_at.timestamp(), until_at.timestamp())
        if key not in self._known:
            self._known[key] = self._measure(*key)
        return self._known[key]

    def mean_now(self, place_id: int, at: datetime) -> float:
        """How cold a place has been in the last day; its assumed value where nobody measured."""
        if (place_id, at) not in self._means:
            self._means[place_id, at] = self._mean_of_a_day(place_id, at)
        return self._means[place_id, at]

    def _mean_of_a_day(self, place_id: int, at: datetime) -> float:
        measured = measured_mean_c(self.session, place_id, at)
        if measured is None:
            return NEVER_MEASURED_C[PlaceKind(self.places[place_id].kind)][0]
        return measured

    def _measure(self, place_id: int, begin_s: float, end_s: float) -> Exposure:
        assumed = NEVER_MEASURED_C[PlaceKind(self.places[place_id].kind)]
        probe = temperatures.governing_probe(self.session, place_id, int(begin_s), int(end_s))
        if probe is None or probe.id is None:
            return constant(end_s - begin_s, assumed, known=False)
        gap_s = self.view.policy.gap_minutes * 60
        series = _Series(self.session, probe.id, begin_s, end_s, gap_s)
        if series.is_empty():
            return constant(end_s - begin_s, assumed, known=False)
        return series.exposure()


def measured_mean_c(session: Session, place_id: int, at: datetime) -> float | None:
    """How cold a place was measured to be in the last day; None where nobody did. Two queries."""
    until = int(at.timestamp())
    probe = temperatures.governing_probe(session, place_id, until - int(DAY_S), until)
    if probe is None or probe.id is None:
        return None
    hours = temperatures.hours(session, probe.id, until - int(DAY_S), until)
    return float(hours.mean_c.mean()) if hours.mean_c.size else None


class _Series:
    """The readings of one probe that bear on a time."""

    def __init__(
        self, session: Session, probe_id: int, begin_s: float, end_s: float, gap_s: float
    ) -> None:
        self.begin_s, self.end_s, self.gap_s = begin_s, end_s, gap_s
        self._session, self._probe_id = session, probe_id
        self.before, self.after = temperatures.neighbours(
            session, probe_id, int(np.ceil(begin_s)), int(np.ceil(end_s))
        )
        first_full = int(-(-begin_s // HOUR_S)) * HOUR_S
        last_full = int(end_s // HOUR_S) * HOUR_S
        if last_full <= first_full:
            first_full = last_full = int(-(-end_s // HOUR_S)) * HOUR_S
        self.full_from, self.full_to = first_full, last_full
        self.hours: HourSeries = temperatures.hours(session, probe_id, first_full, last_full)
        self.edges = [
            self._raw(begin_s, min(first_full, end_s)),
            self._raw(max(last_full, begin_s), end_s) if last_full > begin_s else (_NONE, _NONE),
        ]

    def is_empty(self) -> bool:
        """Whether nobody ever measured near this time."""
        return (
            self.before is None
            and self.after is None
            and not self.hours.hour_s.size
            and not any(at.size for at, _ in self.edges)
        )

    def exposure(self) -> Exposure:
        """Whole hours, edges, and gaps, together."""
        total = self._whole_hours()
        low, high = self.begin_s, min(float(self.full_from), self.end_s)
        total = total + self._edge(low, high)
        low = max(float(self.full_to), self.begin_s)
        if self.full_to > self.begin_s and self.full_to >= self.full_from and self.end_s > low:
            total = total + self._edge(low, self.end_s)
        for start, end, before_c, after_c in self._gaps():
            total = total + self._gap(start, end, before_c, after_c)
        return total

    def _whole_hours(self) -> Exposure:
        hours = self.hours
        if not hours.hour_s.size:
            return nothing()
        value = hours.integrals.sum(axis=0)
        return Exposure(
            float(hours.covered_s.sum()),
            0.0,
            value,
            value,
            value,
            hours.above_s.sum(axis=0),
            float(hours.max_c.max()),
        )

    def _raw(self, low: float, high: float) -> tuple[Array, Array]:
        """Readings in [low, high), as floats."""
        if high <= low:
            return _NONE, _NONE
        at_s, temperature_c = temperatures.raw(
            self._session, self._probe_id, int(np.ceil(low)), int(np.ceil(high))
        )
        return at_s.astype(np.float64), temperature_c

    def _edge(self, low: float, high: float) -> Exposure:
        """Part of an hour, exactly, from the readings in it and its two neighbours."""
        if high <= low:
            return nothing()
        at_s, temperature_c = temperatures.raw(
            self._session, self._probe_id, int(low - self.gap_s) - 1, int(high + self.gap_s) + 2
        )
        return _segments(at_s, temperature_c, low, high, self.gap_s)

    def _gaps(
        self,
    ) -> list[tuple[float, float, tuple[float, float] | None, tuple[float, float] | None]]:
        """(start, end, reading before, reading after) of times that nobody measured."""
        firsts, lasts = self._anchors()
        found = []
        for (last_s, last_c), (first_s, first_c) in zip(lasts[:-1], firsts[1:], strict=True):
            if first_s - last_s > self.gap_s:
                found.append((last_s, first_s, (last_s, last_c), (first_s, first_c)))
        if not firsts:
            return []
        if self.before is None and firsts[0][0] > self.begin_s:
            found.insert(0, (self.begin_s, firsts[0][0], None, firsts[0]))  # type: ignore[arg-type]
        if self.after is None and lasts[-1][0] < self.end_s:
            found.append((lasts[-1][0], self.end_s, lasts[-1], None))  # type: ignore[arg-type]
        return found  # type: ignore[return-value]

    def _anchors(self) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
        """First and last reading of each stretch (edge, hour, edge), in order of time."""
        stretches: list[_Stretch] = []
        if self.before is not None:
            stretches.append((self.before, self.before))
        stretches += _stretches(self.edges[0], self.gap_s)
        stretches += self._hour_stretches()
        stretches += _stretches(self.edges[1], self.gap_s)
        if self.after is not None:
            stretches.append((self.after, self.after))
        return [s[0] for s in stretches], [s[1] for s in stretches]

    def _hour_stretches(self) -> list[_Stretch]:
        """First and last reading of each whole hour; of an hour with a gap in it, of each part.

        One query for all hours with a gap inside; there is none where a gap may last an hour.
        """
        h = self.hours
        broken = (h.last_at_s - h.first_at_s > self.gap_s) & (h.covered_s < HOUR_S - 0.5)
        raw: tuple[Array, Array] = (_NONE, _NONE)
        if broken.any():
            raw = self._raw(h.hour_s[broken][0], h.hour_s[broken][-1] + HOUR_S)
        found: list[_Stretch] = []
        for i, hour_s in enumerate(h.hour_s):
            if broken[i]:
                low, high = np.searchsorted(raw[0], [hour_s, hour_s + HOUR_S])
                found += _stretches((raw[0][low:high], raw[1][low:high]), self.gap_s)
            else:
                first = (float(h.first_at_s[i]), float(h.first_c[i]))
                found.append((first, (float(h.last_at_s[i]), float(h.last_c[i]))))
        return found

    def _gap(
        self,
        start: float,
        end: float,
        before: tuple[float, float] | None,
        after: tuple[float, float] | None,
    ) -> Exposure:
        """An unmeasured time within the stay, bounded by the coldest and warmest it may have been.

        At the ends of a series a time no longer than a gap may be counts as the
        one reading beside it.
        """
        low, high = max(start, self.begin_s), min(end, self.end_s)
        if high <= low:
            return nothing()
        if (before is None or after is None) and end - start <= self.gap_s:
            only = (before or after or (0.0, 0.0))[1]
            return constant(high - low, (only, only, only), known=True)
        bound = gap_bound(start, end, before[1] if before else None, after[1] if after else None)
        inside = (bound.at_s > low) & (bound.at_s < high)
        at_s = np.concatenate(([low], bound.at_s[inside], [high]))
        straight = np.interp(at_s, bound.at_s, bound.straight_c)
        envelope = np.interp(at_s, bound.at_s, bound.envelope_c)
        length = np.diff(at_s)
        along = np.array(
            [(length * t.mean(straight[:-1], straight[1:])).sum() for t in rate_tables()]
        )
        most = np.array(
            [(length * t.mean(envelope[:-1], envelope[1:])).sum() for t in rate_tables()]
        )
        least = np.array([float(t.at(bound.low_c)) for t in rate_tables()]) * (high - low)
        above = np.array(
            [
                seconds_above(length, envelope[:-1], envelope[1:], limit).sum()
                for limit in THRESHOLDS_C
            ]
        )
        return Exposure(0.0, high - low, (along + most) / 2, least, most, above, None)


def _stretches(readings: tuple[Array, Array], gap_s: float) -> list[_Stretch]:
    """First and last reading of each part of a series that has no gap in it."""
    at_s, temperature_c = readings
    if not at_s.size:
        return []
    cuts = np.flatnonzero(np.diff(at_s) > gap_s)
    firsts = np.concatenate(([0], cuts + 1))
    lasts = np.concatenate((cuts, [at_s.size - 1]))
    return [
        ((float(at_s[a]), float(temperature_c[a])), (float(at_s[b]), float(temperature_c[b])))
        for a, b in zip(firsts, lasts, strict=True)
    ]


def _segments(
    at_s: Indices, temperature_c: Array, low: float, high: float, gap_s: float
) -> Exposure:
    """Straight lines between readings, cut to a time."""
    start, end = at_s[:-1].astype(np.float64), at_s[1:].astype(np.float64)
    kept = (end - start <= gap_s) & (end > low) & (start < high)
    start, end = start[kept], end[kept]
    if not start.size:
        return nothing()
    start_c, end_c = temperature_c[:-1][kept], temperature_c[1:][kept]
    slope = (end_c - start_c) / (end - start)
    from_s, to_s = np.maximum(start, low), np.minimum(end, high)
    from_c, to_c = start_c + slope * (from_s - start), start_c + slope * (to_s - start)
    length = to_s - from_s
    value = np.array([(length * t.mean(from_c, to_c)).sum() for t in rate_tables()])
    above = np.array([seconds_above(length, from_c, to_c, limit).sum() for limit in THRESHOLDS_C])
    return Exposure(
        float(length.sum()), 0.0, value, value, value, above, float(max(from_c.max(), to_c.max()))
    )
