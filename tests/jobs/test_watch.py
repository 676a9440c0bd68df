"""The watch: excursions by warmth and by silence, reservations."""

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from threading import Barrier
from typing import Any

import pytest

from service.excursions.actions.watching import watch
from service.ledger.actions.reserving import release_expired
from tests.kitchen import START, Kitchen

FORWARD = START - timedelta(hours=6)


def read(kitchen: Kitchen, minute: float, temperature_c: float, probe: str = "FZ1-AIR") -> None:
    """One reading, so many minutes after midnight; the clock stands at it."""
    kitchen.clock.at = FORWARD + timedelta(minutes=minute)
    at = kitchen.clock.at.isoformat()
    row = {"probe": probe, "at": at, "temperature_c": temperature_c}
    assert kitchen.commissary.made("/readings", [row])["stored"] == 1


def look(kitchen: Kitchen, minute: float | None = None) -> None:
    """One pass of the watch."""
    if minute is not None:
        kitchen.clock.at = FORWARD + timedelta(minutes=minute)
    with kitchen.writing() as session:
        watch(session, at=kitchen.clock())
        release_expired(session, at=kitchen.clock())


def excursions(kitchen: Kitchen) -> list[dict[str, Any]]:
    """All excursions, oldest first."""
    items: list[dict[str, Any]] = kitchen.keeper.shown("/excursions")["items"]
    return items[::-1]


def minutes(instant: str | None) -> float | None:
    if instant is None:
        return None
    return (datetime.fromisoformat(instant) - FORWARD) / timedelta(minutes=1)


def spans(kitchen: Kitchen, kind: str) -> list[tuple[float | None, float | None]]:
    """From and until of the excursions of a kind, in minutes after midnight."""
    return [
        (minutes(e["from_at"]), minutes(e["ended_at"]))
        for e in excursions(kitchen)
        if e["kind"] == kind
    ]


def grace(kitchen: Kitchen) -> int:
    figures = kitchen.manager.shown("/sites/main/policy")["figures"]
    return int(figures["excursion_grace_minutes"])


@pytest.mark.parametrize("every", [5, 20])
def test_a_freezer_that_stays_warm_past_its_grace_opens_one_excursion(
    kitchen: Kitchen, every: int
) -> None:
    """Whether the thermometer reads each five minutes or each twenty, and the watch each time."""
    allowed = grace(kitchen)
    warm_from = every * (60 // every)
    for minute in range(0, warm_from, every):
        read(kitchen, minute, -22.0)
        look(kitchen)
    opened_at = None
    for minute in range(warm_from, warm_from + 121, every):
        read(kitchen, minute, -10.0 if minute == warm_from + every else -12.0)
        look(kitchen)
        if spans(kitchen, "warm") and opened_at is None:
            opened_at = minute
    assert spans(kitchen, "warm") == [(float(warm_from), None)]
    assert opened_at is not None and allowed < opened_at - warm_from <= allowed + every
    (found,) = excursions(kitchen)
    assert (found["place"], found["probe"]) == ("FZ1", "FZ1-AIR")
    assert (found["limit_c"], found["peak_c"]) == (-18.0, -10.0)

    cold_again = warm_from + 121 + every
    read(kitchen, cold_again, -19.0)
    look(kitchen)
    assert spans(kitchen, "warm") == [(float(warm_from), None)], "it may warm again at once"
    read(kitchen, cold_again + 10, -22.0)
    look(kitchen)
    look(kitchen)
    assert spans(kitchen, "warm") == [(float(warm_from), float(cold_again))]
    read(kitchen, cold_again + 20, -22.0)
    look(kitchen)
    assert spans(kitchen, "warm") == [(float(warm_from), float(cold_again))]


def test_a_door_opened_for_as_long_as_the_grace_allows_opens_none(small_kitchen: Kitchen) -> None:
    allowed = grace(small_kitchen)
    read(small_kitchen, 0, -22.0)
    for minute in range(10, 10 + allowed, 5):
        read(small_kitchen, minute, -10.0)
        look(small_kitchen)
    read(small_kitchen, 10 + allowed, -22.0)
    look(small_kitchen)
    assert spans(small_kitchen, "warm") == []


def test_readings_that_come_all_at_once_open_the_same_excursions(kitchen: Kitchen) -> None:
    values = [-22.0] * 6 + [-10.0] * 12 + [-22.0] * 6 + [-9.0] * 3 + [-22.0] * 3 + [-8.0] * 12
    kitchen.clock.at = FORWARD + timedelta(minutes=5 * len(values))
    kitchen.temperatures("FZ1-AIR", FORWARD, values, every_s=300)
    look(kitchen)
    assert spans(kitchen, "warm") == [(30.0, 90.0), (150.0, None)]
    for _ in range(3):
        look(kitchen)
    assert len(excursions(kitchen)) == 2
    assert [e["peak_c"] for e in excursions(kitchen)] == [-10.0, -8.0]


def test_the_peak_grows_while_the_excursion_lasts(small_kitchen: Kitchen) -> None:
    for minute, value in ((0, -12), (20, -12), (40, -11), (60, -5), (80, -9)):
        read(small_kitchen, minute, value)
        look(small_kitchen)
    assert [e["peak_c"] for e in excursions(small_kitchen)] == [-5.0]


def test_a_place_at_its_limit_is_cold_enough_and_a_hundredth_warmer_is_not(
    small_kitchen: Kitchen,
) -> None:
    for minute in range(0, 61, 10):
        read(small_kitchen, minute, -18.0)
    look(small_kitchen)
    assert excursions(small_kitchen) == []
    for minute in range(70, 131, 10):
        read(small_kitchen, minute, -17.99)
    look(small_kitchen)
    assert spans(small_kitchen, "warm") == [(70.0, None)]


def test_zero_fahrenheit_is_cold_enough_where_a_site_measures_in_fahrenheit(
    small_kitchen: Kitchen,
) -> None:
    """9 CFR 3.105(d): 0 °F (-18 °C). 0 °F is -17.78 °C exactly rounded."""
    small_kitchen.manager.put("/sites/main", {"temperature_unit": "f"})
    for minute in range(0, 61, 10):
        small_kitchen.clock.at = FORWARD + timedelta(minutes=minute)
        at = small_kitchen.clock.at.isoformat()
        row = {"probe": "FZ1-AIR", "at": at, "temperature_c": 0}
        assert small_kitchen.commissary.made("/readings?unit=f", [row])["stored"] == 1
    look(small_kitchen)
    assert excursions(small_kitchen) == []


def test_a_silent_thermometer_is_an_excursion_until_it_is_heard_again(kitchen: Kitchen) -> None:
    gap = int(kitchen.manager.shown("/sites/main/policy")["figures"]["gap_minutes"])
    read(kitchen, 0, -22.0)
    look(kitchen, gap)
    assert spans(kitchen, "silent") == [], "the gap itself is allowed"
    look(kitchen, gap + 0.1)
    assert spans(kitchen, "silent") == [(0.0, None)]
    for minute in range(gap + 1, gap + 200, 20):
        look(kitchen, minute)
    assert spans(kitchen, "silent") == [(0.0, None)], "one excursion, not one a pass"
    read(kitchen, gap + 201, -22.0)
    look(kitchen)
    assert spans(kitchen, "silent") == [(0.0, float(gap + 201))]
    look(kitchen, gap + 201 + gap + 1)
    assert spans(kitchen, "silent") == [(0.0, float(gap + 201)), (float(gap + 201), None)]


def test_a_thermometer_that_never_read_anything_is_not_silent(small_kitchen: Kitchen) -> None:
    look(small_kitchen, 10_000)
    assert excursions(small_kitchen) == []


def test_a_warm_and_silent_freezer_is_both(small_kitchen: Kitchen) -> None:
    for minute in range(0, 61, 10):
        read(small_kitchen, minute, -5.0)
        look(small_kitchen)
    look(small_kitchen, 600)
    assert spans(small_kitchen, "warm") == [(0.0, None)]
    assert spans(small_kitchen, "silent") == [(60.0, None)]


def test_each_probe_has_its_own_excursions(small_kitchen: Kitchen) -> None:
    for minute in range(0, 61, 10):
        read(small_kitchen, minute, -5.0)
        read(small_kitchen, minute + 0.5, -6.0, "FZ2-AIR")
        read(small_kitchen, minute + 1, 3.0, "COOL-AIR")
        look(small_kitchen)
    assert {(e["place"], e["kind"]) for e in excursions(small_kitchen)} == {
        ("FZ1", "warm"),
        ("FZ2", "warm"),
    }


def test_an_excursion_is_in_the_audit_trail_by_the_service_itself(small_kitchen: Kitchen) -> None:
    for minute in range(0, 61, 10):
        read(small_kitchen, minute, -5.0)
    look(small_kitchen)
    newest = small_kitchen.manager.shown("/audit?limit=1")["items"][0]
    assert (newest["what"], newest["by"], newest["subject"]) == (
        "excursion opened",
        "fishhouse",
        "FZ1-AIR",
    )


def test_fish_that_was_reserved_is_free_again_when_its_time_is_over(kitchen: Kitchen) -> None:
    kitchen.a_lot(mass="60 kg")
    order = {
        "first_feed_at": "2026-11-26T08:00:00Z",
        "last_feed_at": "2026-11-26T12:00:00Z",
        "thaw_place": "TANK1",
        "lines": [{"species": "HER", "mass": "40 kg"}],
    }
    kitchen.keeper.made("/thaw-requests", order)

    def available() -> int:
        return sum(r["available"]["g"] for r in kitchen.keeper.shown("/stock")["items"])

    end = datetime(2026, 11, 26, 12, tzinfo=UTC)
    kitchen.clock.at = end - timedelta(seconds=1)
    look(kitchen)
    assert available() == 20_000
    kitchen.clock.at = end
    assert available() == 60_000, "whether or not the watch has looked"
    look(kitchen)
    assert available() == 60_000


def test_watches_that_run_at_once_without_a_lease_open_one_excursion_too(kitchen: Kitchen) -> None:
    """The lease saves work; that there is one excursion does not hang on it."""
    for minute in range(0, 61, 10):
        read(kitchen, minute, -5.0)
    gate = Barrier(3)

    def run(_: int) -> None:
        gate.wait(timeout=30)
        look(kitchen)

    with ThreadPoolExecutor(3) as pool:
        list(pool.map(run, range(3)))
    assert len(excursions(kitchen)) == 1
