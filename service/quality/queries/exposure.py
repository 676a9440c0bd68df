"""The exposure of a parcel along its chain of places.

A stay is the difference of two running sums over the hours of its place (`place_series`), at
both ends exact from the readings of that hour. Time without readings is bounded by what the
place may have been. Cost: two look-ups a stay; making the sums, the hours of the stays once.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import numpy as np
from sqlalchemy import Row
from sqlmodel import Session

from service.ledger.models import Parcel
from service.ledger.queries import Stay
from service.lots.models import Lot
from service.lots.rules import ReceivedAs
from service.quality.queries.place_series import Asked, PlaceSeries, series_of, sharpen
from service.quality.rules import (
    CHILLED_BEFORE_ARRIVAL_C,
    FROZEN_BEFORE_ARRIVAL_C,
    NEVER_MEASURED_C,
    Exposure,
)
from service.science.arrays import Array
from service.science.exposure import DAY_S, THRESHOLDS_C
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind, Policy
from service.temperatures.rules import rate_tables

Triple = tuple[Array, Array, Array]  # value, low, high
PLAN_DAYS = 7  # a place goes on as it was in so many days


def nothing() -> Exposure:
    """No time at all."""
    zero = np.zeros(len(rate_tables()))
    return Exposure(0.0, 0.0, zero, zero, zero, np.zeros(len(THRESHOLDS_C)), None)


def constant(
    seconds: float, temperatures_c: tuple[float, float, float], *, known: bool
) -> Exposure:
    """Time at one temperature, with the coldest and the warmest that it may have been."""
    value, low, high = (rates * seconds for rates in rates_at(temperatures_c))
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
def rates_at(temperatures_c: tuple[float, float, float]) -> tuple[Array, Array, Array]:
    """Each rate at three temperatures. Few are asked: what places are assumed to have been."""
    value, low, high = (
        np.array([float(rate.at(c)) for rate in rate_tables()]) for c in temperatures_c
    )
    return value, low, high


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
    seconds, assumed = time_before(lot, view, since)
    return constant(seconds, assumed, known=False) if seconds > 0 else nothing()


def time_before(
    lot: Lot | Row[Any], view: SiteView, since: datetime | None = None
) -> tuple[float, tuple[float, float, float]]:
    """How long before it arrived nobody here measured a lot, in seconds, and what it is taken
    to have been, °C: value, low, high."""
    frozen = lot.received_as == ReceivedAs.FROZEN
    assumed = FROZEN_BEFORE_ARRIVAL_C if frozen else CHILLED_BEFORE_ARRIVAL_C
    day = (lot.frozen_on or lot.caught_from) if frozen else lot.caught_from
    if day is None or lot.received_as in (ReceivedAs.LIVE, ReceivedAs.DRY):
        return 0.0, assumed
    begun = max(view.start_of(day), since) if since is not None else view.start_of(day)
    return max(0.0, (lot.arrived_at - begun).total_seconds()), assumed


@dataclass
class Exposures:
    """Exposure of stays at one site, each stay computed once. Not kept between requests."""

    session: Session
    view: SiteView
    places: dict[int, Place]
    _series: dict[int, PlaceSeries] = field(default_factory=dict)
    _known: dict[tuple[int, float, float], Exposure] = field(default_factory=dict)

    def prepare(self, stays: Iterable[Stay]) -> None:
        """Fetch at once what stays need, and the last day of their places."""
        stays = list(stays)
        begins: dict[int, float] = {}
        for stay in stays:
            begin = min(stay.from_at.timestamp(), stay.until_at.timestamp() - DAY_S)
            begins[stay.place_id] = min(begin, begins.get(stay.place_id, begin))
        self._open(begins)
        self._sharpen((s.place_id, s.from_at.timestamp(), s.until_at.timestamp()) for s in stays)

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
            self._open({place_id: key[1]})
            self._sharpen([key])
            assumed = assumed_of(self.places[place_id])
            self._known[key] = _measured(self._series[place_id], assumed, *key[1:])
        return self._known[key]

    def along(self, stays: Sequence[Stay], since: datetime, at_s: Array, column: int) -> Triple:
        """One rate's sum over stays from an instant until each of many, in rate-seconds.

        Value, low and high, shape of `at_s`. Exact where a stay ends, between by even hours.
        """
        total = np.zeros((3, at_s.size))
        for stay in stays:
            begin_s, end_s = max(stay.from_at, since).timestamp(), stay.until_at.timestamp()
            if begin_s >= end_s:
                continue
            self._open({stay.place_id: begin_s})
            series, until = self._series[stay.place_id], np.clip(at_s, begin_s, end_s)
            if series.hours is None:
                rates = rates_at(assumed_of(self.places[stay.place_id]))
                total += [(until - begin_s) * rate[column] for rate in rates]
            else:
                begin = np.full(at_s.size, begin_s)
                only = slice(column, column + 1)
                sums = series.hours.between(begin, until, only, series.exact)
                total += [sums.value[:, 0], sums.low[:, 0], sums.high[:, 0]]
        return total[0], total[1], total[2]

    def kept(self, place_id: int, at: datetime) -> Triple:
        """Each rate as a place was kept in the last week: mean, coldest and warmest day.

        As it is assumed to be where nobody measured.
        """
        self._open({place_id: at.timestamp() - PLAN_DAYS * DAY_S})
        measured = as_kept(self._series[place_id], at.timestamp())
        return measured or rates_at(assumed_of(self.places[place_id]))

    def mean_now(self, place_id: int, at: datetime) -> float:
        """How cold a place has been in the last day; its assumed value where nobody measured."""
        until = at.timestamp()
        self._open({place_id: until - DAY_S})
        measured = mean_of(self._series[place_id], until - DAY_S, until)
        return assumed_of(self.places[place_id])[0] if measured is None else measured

    def silent_since(self, place_id: int, at: datetime) -> datetime | None:
        """Since when nobody has measured a place where somebody did; None while it is measured."""
        self._open({place_id: at.timestamp() - DAY_S})
        series = self._series[place_id]
        if series.hours is None or at.timestamp() - series.hours.last[0] <= series.asked.gap_s:
            return None
        return datetime.fromtimestamp(series.hours.last[0], UTC)

    def _open(self, begins: Mapping[int, float]) -> None:
        """Series that reach back far enough. Queries only for places that are not open yet."""
        asked = [
            Asked(
                place_id,
                begin,
                int(self.view.policy.gap_minutes * 60),
                assumed_of(self.places[place_id])[0],
            )
            for place_id, begin in begins.items()
            if place_id not in self._series or self._series[place_id].begin_s > begin
        ]
        if asked:
            self._series |= series_of(self.session, asked)

    def _sharpen(self, stays: Iterable[tuple[int, float, float]]) -> None:
        wanted: dict[int, set[float]] = {}
        for place_id, begin, end in stays:
            wanted.setdefault(place_id, set()).update((begin, end))
        sharpen(self.session, {p: np.array(sorted(of)) for p, of in wanted.items()}, self._series)


def assumed_of(place: Place) -> tuple[float, float, float]:
    """What a place that was never measured is taken to have been, °C: value, low, high."""
    return NEVER_MEASURED_C[PlaceKind(place.kind)]


def measured_mean_c(session: Session, place: Place, policy: Policy, at: datetime) -> float | None:
    """How cold a place was measured to be in the last day; None where nobody did."""
    until = at.timestamp()
    asked = Asked(place.id or 0, until - DAY_S, int(policy.gap_minutes * 60), assumed_of(place)[0])
    return mean_of(series_of(session, [asked])[asked.place_id], until - DAY_S, until)


def mean_of(series: PlaceSeries, begin_s: float, end_s: float) -> float | None:
    """How cold a place was measured to be on average; None where nobody measured."""
    return None if series.hours is None else series.hours.mean_between(begin_s, end_s)


def _measured(
    series: PlaceSeries, assumed: tuple[float, float, float], begin_s: float, end_s: float
) -> Exposure:
    """Time in a place by its series, exact at both ends."""
    hours = series.hours
    if hours is None:
        return constant(end_s - begin_s, assumed, known=False)
    begin, end = np.array([begin_s]), np.array([end_s])
    sums = hours.between(begin, end, slice(None), series.exact)
    warmest = float(hours.max_between(begin, end, series.exact)[0])
    known_s = float(sums.known_s[0])
    return Exposure(
        known_s,
        end_s - begin_s - known_s,
        sums.value[0],
        sums.low[0],
        sums.high[0],
        hours.above_between(begin_s, end_s, series.exact),
        None if np.isnan(warmest) else warmest,
    )


def as_kept(series: PlaceSeries, now_s: float) -> tuple[Array, Array, Array] | None:
    """Each rate as a place was kept in the last week: mean, of the coldest and warmest day.

    By measured time only; None where nothing was measured. Means of rates, never the rate
    at a mean temperature: that would be too low.
    """
    if series.hours is None:
        return None
    ends = now_s - DAY_S * np.arange(PLAN_DAYS, -1, -1.0)
    bins = series.hours.bins_at(ends)
    share = np.clip(
        (ends - series.hours.edge_s[bins]) / np.diff(series.hours.edge_s)[bins], 0.0, 1.0
    )
    known, used = series.hours.known_s, series.hours.used
    known_s = np.diff(known[bins] + (known[bins + 1] - known[bins]) * share)
    part = (used[bins + 1] - used[bins]) * share[:, np.newaxis]
    rates = np.diff(used[bins] + part, axis=0)
    measured = known_s > 1.0
    if not measured.any():
        return None
    days = rates[measured] / known_s[measured, np.newaxis]
    mean = rates[measured].sum(axis=0) / known_s[measured].sum()
    return mean, days.min(axis=0), days.max(axis=0)
