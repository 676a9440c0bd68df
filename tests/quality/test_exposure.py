"""The exposure of fish in a place, against plain integration of the same readings."""

import uuid
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import select

from service.catalogue.rules import life_profiles
from service.quality.queries.exposure import Exposures
from service.quality.rules import Exposure
from service.science.exposure import gap_bound
from service.science.kinetics import arrhenius_factor
from service.science.storage_life import life_rate_per_day
from service.site import queries as sites
from service.site.models import Place
from service.temperatures.rules import vitamin_column
from tests.kitchen import Kitchen

ORIGIN = datetime(2026, 11, 1, tzinfo=UTC)
BEGIN_S = int(ORIGIN.timestamp())


def exposure(kitchen: Kitchen, begin_s: float, end_s: float, place: str = "FZ1") -> Exposure:
    with kitchen.looking() as session:
        found = session.exec(select(Place).where(Place.code == place.upper())).one()
        view = sites.view(session, found.site_id, at=kitchen.clock())
        exposures = Exposures(session, view, {found.id or 0: found})
        return exposures.of_place(
            found.id or 0,
            datetime.fromtimestamp(begin_s, UTC),
            datetime.fromtimestamp(end_s, UTC),
        )


def allow_gaps_of(kitchen: Kitchen, minutes: int) -> None:
    body = {"changes": {"gap_minutes": minutes}, "reason": "loggers of this site"}
    assert kitchen.manager.put("/sites/main/policy", body).status_code in (200, 201)


def integrated(
    at_s: np.ndarray, temperature_c: np.ndarray, begin_s: float, end_s: float, gap_s: float
) -> tuple[float, np.ndarray]:
    """Seconds known and the vitamin integral by a fine trapezoid over measured segments."""
    known, total = 0.0, 0.0
    for t0, t1, c0, c1 in zip(
        at_s[:-1], at_s[1:], temperature_c[:-1], temperature_c[1:], strict=True
    ):
        low, high = max(t0, begin_s), min(t1, end_s)
        if t1 - t0 > gap_s or high <= low:
            continue
        known += high - low
        grid = np.linspace(low, high, 400)
        total += float(
            np.trapezoid(arrhenius_factor(c0 + (c1 - c0) * (grid - t0) / (t1 - t0)), grid)
        )
    return known, np.array(total)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@pytest.mark.parametrize("gap_minutes", [60, 15])
@given(data=st.data())
def test_whole_hours_and_edges_together_are_the_plain_integral(
    small_kitchen: Kitchen, gap_minutes: int, data: st.DataObject
) -> None:
    allow_gaps_of(small_kitchen, gap_minutes)
    place, probe = (f"{kind}{uuid.uuid4().hex[:12]}" for kind in "xp")
    small_kitchen.manager.made("/places", {"code": place, "name": "a freezer", "kind": "freezer"})
    small_kitchen.manager.made("/probes", {"code": probe, "place": place, "kind": "air"})
    steps = data.draw(
        st.lists(
            st.sampled_from([60, 300, 299, 900, 1700, 3600, 3601, 9000]), min_size=2, max_size=40
        )
    )
    at_s = BEGIN_S + np.concatenate(([0], np.cumsum(steps)))
    values = data.draw(st.lists(st.integers(-3000, 1500), min_size=at_s.size, max_size=at_s.size))
    temperature_c = np.array(values) / 100
    small_kitchen.commissary.made(
        "/readings",
        [
            {
                "probe": probe,
                "at": datetime.fromtimestamp(int(t), UTC).isoformat(),
                "temperature_c": float(c),
            }
            for t, c in zip(at_s, temperature_c, strict=True)
        ],
    )
    length = int(at_s[-1] - at_s[0])
    begin = int(at_s[0]) + data.draw(st.integers(0, max(0, length - 2)))
    end = data.draw(st.integers(begin + 1, int(at_s[-1])))

    found = exposure(small_kitchen, begin, end, place)
    known, total = integrated(at_s, temperature_c, begin, end, gap_minutes * 60)
    assert found.known_s == pytest.approx(known, abs=1e-6)
    assert found.known_s + found.unknown_s == pytest.approx(end - begin, abs=1e-6)
    measured = found.value[vitamin_column()] if not found.unknown_s else None
    if measured is not None:
        assert measured == pytest.approx(float(total), rel=1e-4)
    assert (found.low <= found.value + 1e-6).all() and (found.value <= found.high + 1e-6).all()


def test_hours_without_readings_are_bounded_by_the_warmest_that_may_have_been(
    small_kitchen: Kitchen,
) -> None:
    """Science reference 3.4: four hours without a reading between -20 and -18 °C."""
    small_kitchen.temperatures("FZ1-AIR", ORIGIN, [-20.0])
    small_kitchen.temperatures("FZ1-AIR", ORIGIN + timedelta(hours=4), [-18.0])
    found = exposure(small_kitchen, BEGIN_S, BEGIN_S + 4 * 3600)
    assert (found.known_s, found.unknown_s) == (0, 4 * 3600)
    bound = gap_bound(0, 4 * 3600, -20, -18)
    column = next(i for i, p in enumerate(life_profiles()) if p.key == "lean")
    profile = life_profiles()[column]
    warmest = np.trapezoid(life_rate_per_day(profile, bound.envelope_c), bound.at_s)
    coldest = 4 * 3600 * float(life_rate_per_day(profile, -20.0))
    assert found.high[column] == pytest.approx(float(warmest), rel=1e-3)
    assert found.low[column] == pytest.approx(coldest, rel=1e-6)
    assert found.low[column] < found.value[column] < found.high[column]


def test_a_probe_that_died_never_makes_fish_look_fresher(small_kitchen: Kitchen) -> None:
    """Two freezers alike, one of them silent for ten hours: its worst case is worse."""
    series = [-22.0] * 48
    small_kitchen.temperatures("FZ1-AIR", ORIGIN, series)
    small_kitchen.temperatures("FZ2-AIR", ORIGIN, series[:20])
    small_kitchen.temperatures("FZ2-AIR", ORIGIN + timedelta(hours=30), series[30:])
    whole = exposure(small_kitchen, BEGIN_S, BEGIN_S + 47 * 3600, "FZ1")
    broken = exposure(small_kitchen, BEGIN_S, BEGIN_S + 47 * 3600, "FZ2")
    assert whole.unknown_s == 0
    assert broken.unknown_s == pytest.approx(11 * 3600)
    assert (broken.high > whole.high).all()
    assert (broken.value >= whole.value).all()


def test_a_place_that_nobody_ever_measured_is_unknown_time(small_kitchen: Kitchen) -> None:
    found = exposure(small_kitchen, BEGIN_S, BEGIN_S + 3600)
    assert (found.known_s, found.unknown_s, found.max_c) == (0, 3600, None)


def test_life_used_of_a_herring_lot_is_the_sum_of_time_over_storage_life(
    small_kitchen: Kitchen,
) -> None:
    """Torry herring: -21 °C 3 months, -29 °C 6 months (Reay, Banks & Cutting 1950).

    By hand: frozen 2026-10-02, arrived 2026-11-01 (30 d assumed at -18 °C, 24 d
    measured at -21 °C until the 25th, 00:00). Life at -18 °C: ln is linear between
    -21 (3 months) and -9 (1 month), so 3 · 3^(-3/12) = 2.2795 months = 69.38 d;
    at -21 °C 3 months = 91.31 d. Used: 30/69.38 + 24/91.31 = 0.4324 + 0.2628 = 0.6952.
    Left at -21 °C: (1 - 0.6952) × 91.31 = 27.8 d.
    """
    lot = small_kitchen.a_lot(
        caught="2026-10-01", frozen_on="2026-10-02", arrived="2026-11-01T00:00:00Z"
    )
    small_kitchen.temperatures("FZ1-AIR", ORIGIN, [-21.0] * (24 * 24 + 1))
    quality = small_kitchen.keeper.shown(
        f"/lots/{lot['code']}/quality", params={"at": "2026-11-25T00:00:00Z"}
    )
    assert quality["life"]["profile"] == "torry_herring_gutted"
    assert quality["life"]["used"] == pytest.approx(0.6952, abs=2e-4)
    assert quality["life"]["left_days"] == pytest.approx(27.8, abs=0.1)
    assert quality["exposure"] == {"hours_known": 576.0, "hours_unknown": 720.0, "max_c": -21.0}
    low, high = quality["life"]["used_range"]
    assert low < 0.6952 < high
    warnings = {f["rule"]: f["outcome"] for f in quality["findings"]}
    assert warnings["life-used-up"] == "pass"


def test_fish_that_moved_carries_what_it_went_through(small_kitchen: Kitchen) -> None:
    """Ten days at -10 °C in one freezer stay with the fish after it has moved to a colder one."""
    lot = small_kitchen.a_lot(caught="2026-10-01", arrived="2026-11-01T00:00:00Z", mass="200 kg")
    small_kitchen.temperatures("FZ1-AIR", ORIGIN, [-10.0] * (24 * 24 + 1))
    small_kitchen.temperatures("FZ2-AIR", ORIGIN, [-28.0] * (24 * 24 + 1))
    small_kitchen.commissary.made(
        "/moves",
        {
            "lot": lot["code"],
            "from_place": "FZ1",
            "to_place": "FZ2",
            "mass": "100 kg",
            "occurred_at": "2026-11-11T00:00:00Z",
        },
    )
    quality = small_kitchen.keeper.shown(
        f"/lots/{lot['code']}/quality", params={"at": "2026-11-25T00:00:00Z"}
    )
    stayed, moved = quality["parcels"]
    assert (stayed["place"], moved["place"]) == ("FZ1", "FZ2")
    assert stayed["life"]["used"] > moved["life"]["used"]
    assert moved["exposure"]["max_c"] == -10.0
    # By hand: rate at -10 °C is 1/(3^(1/12) · 30.4375 d) = 1/33.36 d; 14 days fewer of it,
    # but 14 days at -28 °C (6 · 2^(-1/8) months = 167.5 d) instead.
    difference = 14 / 33.355 - 14 / 167.47
    assert stayed["life"]["used"] - moved["life"]["used"] == pytest.approx(difference, abs=2e-4)


def test_vitamin_e_of_an_assayed_lot_falls_from_the_day_of_the_sample(
    small_kitchen: Kitchen,
) -> None:
    """First order, 0.0102 a day at -18 °C (Arslan et al. 1997, science reference 6.1).

    By hand: sampled 2026-11-10 at noon, asked 2026-11-20 at noon: ten days at
    exactly -18 °C, exp(-0.102) = 0.9030; 20 IU/kg become 18.06.
    """
    lot = small_kitchen.a_lot(caught="2026-10-01", arrived="2026-11-01T00:00:00Z")
    small_kitchen.temperatures("FZ1-AIR", ORIGIN, [-18.0] * (24 * 24 + 1))
    small_kitchen.nutritionist.made(
        f"/lots/{lot['code']}/assays",
        {
            "sampled_on": "2026-11-10",
            "laboratory": "Harbour laboratory",
            "values": [
                {"nutrient": "VITE", "amount": 20, "unit": "IU/kg"},
                {"nutrient": "FAT", "amount": 11.2, "unit": "g/100g"},
            ],
        },
    )
    quality = small_kitchen.keeper.shown(
        f"/lots/{lot['code']}/quality", params={"at": "2026-11-20T12:00:00Z"}
    )
    left = {n["nutrient"]: n for n in quality["nutrients"]}
    assert left["VITE"]["amount"] == pytest.approx(18.06, abs=0.01)
    assert left["VITE"]["from"] == "assay 2026-11-10"
    assert left["FAT"]["amount"] == 11.2
    assert left["PROCNT"]["from"].startswith("species default")
    assert "VITC" not in left, "what nobody knows is missing, not zero"
