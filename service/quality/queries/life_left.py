"""Life used and left of all stock, now or as it is kept until later: one pass over arrays.

A few queries, however much stock there is, and for each stay two look-ups in the series of
its place. Where a stay is short or its hour was uneven, its ends are worked out from readings
(science reference 10.2); those are kept, so that they cost once.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

import numpy as np
from sqlalchemy import ColumnElement, Dialect, Row, type_coerce
from sqlalchemy import select as columns
from sqlalchemy.types import TypeEngine
from sqlmodel import Session, col

from service.catalogue.rules import life_profiles, species_facts
from service.database import ONLY_LOOKS
from service.ledger.models import Parcel, ThawBatch
from service.lots.models import Lot
from service.quality.queries.exposure import (
    PLAN_DAYS,
    as_kept,
    assumed_of,
    mean_of,
    rates_at,
    time_before,
)
from service.quality.queries.place_series import Asked, PlaceSeries, series_of, sharpen
from service.quality.queries.quality import LotQuality
from service.quality.rules import SPREAD, Planned
from service.quality.schemas import ExposureOut, LifeLeftRow, LifeOut
from service.science.arrays import Array, Indices
from service.science.exposure import DAY_S, HOUR_S
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.temperatures.rules import life_column, rate_tables

UNEVEN_K = 5.0  # an hour with more between its extremes is not spread evenly
SHORT_S = DAY_S  # nor are the ends of a shorter stay
MOST_NAMED = 1000  # parcels in one statement
_NO_PARCEL = -1


class _RawInstant(TypeEngine[Any]):
    """An instant as the driver gives it: parsed all at once, not one by one."""

    def result_processor(self, _dialect: Dialect, _coltype: object) -> None:
        """None: as it is."""
        return


@dataclass(frozen=True)
class Line:
    """Parcels and those they came from, as arrays of one length, by number.

    All of this is frozen in the books from a parcel's first moment on, so that it may be
    remembered. parent : where in these arrays, -1 for the first.
    """

    id: Indices
    parent_id: Indices
    parent: Indices
    lot_id: Indices
    place_id: Indices
    batch_id: Indices  # 0: none
    opened_s: Array

    def with_rows(self, rows: Sequence[Row[Any]]) -> "Line":
        """These and further ones, each once."""
        if not rows:
            return self
        id_, parent, lot, place, batch, opened = zip(*rows, strict=True)
        every = np.concatenate((self.id, _whole(id_)))
        ids, chosen = np.unique(every, return_index=True)
        parents = np.concatenate((self.parent_id, _whole(parent)))[chosen]
        at = np.minimum(np.searchsorted(ids, parents), ids.size - 1)
        return Line(
            ids,
            parents,
            np.where(ids[at] == parents, at, _NO_PARCEL),
            np.concatenate((self.lot_id, _whole(lot)))[chosen],
            np.concatenate((self.place_id, _whole(place)))[chosen],
            np.concatenate((self.batch_id, _whole(batch)))[chosen],
            np.concatenate((self.opened_s, _seconds(opened)))[chosen],
        )


_NONE = np.zeros(0, dtype=np.int64)
NO_LINE = Line(_NONE, _NONE, _NONE, _NONE, _NONE, _NONE, np.zeros(0))
MOST_REMEMBERED = 500_000  # parcels, 56 bytes each; then it begins again
_remembered: dict[str, Line] = {}


def _whole(values: Sequence[Any]) -> Indices:
    return np.array([v or 0 for v in values], dtype=np.int64)


@dataclass(frozen=True)
class Stock:
    """What is on hand: where in `line`, and grams."""

    line: Line
    on_hand: Indices
    grams: Indices

    @property
    def number(self) -> Indices:
        """Of each parcel on hand its number."""
        return self.line.id[self.on_hand]


def stock_of(
    session: Session,
    *,
    site_ids: Sequence[int],
    species: str | None,
    place_id: int | None,
    lot_id: int | None,
) -> Stock:
    """What is on hand at sites, with its ancestors.

    One query; another for parcels that this process has not seen. Only sessions that just
    look leave something behind: a number may be given again to a parcel after a rollback.
    """
    given = [col(Parcel.grams) > 0, col(Lot.site_id).in_(site_ids)]
    if species is not None:
        given.append(col(Lot.species_code) == species.upper())
    if lot_id is not None:
        given.append(col(Lot.id) == lot_id)
    if place_id is not None:
        given.append(col(Parcel.place_id) == place_id)
    statement = (
        columns(col(Parcel.id), col(Parcel.grams))
        .join(Lot, col(Lot.id) == col(Parcel.lot_id))
        .where(*given)
        .order_by(col(Parcel.id))
    )
    rows = session.connection().execute(statement).all()
    ids, grams = (_whole(values) for values in zip(*rows, strict=True)) if rows else (_NONE, _NONE)
    line = _line_of(session, ids, given)
    return Stock(line, np.searchsorted(line.id, ids), grams)


def _line_of(session: Session, ids: Indices, given: Sequence[ColumnElement[bool]]) -> Line:
    """These parcels and their ancestors, remembered or fetched."""
    bind = session.get_bind()
    database = bind.engine.url.render_as_string(hide_password=True)
    line = _remembered.get(database, NO_LINE)
    missing = np.setdiff1d(ids, line.id, assume_unique=True)
    if not missing.size:
        return line
    if missing.size <= MOST_NAMED:
        given = [col(Parcel.id).in_(missing.tolist())]
    start = (
        columns(*_line_columns(Parcel)).join(Lot, col(Lot.id) == col(Parcel.lot_id)).where(*given)
    )
    every = start.cte("line", recursive=True)
    older = columns(*_line_columns(Parcel)).join(every, every.c.parent_id == col(Parcel.id))
    rows = session.connection().execute(columns(every.union_all(older))).all()
    line = line.with_rows(rows)
    if bind.get_execution_options().get(ONLY_LOOKS):
        if line.id.size > MOST_REMEMBERED:
            _remembered.pop(database, None)
        else:
            _remembered[database] = line
    return line


def _line_columns(parcel: Any) -> tuple[Any, ...]:
    return (
        col(parcel.id).label("id"),
        col(parcel.parent_id).label("parent_id"),
        col(parcel.lot_id).label("lot_id"),
        col(parcel.place_id).label("place_id"),
        col(parcel.thaw_batch_id).label("thaw_batch_id"),
        type_coerce(col(parcel.opened_at), _RawInstant()).label("opened_at"),
    )


def _seconds(instants: Sequence[Any]) -> Array:
    """SQLite gives the text of an instant in UTC, PostgreSQL an instant."""
    if isinstance(instants[0], str):
        return np.array(instants, dtype="datetime64[us]").astype(np.int64) / 1e6
    return np.array([instant.timestamp() for instant in instants])


@dataclass(frozen=True)
class _Stays:
    """Times of parcels in places: whose (in `Stock.on_hand`), where, from, until, thawing."""

    owner: Indices
    place_id: Indices
    from_s: Array
    until_s: Array
    pulled: np.typing.NDArray[np.bool_]


def _stays(stock: Stock, at_s: float) -> _Stays:
    """Every chain at once, a step back each round."""
    parts = []
    line = stock.line
    owner, current = np.arange(stock.on_hand.size), stock.on_hand
    until = np.full(owner.size, at_s)
    while owner.size:
        opened = line.opened_s[current]
        some = until > opened
        parts.append(
            (
                owner[some],
                line.place_id[current][some],
                opened[some],
                until[some],
                line.batch_id[current][some] > 0,
            )
        )
        until = np.minimum(until, opened)
        onwards = line.parent[current] != _NO_PARCEL
        owner, until, current = owner[onwards], until[onwards], line.parent[current][onwards]
    if not parts:
        none = np.zeros(0)
        return _Stays(none.astype(np.int64), none.astype(np.int64), none, none, none > 0)
    return _Stays(*(np.concatenate(column) for column in zip(*parts, strict=True)))


@dataclass(frozen=True)
class _Tally:
    """Of each parcel on hand: seconds, what its life's rate used, the warmest."""

    known_s: Array
    unknown_s: Array
    value: Array
    low: Array
    high: Array
    max_c: Array
    thawed: Array  # of `value`, since it was pulled


@dataclass(frozen=True)
class LifeLeft:
    """Life of all parcels on hand, arrays in the order of `Stock.on_hand`.

    used, low, high : shares of life, without the spread of the table. left_days : as it is
    kept, less than nothing where it is used up. order : of parcels, least life left first.
    """

    stock: Stock
    lots: Mapping[int, Row[Any]]
    places: Mapping[int, Place]
    batches: Mapping[int, str]
    used: Array
    low: Array
    high: Array
    left_days: Array
    known_s: Array
    unknown_s: Array
    max_c: Array
    ice_days: Array
    silent_s: Mapping[int, float]
    order: Indices

    def key(self, i: int) -> tuple[int, int]:
        """Where a parcel stands in the order: millionths of a day left, and its number."""
        return round(float(self.left_days[i]) * 1e6), int(self.stock.number[i])

    def after(self, key: tuple[int, int] | None) -> Indices:
        """Parcels in order, those after a key."""
        if key is None:
            return self.order
        left = np.rint(self.left_days * 1e6)
        number = self.stock.number
        later = (left > key[0]) | ((left == key[0]) & (number > key[1]))
        onwards: Indices = self.order[later[self.order]]
        return onwards


def life_left(
    session: Session,
    *,
    views: Mapping[int, SiteView],
    now: datetime,
    species: str | None = None,
    place_id: int | None = None,
    lot_id: int | None = None,
    planned: Planned | None = None,
) -> LifeLeft:
    """Life used and left of every parcel on hand at some sites.

    planned: at a later instant, kept as it says. Some ten queries, whatever the stock; and
    as for `LotQuality` for each lot of unreadable cartons.
    """
    stock = stock_of(
        session, site_ids=list(views), species=species, place_id=place_id, lot_id=lot_id
    )
    lot_of = stock.line.lot_id[stock.on_hand]
    place_of = stock.line.place_id[stock.on_hand]
    lots = _lots(session, np.unique(lot_of))
    target = planned.place_id if planned is not None else None
    stays = _stays(stock, now.timestamp())
    wanted = {*np.unique(np.concatenate((stays.place_id, place_of))).tolist(), target} - {None}
    places = sites.places_by_id(session, list(wanted))
    series = series_of(session, _asked(stays, places, views, now))
    sharpen(session, _uneven(stays, series), series)
    which, lot_at = np.unique(lot_of, return_inverse=True)
    own_column = [_column(lots[int(lot)].species_code) for lot in which]
    column = np.array(own_column, dtype=np.int64)[lot_at]
    tally = _tally(stays, series, places, column, stock.on_hand.size)
    begun, known_s, unknown_s = _pasts(session, [lots[int(lot)] for lot in which], views, now)
    before = begun[lot_at, :, column]
    kept = _Kept(series, places, now.timestamp(), planned)
    more, here_d = kept.of(place_of, column)
    value, low, high = (
        (own + before[:, k] + more[:, k]) / DAY_S
        for k, own in enumerate((tally.value, tally.low, tally.high))
    )
    left_days = (1.0 - value) * here_d
    ice_life_d = np.array([profile.ice_life_d for profile in life_profiles()])
    return LifeLeft(
        stock,
        lots,
        places,
        _batch_codes(session, stock),
        value,
        low,
        high,
        left_days,
        tally.known_s + known_s[lot_at],
        tally.unknown_s + unknown_s[lot_at],
        tally.max_c,
        tally.thawed / DAY_S * ice_life_d[column],
        {
            id_: one.hours.last[0]
            for id_, one in series.items()
            if one.hours is not None and one.is_silent(now.timestamp())
        },
        np.lexsort((stock.number, np.rint(left_days * 1e6))),
    )


def _pasts(
    session: Session, lots: Sequence[Row[Any]], views: Mapping[int, SiteView], now: datetime
) -> tuple[Array, Array, Array]:
    """What each lot used before it came, (n, 3, rates), and seconds known and not, (n,)."""
    used = np.zeros((len(lots), 3, len(rate_tables())))
    known_s, unknown_s = np.zeros((2, len(lots)))
    for i, lot in enumerate(lots):
        view = views[lot.site_id]
        if lot.doubtful:  # of an unreadable carton the worst of what it may have been
            past = LotQuality(session, session.get_one(Lot, lot.id), view, now).before(None)
            used[i] = past.value, past.low, past.high
            known_s[i], unknown_s[i] = past.known_s, past.unknown_s
        else:
            unknown_s[i], assumed = time_before(lot, view)
            for k, rates in enumerate(rates_at(assumed)):
                used[i, k] = rates * unknown_s[i]
    return used, known_s, unknown_s


def _lots(session: Session, ids: Indices) -> dict[int, Row[Any]]:
    """What of lots bears on their life. One query."""
    statement = columns(
        col(Lot.id),
        col(Lot.code),
        col(Lot.site_id),
        col(Lot.species_code),
        col(Lot.received_as),
        col(Lot.frozen_on),
        col(Lot.caught_from),
        col(Lot.arrived_at),
        col(Lot.doubtful),
    )
    if not ids.size:
        return {}
    low, high = int(ids[0]), int(ids[-1])
    wanted = set(ids.tolist())
    rows = session.execute(statement.where(col(Lot.id).between(low, high)))
    return {row.id: row for row in rows if row.id in wanted}


@lru_cache(maxsize=64)
def _column(species_code: str) -> int:
    return life_column(species_facts()[species_code].life_profile)


def _asked(
    stays: _Stays, places: Mapping[int, Place], views: Mapping[int, SiteView], now: datetime
) -> list[Asked]:
    week = now.timestamp() - PLAN_DAYS * DAY_S
    found = []
    for place_id, place in places.items():
        begins = stays.from_s[stays.place_id == place_id]
        begin = min(float(begins.min()), week) if begins.size else week
        gap_s = int(views[place.site_id].policy.gap_minutes * 60)
        found.append(Asked(place_id, begin, gap_s, assumed_of(place)[0]))
    return found


def _uneven(stays: _Stays, series: Mapping[int, PlaceSeries]) -> dict[int, Array]:
    """Instants whose hours must not be spread evenly, by place."""
    wanted = {}
    short = stays.until_s - stays.from_s < SHORT_S
    for place_id, one in series.items():
        mine = stays.place_id == place_id
        hours = one.hours
        if hours is None or not mine.any():
            continue
        instants = np.unique(np.concatenate((stays.from_s[mine], stays.until_s[mine])))
        ends = np.concatenate((stays.from_s[mine & short], stays.until_s[mine & short]))
        bins = hours.bins_at(instants)
        spread = hours.max_c[bins] - hours.min_c[bins] > UNEVEN_K
        wanted[place_id] = np.union1d(instants[spread], ends)
    return wanted


def _tally(
    stays: _Stays,
    series: Mapping[int, PlaceSeries],
    places: Mapping[int, Place],
    column: Indices,
    count: int,
) -> _Tally:
    """Sums over stays, place by place and rate by rate."""
    known, unknown, value, low, high, thawed = np.zeros((6, count))
    tally = _Tally(known, unknown, value, low, high, np.full(count, np.nan), thawed)
    rate = column[stays.owner]
    for place_id, one in series.items():
        here = stays.place_id == place_id
        for number in np.unique(rate[here]):
            mine = np.flatnonzero(here & (rate == number))
            _add(tally, stays, mine, one, places[place_id], int(number), count)
    return tally


def _add(
    tally: _Tally,
    stays: _Stays,
    mine: Indices,
    one: PlaceSeries,
    place: Place,
    number: int,
    count: int,
) -> None:
    owner, begin, end = stays.owner[mine], stays.from_s[mine], stays.until_s[mine]

    def add(to: Array, amounts: Array) -> None:
        to += np.bincount(owner, weights=amounts, minlength=count)

    if one.hours is None:
        value, low, high = (
            (end - begin) * float(rate_tables()[number].at(c)) for c in assumed_of(place)
        )
        add(tally.unknown_s, end - begin)
    else:
        sums = one.hours.between(begin, end, slice(number, number + 1), one.exact)
        value, low, high = sums.value[:, 0], sums.low[:, 0], sums.high[:, 0]
        add(tally.known_s, sums.known_s)
        add(tally.unknown_s, sums.unknown_s)
        np.fmax.at(tally.max_c, owner, one.hours.max_between(begin, end, one.exact))
    add(tally.value, value)
    add(tally.low, low)
    add(tally.high, high)
    add(tally.thawed, np.where(stays.pulled[mine], value, 0.0))


def _batch_codes(session: Session, stock: Stock) -> dict[int, str]:
    ids = np.unique(stock.line.batch_id[stock.on_hand])
    wanted = set(ids[ids > 0].tolist())
    if not wanted:
        return {}
    statement = columns(col(ThawBatch.id), col(ThawBatch.code)).where(
        col(ThawBatch.id).between(min(wanted), max(wanted))
    )
    return {row.id: row.code for row in session.execute(statement) if row.id in wanted}


class _Kept:
    """What happens to fish from now on: as its place was kept, or as it is planned."""

    def __init__(
        self,
        series: Mapping[int, PlaceSeries],
        places: Mapping[int, Place],
        now_s: float,
        planned: Planned | None,
    ) -> None:
        self._series, self._places = series, places
        self._now_s, self._planned = now_s, planned

    def of(self, place_id: Indices, column: Indices) -> tuple[Array, Array]:
        """Of parcels: value, low and high used until the planned instant, shape (n, 3); and
        days that fresh fish lasts as it is kept, shape (n,)."""
        more, here_d = np.zeros((place_id.size, 3)), np.ones(place_id.size)
        seconds = 0.0 if self._planned is None else self._planned.at_s - self._now_s
        for place in np.unique(place_id):
            here = place_id == place
            rates = self._rates(int(place)) if self._planned is not None else None
            for number in np.unique(column[here]):
                mine = here & (column == number)
                if rates is None:
                    here_d[mine] = self._now_d(int(place), int(number))
                else:
                    more[mine] = [float(of[number]) * seconds for of in rates]
                    here_d[mine] = 1.0 / float(rates[0][number])
        return more, here_d

    def _rates(self, place_id: int) -> tuple[Array, Array, Array]:
        """Value, low and high of each rate: planned, else the mean and extreme days of a week."""
        plan = self._planned
        if plan is not None and plan.temperature_c is not None:
            return rates_at((plan.temperature_c,) * 3)
        if plan is not None and plan.place_id is not None:
            place_id = plan.place_id
        kept = as_kept(self._series[place_id], self._now_s)
        return rates_at(assumed_of(self._places[place_id])) if kept is None else kept

    def _now_d(self, place_id: int, column: int) -> float:
        mean = mean_of(self._series[place_id], self._now_s - DAY_S, self._now_s)
        c = assumed_of(self._places[place_id])[0] if mean is None else mean
        return float(1.0 / rate_tables()[column].at(c))


def life_row(
    found: LifeLeft, i: int, views: Mapping[int, SiteView], *, at: datetime
) -> LifeLeftRow:
    """One parcel as it is shown."""
    line, here = found.stock.line, found.stock.on_hand[i]
    lot = found.lots[int(line.lot_id[here])]
    place_id, batch_id = int(line.place_id[here]), int(line.batch_id[here])
    warmest = float(found.max_c[i])
    silent = found.silent_s.get(place_id)
    return LifeLeftRow(
        parcel=int(line.id[here]),
        lot=lot.code,
        species=lot.species_code,
        place=found.places[place_id].code,
        thaw_batch=found.batches.get(batch_id),
        mass=views[lot.site_id].units.mass_out(int(found.stock.grams[i])),
        at=at,
        life=LifeOut(
            used=round(float(found.used[i]), 4),
            used_range=(
                round(float(found.low[i]) / SPREAD, 4),
                round(float(found.high[i]) * SPREAD, 4),
            ),
            left_days=round(max(0.0, float(found.left_days[i])), 1),
            profile=species_facts()[lot.species_code].storage_profile,
        ),
        exposure=ExposureOut(
            hours_known=round(float(found.known_s[i]) / HOUR_S, 2),
            hours_unknown=round(float(found.unknown_s[i]) / HOUR_S, 2),
            max_c=None if np.isnan(warmest) else round(warmest, 2),
        ),
        ice_days=round(float(found.ice_days[i]), 2) if batch_id else None,
        silent_since=None if silent is None else datetime.fromtimestamp(silent, UTC),
    )
