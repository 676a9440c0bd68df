"""What an assessment is computed from: the air, the fish that was there, what was measured."""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from sqlalchemy import Row
from sqlalchemy import select as columns
from sqlmodel import Session, col, select

from service.assessments.rules.bodies import packing_of, stack_of
from service.assessments.rules.figures import FOLLOWED_S, VERSION, Group, Look
from service.catalogue.models import Product
from service.catalogue.rules import species_facts
from service.checks import queries as checks
from service.checks.models import Check
from service.checks.rules import Position
from service.excursions import queries as excursions
from service.excursions.models import Excursion
from service.excursions.queries import Affected, Whole
from service.ledger.models import Parcel
from service.lots import queries as lots
from service.lots.models import Lot
from service.lots.rules import ReceivedAs
from service.science.arrays import Array
from service.science.estimate import Estimate
from service.science.exposure import AMBIENT_C
from service.science.gaps import AirSeries, GapRule, air_series
from service.site import queries as sites
from service.site.models import Place
from service.site.queries import SiteView
from service.site.rules import PlaceKind
from service.temperatures import queries as temperatures

BEFORE_S = 3 * 86400  # of air, whose mean the fish begins with [science reference 3.2]
STEP_S = 300  # readings nearer than this are averaged
LEAST_OF_A_DAY_S = 6 * 3600  # of readings, for the mean of a day
START_ERROR_K = 0.5
# Fish that came within three days, or before anybody measured: as before its arrival.
CAME_LATELY = Estimate(
    -18.0, -25.0, -15.0, "°C", ("came within three days: supposed to be at -18 °C, -25 to -15",)
)
CHILLED = Estimate(1.0, 0.0, 4.0, "°C", ("received chilled: not frozen before",))


@dataclass(frozen=True)
class Inputs:
    """Everything that one assessment is computed from.

    whole : when the event began and ended, by all probes that saw it. basis : a digest of it;
    what became of the fish since does not count. until_s : how far it looks. readings : how
    many points the air has; none where they are not kept any more.
    """

    excursion: Excursion
    whole: Whole
    place: Place
    view: SiteView
    air: AirSeries
    air_source: str
    readings: int
    groups: tuple[Group, ...]
    until_s: float
    basis: str


def inputs(session: Session, excursion: Excursion, *, at: datetime) -> Inputs:
    """Gather what an excursion is assessed by. About twelve queries, whatever the store;
    cost grows with the readings of the event and the parcels of the lots that were there."""
    place = session.get_one(Place, excursion.place_id)
    view = sites.view(session, place.site_id, at=at)
    whole = excursions.wholes(session, [excursion])[excursion.id or 0]
    begin_s = whole.from_at.timestamp()
    at_s, air_c, source = _readings(session, place, whole, at)
    looks = _looks(session, excursion, whole, at)
    last_look_s = max((look.at_s for found in looks.values() for look in found), default=begin_s)
    until_s = max(_until_s(whole, at_s, at, view.policy.gap_minutes * 60), last_look_s)
    air = _air(at_s, air_c, begin_s, until_s, view)
    if air is None:
        air, source = _supposed(whole, begin_s, until_s), "no reading is kept of that time"
    start = _start(at_s, air_c, begin_s)
    groups: tuple[Group, ...] = ()
    if place.kind == PlaceKind.FREEZER:
        groups = _groups(session, excursion, whole, start, until_s, looks)
    return Inputs(
        excursion,
        whole,
        place,
        view,
        air,
        source,
        int(at_s.size),
        groups,
        until_s,
        _basis(excursion, whole, view, groups, at_s, air_c, until_s),
    )


def _readings(
    session: Session, place: Place, whole: Whole, at: datetime
) -> tuple[Array, Array, str]:
    """The governing probes' readings from three days before, five minutes apart at least."""
    from_s = int(whole.from_at.timestamp()) - BEFORE_S
    to_s = int(_followed_until(whole, at).timestamp()) + 1
    pieces = temperatures.governing(session, place.id or 0, from_s, to_s)
    read = [temperatures.raw(session, p.probe_id, p.from_s, p.until_s) for p in pieces]
    at_s = np.concatenate([np.zeros(0), *(each[0].astype(np.float64) for each in read)])
    air_c = np.concatenate([np.zeros(0), *(each[1] for each in read)])
    at_s, air_c = _thinned(at_s, air_c)
    return at_s, air_c, f"air of the place, {at_s.size} points from {len(pieces)} probe time(s)"


def _thinned(at_s: Array, air_c: Array) -> tuple[Array, Array]:
    """Means of five minutes each, where readings come more often."""
    if at_s.size < 2:
        return at_s, air_c
    bins, first = np.unique(at_s // STEP_S, return_index=True)
    count = np.diff(np.append(first, at_s.size))
    if count.max() == 1:
        return at_s, air_c
    starts = np.add.reduceat(at_s, first) / count
    return starts[: bins.size], np.add.reduceat(air_c, first) / count


def _followed_until(whole: Whole, at: datetime) -> datetime:
    ended = whole.ended_at
    return at if ended is None else min(at, ended + timedelta(seconds=FOLLOWED_S))


def _until_s(whole: Whole, at_s: Array, at: datetime, gap_s: float) -> float:
    """How far is looked: to the last reading, or to the instant where there is none near it."""
    until_s = _followed_until(whole, at).timestamp()
    begin_s = whole.from_at.timestamp()
    if at_s.size and begin_s < at_s[-1] <= until_s and until_s - at_s[-1] <= gap_s:
        return float(at_s[-1])
    return max(until_s, begin_s + 60.0)


def _air(
    at_s: Array, air_c: Array, begin_s: float, until_s: float, view: SiteView
) -> AirSeries | None:
    if not at_s.size:
        return None
    kept = at_s <= until_s
    at_s, air_c = at_s[kept], air_c[kept]
    if not at_s.size:
        return None
    steps = np.diff(at_s)
    usual_s = float(np.median(steps)) if steps.size else float(STEP_S)
    rule = GapRule(interval_s=min(max(usual_s, 1.0), 86400.0), limit_s=view.policy.gap_minutes * 60)
    return air_series(
        at_s,
        air_c,
        rule,
        begin_s=min(begin_s, float(at_s[0])),
        end_s=max(until_s, float(at_s[-1])),
    )


def _supposed(whole: Whole, begin_s: float, until_s: float) -> AirSeries:
    """Without readings: all the time as warm as the excursion is known to have been."""
    cold = CAME_LATELY.value
    warm = max(cold, whole.peak_c if whole.peak_c is not None else AMBIENT_C)
    low, middle, high = (np.full(2, c) for c in (cold, (cold + warm) / 2, warm))
    return AirSeries(np.array([begin_s, until_s]), low, middle, high, np.array([True]))


def _start(at_s: Array, air_c: Array, begin_s: float) -> Estimate:
    """The mean air of the three days before, and the coldest and warmest of the days."""
    days = []
    for day in range(3):
        low, high = begin_s - 86400.0 * (day + 1), begin_s - 86400.0 * day
        there = (at_s >= low) & (at_s <= high)
        if there.sum() > 1 and float(np.ptp(at_s[there])) >= LEAST_OF_A_DAY_S:
            span = float(np.ptp(at_s[there]))
            days.append(float(np.trapezoid(air_c[there], at_s[there])) / span)
    if not days:
        return CAME_LATELY
    mean = sum(days) / len(days)
    step = f"begun at the mean air of {len(days)} day(s) before, {mean:.1f} °C"
    return Estimate(mean, min(days) - START_ERROR_K, max(days) + START_ERROR_K, "°C", (step,))


def _groups(
    session: Session,
    excursion: Excursion,
    whole: Whole,
    start: Estimate,
    until_s: float,
    looks: Mapping[int, Sequence[Look]],
) -> tuple[Group, ...]:
    """The fish that was there, by lot and by when it came and left."""
    assert excursion.id is not None
    met = excursions.affected(session, excursion.id)
    found = lots.lots_by_id(session, [row.lot_id for row in met])
    fish = {
        i: lot
        for i, lot in found.items()
        if lot.received_as not in (ReceivedAs.LIVE, ReceivedAs.DRY)
    }
    parcels = _parcels(session, fish)
    products = _products(session, fish.values())
    there: dict[int, int] = {}
    for row in met:
        if row.in_place:
            there[row.lot_id] = there.get(row.lot_id, 0) + row.grams
    groups = []
    for key, rows in _together(whole, met, parcels, until_s).items():
        lot_id, from_s, leaves_s, moved, lately = key
        if lot_id not in fish:
            continue
        lot = fish[lot_id]
        product, facts = products[lot.product_id], species_facts()[lot.species_code]
        packing = packing_of(product.form, product.carton_g, product.shape, facts.thermal_group)
        chilled = lot.received_as == ReceivedAs.CHILLED and lately
        groups.append(
            Group(
                lot_id=lot_id,
                lot=lot.code,
                species=facts,
                packing=packing,
                stack=stack_of(packing, there.get(lot_id, 0)),
                start_c=CHILLED if chilled else CAME_LATELY if lately else start,
                from_s=from_s,
                until_s=leaves_s,
                moved=moved,
                parcels=tuple(sorted(row.parcel_id for row in rows)),
                there_g=there.get(lot_id, 0),
                on_hand_g=sum(row.on_hand for row in rows),
                looks=tuple(
                    look for look in looks.get(lot_id, ()) if from_s <= look.at_s <= leaves_s
                ),
            )
        )
    return tuple(sorted(groups, key=lambda g: (g.lot, g.from_s, g.until_s, g.moved)))


_Key = tuple[int, float, float, bool, bool]
"""Lot; since when and until when there; whether it was moved while warm; whether it had come
lately."""


def _together(
    whole: Whole,
    met: Sequence[Affected],
    parcels: Mapping[int, Row[tuple[int, int | None, datetime]]],
    until_s: float,
) -> dict[_Key, list[Affected]]:
    """Parcels that share their history. Of a lot that is used up, what was there itself."""
    left = {row.lot_id for row in met if row.on_hand > 0}
    begin_s = whole.from_at.timestamp()
    over = whole.ended_at.timestamp() if whole.ended_at else until_s
    groups: dict[_Key, list[Affected]] = {}
    for row in met:
        if row.parcel_id not in parcels:
            continue
        if row.on_hand == 0 and (row.lot_id in left or not row.in_place):
            continue
        came = parcels[row.heir_of].opened_at.timestamp()
        leaves = _left_s(row, parcels)
        moved = leaves is not None and leaves < over
        from_s = min(max(begin_s, came), until_s - 60.0)
        ends_s = max(leaves if moved and leaves is not None else until_s, from_s + 60.0)
        lately = came > begin_s - BEFORE_S
        groups.setdefault((row.lot_id, from_s, ends_s, moved, lately), []).append(row)
    return groups


def _left_s(
    row: Affected, parcels: Mapping[int, Row[tuple[int, int | None, datetime]]]
) -> float | None:
    """When this fish left the place; None while it is there."""
    if row.in_place:
        return row.until_at.timestamp() if row.until_at is not None else None
    parcel = parcels[row.parcel_id]
    while parcel.parent_id is not None and parcel.parent_id != row.heir_of:
        parcel = parcels[parcel.parent_id]
    return float(parcel.opened_at.timestamp())


def _parcels(
    session: Session, fish: Mapping[int, Lot]
) -> dict[int, Row[tuple[int, int | None, datetime]]]:
    """Of all parcels of lots, what they were taken from and when. One query.

    Columns only: no balance may be remembered from before the species is locked.
    """
    rows = session.execute(
        columns(col(Parcel.id), col(Parcel.parent_id), col(Parcel.opened_at)).where(
            col(Parcel.lot_id).in_(fish)
        )
    ).all()
    return {row.id: row for row in rows}


def _products(session: Session, fish: Iterable[Lot]) -> dict[int, Product]:
    ids = {lot.product_id for lot in fish}
    rows = session.exec(select(Product).where(col(Product.id).in_(ids)))
    return {row.id: row for row in rows if row.id is not None}


def _looks(
    session: Session, excursion: Excursion, whole: Whole, at: datetime
) -> dict[int, list[Look]]:
    """Cores measured in the place during the excursion and while it is followed, by lot."""
    found: dict[int, list[Look]] = {}
    until = _followed_until(whole, at)
    for check in checks.cores(session, excursion.place_id, whole.from_at, until):
        if check.measured_c is None or check.excursion_id not in (None, excursion.id):
            continue
        if check.lot_id is not None:
            found.setdefault(check.lot_id, []).append(_look(check, check.measured_c))
    return found


def _look(check: Check, core_c: float) -> Look:
    position = Position(check.position) if check.position else None
    return Look(check.id or 0, check.occurred_at.timestamp(), core_c, position)


def _basis(
    excursion: Excursion,
    whole: Whole,
    view: SiteView,
    groups: Sequence[Group],
    at_s: Array,
    air_c: Array,
    until_s: float,
) -> str:
    said = json.dumps(
        [
            VERSION,
            excursion.id,
            whole.from_at.timestamp(),
            whole.ended_at.timestamp() if whole.ended_at else None,
            round(until_s),
            view.policy_version,
            [(g.lot, g.from_s, g.until_s, g.moved, g.there_g, g.start_c.high) for g in groups],
            [[(look.number, look.core_c) for look in g.looks] for g in groups],
        ]
    )
    digest = hashlib.sha256(said.encode())
    digest.update(np.round(at_s).tobytes())
    digest.update(np.round(air_c, 3).tobytes())
    return digest.hexdigest()
