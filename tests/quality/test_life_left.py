"""Life left of all stock: the same as lot by lot, in order, and as it is kept until later."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.catalogue.rules import species_facts
from service.quality.rules import NEVER_MEASURED_C
from service.science.storage_life import life_rate_per_day
from service.site.rules import PlaceKind
from tests.architecture.test_statements import counted
from tests.kitchen import START, Kitchen

BEGIN = datetime(2026, 11, 1, tzinfo=UTC)
HOURS = int((START - BEGIN).total_seconds() // 3600)


def herring_per_day(celsius: float) -> float:
    return float(life_rate_per_day(species_facts()["HER"].life_profile, celsius))


def stocked(kitchen: Kitchen) -> list[str]:
    """Three lots in two freezers, one moved between them, one pulled to thaw."""
    kitchen.temperatures("FZ1-AIR", BEGIN, [-20.0 + (i % 7) for i in range(HOURS + 1)])
    kitchen.temperatures("FZ2-AIR", BEGIN, [-25.0] * (HOURS + 1))
    lots = [
        kitchen.a_lot(caught=f"2026-0{8 + i}-01", arrived=f"2026-11-0{2 + i}T09:40:00Z")["code"]
        for i in range(2)
    ]
    lots.append(kitchen.a_lot("CAP", caught="2026-07-01", place="FZ2", mass="120 kg")["code"])
    kitchen.commissary.made(
        "/moves",
        {
            "lot": lots[0],
            "from_place": "FZ1",
            "to_place": "FZ2",
            "mass": "50 kg",
            "occurred_at": "2026-11-12T10:17:31Z",
        },
    )
    kitchen.pulled(lots[0], "10 kg")
    kitchen.clock.forward(hours=5, minutes=7)
    return lots


def listed(kitchen: Kitchen, **params: str) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = kitchen.keeper.shown("/life-left", params=params)["items"]
    return items


def test_all_stock_has_the_life_that_each_lots_quality_shows(kitchen: Kitchen) -> None:
    lots = stocked(kitchen)
    rows = {row["parcel"]: row for row in listed(kitchen)}
    shown = 0
    for lot in lots:
        for parcel in kitchen.keeper.shown(f"/lots/{lot}/quality")["parcels"]:
            row = rows[parcel["parcel"]]
            shown += 1
            assert (row["lot"], row["place"], row["mass"], row["thaw_batch"]) == (
                lot,
                parcel["place"],
                parcel["mass"],
                parcel["thaw_batch"],
            )
            assert row["life"]["used"] == pytest.approx(parcel["life"]["used"], abs=2e-4)
            assert row["life"]["used_range"] == pytest.approx(
                parcel["life"]["used_range"], rel=2e-3
            )
            assert row["life"]["left_days"] == pytest.approx(parcel["life"]["left_days"], abs=0.1)
            for hours in ("hours_known", "hours_unknown"):
                assert row["exposure"][hours] == pytest.approx(parcel["exposure"][hours], abs=0.02)
            assert row["exposure"]["max_c"] == parcel["exposure"]["max_c"]
            assert (row["ice_days"] is None) == (row["thaw_batch"] is None)
    assert shown == len(rows) == 5


def test_least_life_left_comes_first_page_by_page(kitchen: Kitchen) -> None:
    stocked(kitchen)
    whole = listed(kitchen)
    left = [row["life"]["left_days"] for row in whole]
    assert left == sorted(left)
    pages, cursor = [], None
    while True:
        page = kitchen.keeper.shown(
            "/life-left", params={"limit": "2"} | ({"cursor": cursor} if cursor else {})
        )
        pages += page["items"]
        cursor = page["next"]
        kitchen.clock.forward(minutes=9)  # the list stays at the instant at which it began
        if cursor is None:
            break
    assert pages == whole


def test_it_can_be_narrowed_and_is_a_table_too(small_kitchen: Kitchen) -> None:
    lots = stocked(small_kitchen)
    assert {row["lot"] for row in listed(small_kitchen, species="CAP")} == {lots[2]}
    assert {row["place"] for row in listed(small_kitchen, place="FZ2")} == {"FZ2"}
    assert len(listed(small_kitchen, lot=lots[0])) == 3
    table = small_kitchen.keeper.get("/life-left", headers={"Accept": "text/csv"})
    assert table.text.splitlines()[0].startswith("parcel,lot,species,place")
    assert len(table.text.splitlines()) == 6


def test_kept_at_a_planned_temperature_life_goes_on_at_its_rate(small_kitchen: Kitchen) -> None:
    """By hand: thirty days at -20 °C use 30 times the daily rate at -20 °C."""
    stocked(small_kitchen)
    later = small_kitchen.clock() + timedelta(days=30)
    now = {row["parcel"]: row for row in listed(small_kitchen, species="HER")}
    at = later.isoformat()
    for row in listed(small_kitchen, species="HER", at=at, temperature="-20 °C"):
        before = now[row["parcel"]]["life"]["used"]
        rate = herring_per_day(-20.0)
        assert row["life"]["used"] - before == pytest.approx(30 * rate, abs=2e-4)
        assert row["life"]["left_days"] == pytest.approx(
            max(0.0, (1 - row["life"]["used"]) / rate), abs=0.1
        )


def test_without_a_plan_it_goes_on_as_its_place_was_in_the_last_week(
    small_kitchen: Kitchen,
) -> None:
    """FZ2 stood at -25 °C all week; kept in FZ2, what lies in FZ1 would go on like that too."""
    stocked(small_kitchen)
    at = (small_kitchen.clock() + timedelta(days=10)).isoformat()
    now = {row["parcel"]: row["life"]["used"] for row in listed(small_kitchen, species="HER")}
    there = 10 * herring_per_day(-25.0)
    for row in listed(small_kitchen, species="HER", at=at, place="FZ2"):
        assert row["life"]["used"] - now[row["parcel"]] == pytest.approx(there, abs=2e-4)
    for row in listed(small_kitchen, species="HER", at=at, kept_in="FZ2"):
        assert row["life"]["used"] - now[row["parcel"]] == pytest.approx(there, abs=2e-4)
    low, high = herring_per_day(-20.0), herring_per_day(-14.0)
    for row in listed(small_kitchen, species="HER", at=at, place="FZ1"):
        assert 10 * low < row["life"]["used"] - now[row["parcel"]] < 10 * high


@pytest.mark.parametrize(
    ("params", "field"),
    [
        ({"at": "2026-11-01T00:00:00Z"}, "at"),
        ({"at": "2099-11-01T00:00:00Z"}, "at"),
        ({"temperature": "-20 °C"}, "at"),
        ({"at": "2026-12-24T00:00:00Z", "temperature": "cold"}, "temperature"),
        ({"at": "2026-12-24T00:00:00Z", "temperature": "-20 °C", "kept_in": "FZ1"}, "kept_in"),
        ({"at": "2026-12-24T00:00:00Z", "kept_in": "NOWHERE"}, "kept_in"),
        ({"cursor": "WyJ4IiwieSIsMV0"}, "cursor"),
        ({"lot": "HER-NOTHING"}, "lot"),
    ],
)
def test_a_plan_that_cannot_be_is_refused_by_its_field(
    small_kitchen: Kitchen, params: dict[str, str], field: str
) -> None:
    answer = small_kitchen.keeper.get("/life-left", params=params)
    assert answer.status_code in (404, 422)
    assert answer.json()["errors"][0]["field"].endswith(field)


def test_a_place_that_fell_silent_is_named_and_does_not_use_up_lives(
    small_kitchen: Kitchen,
) -> None:
    """Readings stop on the 5th. On the 25th the headline is moderate; how bad it may be is said."""
    small_kitchen.temperatures("FZ1-AIR", BEGIN, [-20.0] * 97)
    lot = small_kitchen.a_lot(caught="2026-10-25", frozen_on="2026-10-26")["code"]
    row = listed(small_kitchen)[0]
    assert str(row["silent_since"]).startswith("2026-11-05T00:00")
    calm = (30 + 1) * herring_per_day(NEVER_MEASURED_C[PlaceKind.FREEZER][0])
    assert row["life"]["used"] < calm + 0.5 * herring_per_day(20.0)
    assert row["life"]["used_range"][1] > 10
    quality = small_kitchen.keeper.shown(f"/lots/{lot}/quality")
    told = [f for f in quality["findings"] if f["rule"] == "not-measured"]
    assert len(told) == 1
    assert told[0]["outcome"] == "warn"
    assert "2026-11-05" in told[0]["because"]
    assert told[0]["numbers"]["most_used_percent"] > 1000


def test_an_empty_house_has_an_empty_list(kitchen: Kitchen) -> None:
    assert listed(kitchen) == []


def test_all_stock_takes_as_many_statements_as_a_little(kitchen: Kitchen) -> None:
    stocked(kitchen)

    def sent() -> int:
        with counted(kitchen) as statements:
            listed(kitchen)
        return len(statements)

    first = sent()
    boss = kitchen.manager
    for i in range(6):
        boss.made("/places", {"code": f"P{i}", "name": "more", "kind": "freezer"})
        boss.made("/probes", {"code": f"Q{i}", "place": f"P{i}"})
        kitchen.temperatures(f"Q{i}", BEGIN, [-19.0] * 30)
        kitchen.a_lot(place=f"P{i}")
    assert sent() <= first + 1
    assert sent() <= 14, "nothing new: only whether there is anything new is asked"
