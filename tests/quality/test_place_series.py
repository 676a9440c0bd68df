"""The series of a place against plain integration of the same readings, and how it is kept."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.integrate import simpson
from sqlmodel import Session, select

from service.probes.models import GoverningChoice, ProbeFault, ProbeStay
from service.probes.rules import ProbeKind, Standing
from service.quality.queries.place_series import KEPT, Asked, Kept, PlaceSeries, series_of
from service.quantities import TemperatureUnit
from service.science.arrays import Array
from service.science.exposure import HOUR_S, gap_bound, hour_rollups
from service.science.kinetics import arrhenius_factor
from service.science.place_hours import PlaceHours, summed
from service.security.actor import SERVICE
from service.site.models import Place
from service.temperatures.actions import decoding, storing
from service.temperatures.rules import rate_tables, vitamin_column
from service.temperatures.rules.composing import composed, odd_hours, windows_of
from service.temperatures.rules.governing import MeasuredHours, Piece, governing_of
from tests.kitchen import Kitchen

DAY = 86400
GAP_S = 3600
FOREVER = 2**40
START = 20_000 * DAY  # 2024-10-04
ASSUMED_C = -18.0
EVERY = slice(None)


@dataclass
class World:
    """Probes with where they hung and what they read, as arrays."""

    standings: list[Standing]
    readings: dict[int, tuple[Array, Array]]

    def hours(self) -> PlaceHours:
        at_s = np.concatenate([at for at, _ in self.readings.values()]).astype(np.int64)
        celsius = np.concatenate([c for _, c in self.readings.values()])
        probe = np.repeat(list(self.readings), [at.size for at, _ in self.readings.values()])
        rolled = hour_rollups(probe, at_s, celsius, gap_s=GAP_S, rates=rate_tables())
        begin = int(at_s.min()) // DAY * DAY
        end = int(rolled.hour_s.max()) + HOUR_S
        bins = composed(
            self.standings, rolled, self.readings, begin, end, gap_s=GAP_S, rates=rate_tables()
        )
        made = summed(bins, None, gap_s=GAP_S, rates=rate_tables(), assumed_c=ASSUMED_C)
        assert made is not None
        return made

    def pieces(self) -> list[Piece]:
        measured = {}
        for probe, (at_s, c) in self.readings.items():
            rolled = hour_rollups(
                np.full(at_s.size, probe), at_s.astype(np.int64), c, gap_s=GAP_S, rates=()
            )
            measured[probe] = MeasuredHours(
                rolled.hour_s, rolled.readings, rolled.covered_s, rolled.mean_c
            )
        begin = min(int(at.min()) for at, _ in self.readings.values()) // DAY * DAY
        end = max(int(m.hour_s[-1]) for m in measured.values()) + HOUR_S
        return governing_of(self.standings, measured, begin, end).pieces()

    def plainly(self, begin_s: float, end_s: float) -> tuple[float, float]:
        """Seconds measured, and what vitamins lost in them: line by line."""
        windows = windows_of(self.standings)
        known, lost = 0.0, 0.0
        for piece in self.pieces():
            at_s, c = self.readings[piece.probe_id]
            for i in range(at_s.size - 1):
                low = max(at_s[i], begin_s, piece.from_s)
                high = min(at_s[i + 1], end_s, piece.until_s)
                if high <= low or at_s[i + 1] - at_s[i] > GAP_S:
                    continue
                if not any(a <= at_s[i] and at_s[i + 1] < b for a, b in windows[piece.probe_id]):
                    continue
                slope = (c[i + 1] - c[i]) / (at_s[i + 1] - at_s[i])
                grid = np.linspace(low, high, 61)
                line = c[i] + slope * (grid - at_s[i])
                known += high - low
                lost += float(simpson(arrhenius_factor(line), x=grid))  # to 1e-6 over 45 K
        return known, lost


def between(hours: PlaceHours, begin: float, end: float) -> tuple[float, ...]:
    sums = hours.between(np.array([begin]), np.array([end]), EVERY)
    column = vitamin_column()
    return (
        float(sums.known_s[0]),
        float(sums.unknown_s[0]),
        float(sums.low[0, column]),
        float(sums.value[0, column]),
        float(sums.high[0, column]),
    )


def air(probe: int, from_s: int, until_s: int, chosen: bool = False) -> Standing:
    return Standing(probe, ProbeKind.AIR, from_s, until_s, chosen)


@st.composite
def worlds(draw: st.DrawFn) -> World:
    """One to three probes over some days: hung and taken away, broken, chosen, silent."""
    standings, readings = [], {}
    for probe in range(1, draw(st.integers(1, 3)) + 1):
        cut = st.builds(
            lambda hour, second: START + hour * HOUR_S + second,
            st.sampled_from(range(24)),
            st.sampled_from([0, 1, 700, 1800, 3599]),
        )
        cuts = sorted(draw(st.lists(cut, max_size=3, unique=True)))
        bounds = [0, *cuts, FOREVER]
        kind = draw(st.sampled_from(list(ProbeKind)))
        for low, high in pairwise(bounds):
            if draw(st.integers(0, 3)):
                standings.append(Standing(probe, kind, low, high, draw(st.booleans())))
        steps = draw(
            st.lists(
                st.sampled_from([300, 900, 3599, 3600, 3601, 9000, 40_000]), min_size=1, max_size=50
            )
        )
        at_s = START + draw(st.integers(0, 2 * HOUR_S)) + np.concatenate(([0], np.cumsum(steps)))
        celsius = draw(st.lists(st.integers(-3000, 1500), min_size=at_s.size, max_size=at_s.size))
        readings[probe] = (at_s.astype(np.float64), np.array(celsius) / 100)
    if not standings:
        standings.append(air(1, 0, FOREVER))
    return World(standings, readings)


def has_readings(world: World) -> bool:
    windows = windows_of(world.standings)
    return any(
        any(((at >= low) & (at < high)).any() for low, high in windows.get(probe, []))
        for probe, (at, _) in world.readings.items()
    )


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(world=worlds(), data=st.data())
def test_whatever_hung_broke_and_fell_silent_it_is_the_plain_sum_of_what_was_measured(
    world: World, data: st.DataObject
) -> None:
    """Between full hours, where nothing is spread; no second is lost, no bound is crossed."""
    if not has_readings(world):
        return
    hours = world.hours()
    assert hours.first is not None
    first, last = int(hours.first[0] // HOUR_S) + 1, int(hours.last[0] // HOUR_S)
    if last <= first:
        return
    low = data.draw(st.integers(first, last - 1)) * HOUR_S
    high = data.draw(st.integers(low // HOUR_S + 1, last)) * HOUR_S
    known, lost = world.plainly(low, high)
    found_known, unknown, least, value, most = between(hours, low, high)
    assert found_known == pytest.approx(known, abs=1e-5)
    assert found_known + unknown == pytest.approx(high - low)
    used = np.diff(hours.used[hours.bins_at(np.array([low, high])), vitamin_column()])[0]
    assert used == pytest.approx(lost, rel=2e-5, abs=1e-6)
    coldest = unknown * float(arrhenius_factor(np.array(-30.0)))
    assert least >= (lost + coldest) * (1 - 2e-4) - 1e-3, "unknown time is never nothing"
    assert least <= value * (1 + 1e-9) + 1e-9
    assert value <= most * (1 + 1e-9) + 1e-9


@settings(max_examples=100, suppress_health_check=[HealthCheck.too_slow])
@given(world=worlds(), data=st.data())
def test_a_stay_cut_anywhere_adds_up(world: World, data: st.DataObject) -> None:
    if not has_readings(world):
        return
    hours = world.hours()
    instants = st.floats(hours.edge_s[0] - DAY, hours.edge_s[-1] + DAY)
    begin, cut, end = sorted(data.draw(st.tuples(instants, instants, instants)))
    whole = between(hours, begin, end)
    parts = np.add(between(hours, begin, cut), between(hours, cut, end))
    assert parts == pytest.approx(whole, rel=1e-9, abs=1e-3)


def evenly(from_s: int, count: int, every_s: int) -> Array:
    return from_s + every_s * np.arange(count, dtype=np.float64)


@st.composite
def possible_air(draw: st.DrawFn) -> tuple[Array, Array]:
    """Air every five minutes that warms and cools no faster than a gap's bound allows."""
    count = draw(st.integers(40, 200))
    moves = draw(st.lists(st.floats(-1, 1), min_size=count, max_size=count))
    celsius = [draw(st.floats(-30, 10))]
    for move in moves[1:]:
        at = celsius[-1]
        fastest = (20 - at) * (1 - np.exp(-300 / (4 * HOUR_S)))
        celsius.append(at + (move * fastest if move > 0 else move * 300 * 10 / HOUR_S))
    return evenly(START, count, 300), np.array(celsius, dtype=np.float64)


@settings(max_examples=100)
@given(series=possible_air(), data=st.data())
def test_readings_that_are_missing_never_lower_the_high_bound(
    series: tuple[Array, Array], data: st.DataObject
) -> None:
    """Principle: a missing reading never helps the fish. Any stretch longer than the gap limit."""
    at_s, celsius = series
    low = data.draw(st.integers(1, at_s.size - 15))
    high = data.draw(st.integers(low + 13, at_s.size - 1))
    keep = np.ones(at_s.size, dtype=bool)
    keep[low:high] = False
    standings = [air(1, 0, FOREVER)]
    whole = World(standings, {1: (at_s, celsius)}).hours()
    holed = World(standings, {1: (at_s[keep], celsius[keep])}).hours()
    begin, end = np.array([at_s[0]]), np.array([at_s[-1]])
    most = holed.between(begin, end, EVERY).high
    was = whole.between(begin, end, EVERY).high
    assert (most >= was * (1 - 1e-5)).all()


@given(
    length_h=st.floats(1.1, 300),
    before=st.floats(-30, 5),
    after=st.floats(-30, 5),
    offset=st.integers(0, 3599),
)
def test_a_gap_is_bounded_as_one_gap_by_itself_is(
    length_h: float, before: float, after: float, offset: int
) -> None:
    """Against `gap_bound`, which is checked against science reference 3.4 by hand."""
    start, end = float(START + offset), float(START + offset + int(length_h * HOUR_S))
    world = World([air(1, 0, FOREVER)], {1: (np.array([start, end]), np.array([before, after]))})
    hours = world.hours()
    exact = hours.edge_s[1]  # spread evenly inside hours: ask from hour to hour
    assert exact
    sums = hours.between(
        np.array([START - 10.0 * HOUR_S]), np.array([end // HOUR_S * HOUR_S + HOUR_S]), EVERY
    )
    other = World([air(1, 0, FOREVER)], {1: (np.array([start]), np.array([before]))}).hours()
    head = other.between(np.array([START - 10.0 * HOUR_S]), np.array([START * 1.0]), EVERY)
    rate = rate_tables()[0]
    bound = gap_bound(start, end, before, after)
    most = float(
        (np.diff(bound.at_s) * rate.mean(bound.envelope_c[:-1], bound.envelope_c[1:])).sum()
    )
    beside = offset * float(rate.at(before))  # the first reading stands for the time just before
    tail_s = end // HOUR_S * HOUR_S + HOUR_S - end
    beside += tail_s * float(rate.at(after))
    assert sums.high[0, 0] - head.high[0, 0] == pytest.approx(most + beside, rel=5e-3)


def test_a_silent_thermometer_does_not_use_up_a_life_a_day() -> None:
    """Silent for 100 days at -22 °C: at most half a day's bound on top of -18 °C; high is all."""
    at_s = evenly(START, 100, 300)
    world = World([air(1, 0, FOREVER)], {1: (at_s, np.full(100, -22.0))})
    hours, rates = world.hours(), rate_tables()
    end = at_s[-1] + 100 * DAY
    sums = hours.between(at_s[-1:], np.array([end]), EVERY)
    for column, rate in enumerate(rates):
        calm, hot = (100 * DAY * float(rate.at(c)) for c in (-18.0, 20.0))
        assert sums.value[0, column] <= calm + 0.5 * DAY * float(rate.at(20.0))
        assert 0.99 * calm <= sums.value[0, column]
        assert 0.99 * hot <= sums.high[0, column] <= hot
    assert sums.unknown_s[0] == 100 * DAY - GAP_S


def steady(from_s: int, until_s: int, celsius: float, every: int = 300) -> tuple[Array, Array]:
    at_s = np.arange(from_s, until_s, every, dtype=np.float64)
    return at_s, np.full(at_s.size, celsius)


def who(world: World) -> list[tuple[int, int, int]]:
    return [
        (p.probe_id, (p.from_s - START) // HOUR_S, (p.until_s - START) // HOUR_S)
        for p in world.pieces()
    ]


def test_the_warmest_air_probe_that_measured_enough_stands_for_each_day() -> None:
    """The warmer one falls silent at noon of the second day: it covers half, so the other one."""
    world = World(
        [air(1, 0, FOREVER), air(2, 0, FOREVER)],
        {
            1: steady(START, START + 2 * DAY, -22.0),
            2: steady(START, START + DAY + DAY // 2, -20.0),
        },
    )
    assert who(world) == [(2, 0, 24), (1, 24, 48)]


def test_the_sites_choice_stands_wherever_it_measured() -> None:
    world = World(
        [
            air(1, 0, START + DAY // 4),
            air(1, START + DAY // 4, FOREVER, chosen=True),
            air(2, 0, FOREVER),
        ],
        {1: steady(START, START + DAY // 2, -25.0), 2: steady(START, START + DAY, -20.0)},
    )
    assert who(world) == [(2, 0, 6), (1, 6, 12), (2, 12, 24)]


def test_air_stands_before_product_and_a_broken_probe_for_nothing() -> None:
    product = Standing(2, ProbeKind.PRODUCT, 0, FOREVER, False)
    world = World(
        [air(1, 0, START + DAY), product],
        {1: steady(START, START + 2 * DAY, -22.0), 2: steady(START, START + 2 * DAY, -15.0)},
    )
    assert who(world) == [(1, 0, 24), (2, 24, 48)]


def test_what_a_broken_probe_read_never_counts() -> None:
    """+40 °C for two hours in a fault from 10:20 to 12:10: the time is unknown, not warm."""
    at_s, celsius = steady(START, START + DAY, -20.0)
    begin, end = START + 10 * HOUR_S + 1200, START + 12 * HOUR_S + 600
    celsius[(at_s >= begin) & (at_s < end)] = 40.0
    world = World([air(1, 0, begin), air(1, end, FOREVER)], {1: (at_s, celsius)})
    hours = world.hours()
    assert odd_hours(world.standings, START, START + DAY)
    unknown = between(hours, START, START + DAY)[1]
    assert unknown == pytest.approx(end - begin + 300, abs=1)
    warmest = hours.max_between(np.array([START * 1.0]), np.array([START + DAY * 1.0]))
    assert warmest[0] == -20.0


# How series are kept.


def place_id(session: Session, code: str = "FZ1") -> int:
    return session.exec(select(Place.id).where(Place.code == code)).one() or 0


def series(session: Session, kept: Kept, from_s: float = 0.0) -> PlaceSeries:
    asked = Asked(place_id(session), from_s, GAP_S, ASSUMED_C)
    return series_of(session, [asked], kept)[asked.place_id]


def all_of(found: PlaceSeries) -> list[Array]:
    assert found.hours is not None
    return [rows for rows in vars(found.hours).values() if isinstance(rows, np.ndarray)]


def assert_same(one: PlaceSeries, other: PlaceSeries) -> None:
    for mine, theirs in zip(all_of(one), all_of(other), strict=True):
        np.testing.assert_array_equal(mine, theirs)


def post(kitchen: Kitchen, probe: str, at_s: Array, celsius: Array) -> None:
    rows = [
        {
            "probe": probe,
            "at": datetime.fromtimestamp(int(at), UTC).isoformat(),
            "temperature_c": round(float(c), 2),
        }
        for at, c in zip(at_s, celsius, strict=True)
    ]
    answer = kitchen.commissary.made("/readings", rows)
    assert answer["stored"] == len(rows), answer


def test_readings_that_come_late_and_in_any_order_give_what_all_at_once_gives(
    kitchen: Kitchen,
) -> None:
    """Two processes look after every delivery; both end with what a third makes anew."""
    shuffle = np.random.default_rng(7)
    kitchen.manager.made("/probes", {"code": "FZ1-B", "place": "FZ1", "kind": "air"})
    begin = int((kitchen.clock() - timedelta(days=6)).timestamp())
    parts = []
    for probe, warmer in (("FZ1-AIR", 0.0), ("FZ1-B", 1.0)):
        at_s = begin + np.sort(shuffle.choice(6 * DAY, 700, replace=False)).astype(np.float64)
        celsius = -20 + warmer + shuffle.normal(0, 2, 700)
        parts += [
            (probe, a, c) for a, c in zip(np.split(at_s, 10), np.split(celsius, 10), strict=True)
        ]
    shuffle.shuffle(parts)
    one, other = Kept(), Kept()
    for i, (probe, at_s, celsius) in enumerate(parts):
        post(kitchen, probe, at_s, celsius)
        with kitchen.looking() as session:
            series(session, one)
            if i % 3 == 0:
                series(session, other)
    with kitchen.looking() as session:
        anew = series(session, Kept())
        assert_same(series(session, one), anew)
        assert_same(series(session, other), anew)
        again = series(session, one)
        assert again is series(session, one), "nothing changed: nothing is made again"


def test_stays_faults_and_choices_that_are_told_later_count_at_once(kitchen: Kitchen) -> None:
    kitchen.manager.made("/probes", {"code": "FZ1-B", "place": "FZ1", "kind": "air"})
    begin = int((kitchen.clock() - timedelta(days=4)).timestamp())
    at_s = evenly(begin, 4 * 144, 600)
    post(kitchen, "FZ1-AIR", at_s, np.full(at_s.size, -21.0))
    post(kitchen, "FZ1-B", at_s, np.full(at_s.size, -19.0))
    kept = Kept()
    changes: list[Callable[[Session], Any]] = [
        lambda s: s.add(
            GoverningChoice(
                place_id=place_id(s),
                probe_id=1,
                from_s=begin + 3 * DAY + 700,
                reason="nearer to the fish",
                recorded_at=kitchen.clock(),
                by="boss",
            )
        ),
        lambda s: s.add(
            ProbeFault(
                probe_id=1,
                from_s=begin + 2 * DAY + 5000,
                until_s=begin + 3 * DAY + 9000,
                reason="wet",
                recorded_at=kitchen.clock(),
                by="boss",
            )
        ),
        lambda s: setattr(
            s.exec(select(ProbeStay).where(ProbeStay.place_id == place_id(s))).first(),
            "until_s",
            begin + 2 * DAY + 100,
        ),
    ]
    for change in changes:
        with kitchen.looking() as session:
            before = series(session, kept)
        with kitchen.writing() as session:
            change(session)
        with kitchen.looking() as session:
            after = series(session, kept)
            assert after is not before
            assert_same(after, series(session, Kept()))


def test_a_transaction_sees_what_it_wrote_and_nobody_else_does(kitchen: Kitchen) -> None:
    kitchen.temperatures("FZ1-AIR", kitchen.clock() - timedelta(hours=30), [-20.0] * 20)
    kept = Kept()
    with kitchen.looking() as session:
        before = series(session, kept)
    with Session(kitchen.app.state.database.writer) as session:
        at = kitchen.clock() - timedelta(hours=9)
        row = f"probe,at,temperature_c\nFZ1-AIR,{at.isoformat()},-3"
        storing.store(
            session,
            decoding.decode(row.encode(), "text/csv", TemperatureUnit.C),
            at=kitchen.clock(),
            by=SERVICE,
        )
        inside = series(session, kept)
        assert inside.hours is not None
        assert inside.hours.last[1] == -3.0
        session.rollback()
    with kitchen.looking() as session:
        assert series(session, kept) is before


def test_a_series_that_begins_late_says_the_same_as_a_whole_one(kitchen: Kitchen) -> None:
    begin = kitchen.clock() - timedelta(days=100)
    kitchen.temperatures("FZ1-AIR", begin, [-20.0, -19.0] * 200)
    kitchen.temperatures("FZ1-AIR", kitchen.clock() - timedelta(days=20), [-22.0, -21.0] * 200)
    late = (kitchen.clock() - timedelta(days=30)).timestamp()  # in the middle of the silence
    end = np.array([kitchen.clock().timestamp()])
    with kitchen.looking() as session:
        part = series(session, Kept(), late)
        whole = series(session, Kept(), 0.0)
    assert part.begin_s > 0
    for found in (part, whole):
        assert found.hours is not None
    sums = [s.hours.between(np.array([late]), end, EVERY) for s in (part, whole) if s.hours]
    np.testing.assert_allclose(sums[0].high, sums[1].high, rtol=1e-9)
    np.testing.assert_allclose(sums[0].value, sums[1].value, rtol=1e-9)


def test_what_is_kept_stays_within_its_memory(small_kitchen: Kitchen) -> None:
    small_kitchen.temperatures("FZ1-AIR", small_kitchen.clock() - timedelta(days=2), [-20.0] * 20)
    small_kitchen.temperatures("FZ2-AIR", small_kitchen.clock() - timedelta(days=2), [-20.0] * 20)
    kept = Kept(most_bytes=1)
    with small_kitchen.looking() as session:
        for code in ("FZ1", "FZ2"):
            series_of(session, [Asked(place_id(session, code), 0.0, GAP_S, ASSUMED_C)], kept)
        address = session.get_bind().engine.url.render_as_string(hide_password=True)
        assert kept.of(address, place_id(session, "FZ1")) is None
        assert kept.of(address, place_id(session, "FZ2")) is not None
    KEPT.forget()
