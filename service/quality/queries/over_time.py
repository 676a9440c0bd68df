"""What a lot held of a nutrient, holds, and is going to hold: for a chart."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import ceil

import numpy as np
from sqlmodel import Session

from service.catalogue.rules import nutrients
from service.errors import Invalid
from service.lots.models import Lot
from service.quality.queries.exposure import rates_at
from service.quality.queries.quality import LotQuality, short, tests_of
from service.quality.rules import Held, Result, amounts_left
from service.quality.rules.chart import chart
from service.quality.schemas import ContentPoint, CountedResult, OverTimeOut
from service.quantities import parse_temperature
from service.science.arrays import Array
from service.science.exposure import DAY_S
from service.science.residual import Band
from service.site.queries import SiteView
from service.temperatures.rules import vitamin_column

COLDEST_C = -60.0
MOST_POINTS = 180  # of the past, and of the time to come: daily for half a year, then coarser


@dataclass(frozen=True)
class OverTime:
    """A nutrient of a lot over time, as fed in the service's unit of it.

    held : what there is now. at_s : instants, ascending, with one at `now_s`; later ones are
    forecast. left : low, value and high at each. storage_c : the temperature of the forecast,
    None: as its place was kept in the last week. results, sampled_s : every counted one of the
    lot, and when it was sampled.
    """

    held: Held
    at_s: Array
    left: Band
    now_s: float
    places: tuple[str, ...]
    storage_c: float | None
    results: tuple[Result, ...]
    sampled_s: tuple[float, ...]


def content_over_time(
    session: Session,
    view: SiteView,
    lot: Lot,
    tag: str,
    *,
    at: datetime,
    storage_c: float | None = None,
    days: int,
) -> OverTime:
    """What a lot held since its sample (else its freezing or catch), and will in `days`.

    The past at the temperatures that the fish had, unmeasured hours in the band; then one
    temperature, else as the place of the fish was kept in the last week, the coldest and the
    warmest day in the band. Raises Invalid where nobody knows how much there was.

    As many queries as `LotQuality` and two of assays, then arrays: 15 ms for two years.
    """
    assert lot.id is not None
    quality = LotQuality(session, lot, view, at)
    parcels = quality.frozen()
    tested = tests_of(session, [lot.id], on=view.day_of(at))[lot.id]
    quality.prepare(parcels, tested)
    held = quality.contents(parcels, tested).get(tag)
    if held is None:
        raise Invalid.at("tag", "nobody knows how much of it this fish holds: have it assayed")
    since = _begin(quality, held)
    past_s, ahead_s = _steps(since, at), _steps(at, at + timedelta(days=days))[1:]
    past = quality.days_until(parcels, held.sampled_on, since, past_s)
    places = tuple(dict.fromkeys(parcel.place_id for parcel in parcels))
    ahead = _ahead(quality, places, storage_c, ahead_s - at.timestamp())
    elapsed = Band(
        *(
            np.concatenate((was, was[-1] + more))
            for was, more in zip(past.triple, ahead.triple, strict=True)
        )
    )
    results = tuple(tested.results.get(tag, ()))
    return OverTime(
        held=held,
        at_s=np.concatenate((past_s, ahead_s)),
        left=amounts_left(tag, held.start, held.rate, elapsed, in_water=held.in_water),
        now_s=at.timestamp(),
        places=tuple(quality.places[place_id].code for place_id in places),
        storage_c=storage_c,
        results=results,
        sampled_s=tuple(quality.noon(r.sampled_on).timestamp() for r in results),
    )


def _begin(quality: LotQuality, held: Held) -> datetime:
    """When the loss begins to count: noon of the sample, else when it was frozen or came."""
    if held.sampled_on is not None:
        return min(quality.noon(held.sampled_on), quality.at)
    if held.since is not None:
        return min(quality.view.start_of(held.since), quality.lot.arrived_at)
    return quality.lot.arrived_at


def _steps(begin: datetime, end: datetime) -> Array:
    """Instants from one to another, whole days apart, the last as it falls."""
    length = end.timestamp() - begin.timestamp()
    step = DAY_S * max(1, ceil(length / DAY_S / MOST_POINTS))
    return np.append(np.arange(0.0, length, step), length) + begin.timestamp()


def _ahead(
    quality: LotQuality, places: Sequence[int], storage_c: float | None, seconds: Array
) -> Band:
    """Days at -18 °C that do as much as so many seconds as the fish is going to be kept."""
    column = vitamin_column()
    if storage_c is not None:
        kept = [rates_at((storage_c,) * 3)]
    else:
        kept = [quality.exposures.kept(place_id, quality.at) for place_id in places]
    value, low, high = (
        float(pick(rates[k][column] for rates in kept)) / DAY_S
        for k, pick in ((0, max), (1, min), (2, max))
    )
    return Band(low * seconds, value * seconds, high * seconds)


def frozen_c(storage: str | None) -> float | None:
    """A temperature to store frozen fish at: the loss rates are of frozen fish.

    Raises Invalid naming `storage`.
    """
    if storage is None:
        return None
    try:
        celsius = parse_temperature(storage).c
    except ValueError as error:
        raise Invalid.at("storage", str(error)) from error
    if not COLDEST_C <= celsius < 0:
        raise Invalid.at("storage", f"frozen fish is stored below 0 and from {COLDEST_C:g} °C on")
    return float(celsius)


def over_time_out(found: OverTime, lot: Lot, view: SiteView) -> OverTimeOut:
    """A nutrient over time as it is shown."""
    held = found.held
    kept = f"as {', '.join(found.places)} was in the last week"
    storage = None
    if found.storage_c is not None:
        kept, storage = "at one temperature", view.units.temperature_out(found.storage_c)
    return OverTimeOut(
        lot=lot.code,
        nutrient=held.nutrient,
        unit=held.unit,
        at=datetime.fromtimestamp(found.now_s, UTC),
        source=held.source,
        kept=kept,
        storage=storage,
        results=[
            CountedResult(
                assay=r.assay_id,
                sampled_on=r.sampled_on,
                portion=r.portion,
                amount=short(r.amount),
                below=r.limit,
            )
            for r in found.results
        ],
        steps=list(held.steps),
        items=[
            ContentPoint(
                at=datetime.fromtimestamp(at_s, UTC),
                low=short(low),
                amount=short(value),
                high=short(high),
                forecast=at_s > found.now_s,
            )
            for at_s, low, value, high in zip(
                found.at_s.tolist(), *(part.tolist() for part in found.left.triple), strict=True
            )
        ],
    )


def over_time_drawn(found: OverTime, lot: Lot) -> str:
    """A nutrient over time as an SVG."""
    held = found.held
    seen = [(at, r.amount) for at, r in zip(found.sampled_s, found.results, strict=True)]
    title = f"{nutrients()[held.nutrient].name} of lot {lot.code}: {held.source}"
    unit = f"{held.unit} as fed"
    return chart(title, unit, found.at_s, found.left, now_s=found.now_s, measured=seen)
