"""What a lot held of a vitamin over its storage, and will: at real and at planned temperatures."""

import csv
import io
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from math import exp
from typing import Any
from xml.etree import ElementTree

import pytest

from service.quality.queries.over_time import MOST_POINTS
from service.science.kinetics import arrhenius_factor
from tests.architecture.test_statements import counted
from tests.kitchen import START, Kitchen
from tests.quality.test_content import VITAMIN_E, assayed, cold, lot_of, one


def curve(kitchen: Kitchen, lot: str, tag: str = "VITE", **params: Any) -> Any:
    return kitchen.keeper.shown(f"/lots/{lot}/nutrients/{tag}/over-time", params=params)


def test_the_curve_meets_what_there_is_now_and_goes_on_from_there(kitchen: Kitchen) -> None:
    lot = lot_of(kitchen)
    cold(kitchen)
    assayed(kitchen, lot, VITAMIN_E)
    held = one(kitchen, lot, "VITE")
    shown = curve(kitchen, lot, days=30)
    (now,) = [p for p in shown["items"] if p["at"] == "2026-11-25T06:00:00Z"]
    assert not now["forecast"]
    assert (now["low"], now["amount"], now["high"]) == pytest.approx(
        (held.low, held.value, held.high), rel=1e-3
    )
    assert shown["items"][0]["amount"] == 20 and not shown["items"][0]["forecast"]
    assert [p["forecast"] for p in shown["items"]] == sorted(p["forecast"] for p in shown["items"])
    assert shown["items"][-1]["at"] == "2026-12-25T06:00:00Z"
    assert shown["results"] == [
        {
            "assay": held.assay_id,
            "sampled_on": "2026-11-10",
            "portion": "whole",
            "amount": 20,
            "below": None,
        }
    ]
    assert (shown["unit"], shown["steps"]) == ("IU/kg", list(held.steps))


def test_the_forecast_is_first_order_at_the_planned_temperature(kitchen: Kitchen) -> None:
    """Half of the rate at -24 °C: f = 0.5061, science check S88; k = 0.0102 a day."""
    lot = lot_of(kitchen)
    cold(kitchen)
    assayed(kitchen, lot, VITAMIN_E)
    shown = curve(kitchen, lot, days=100, storage="-24 °C")
    now = next(p for p in shown["items"] if p["at"] == "2026-11-25T06:00:00Z")
    expected = now["amount"] * exp(-0.0102 * 0.5061 * 100)
    assert shown["items"][-1]["amount"] == pytest.approx(expected, rel=1e-3)
    assert shown["storage"]["c"] == -24 and shown["kept"] == "at one temperature"


def test_left_to_its_place_the_fish_goes_on_as_that_was_kept_in_the_last_week(
    kitchen: Kitchen,
) -> None:
    """-18 °C until a week ago, then -24 °C: the forecast is that of -24 °C."""
    lot = lot_of(kitchen)
    begin = datetime(2026, 11, 1, tzinfo=UTC)
    hours = int((START - begin) / timedelta(hours=1))
    kitchen.temperatures("FZ1-AIR", begin, [-18.0] * (hours - 200) + [-24.0] * 201)
    assayed(kitchen, lot, VITAMIN_E)
    left, planned = curve(kitchen, lot), curve(kitchen, lot, storage="-24 C")
    assert left["kept"] == "as FZ1 was in the last week" and left["storage"] is None
    assert left["items"][-1]["amount"] == pytest.approx(planned["items"][-1]["amount"], rel=2e-3)


def test_colder_storage_never_leaves_less_at_any_time(kitchen: Kitchen) -> None:
    lot = lot_of(kitchen)
    for tag in ("VITE", "VITA", "VITD", "THIA", "RIBF", "F20D5N3", "PROCNT"):
        curves = [
            curve(kitchen, lot, tag, days=400, storage=f"{c} °C")["items"]
            for c in (-40, -25, -18, -10)
        ]
        for colder, warmer in pairwise(curves):
            for cold_point, warm_point in zip(colder, warmer, strict=True):
                for name in ("low", "amount", "high"):
                    assert cold_point[name] >= warm_point[name]


def test_time_never_brings_anything_back_and_the_range_holds_the_value(kitchen: Kitchen) -> None:
    lot = lot_of(kitchen)
    cold(kitchen)
    for tag in ("VITE", "VITA", "F22D6N3", "NIA"):
        points = curve(kitchen, lot, tag, days=700)["items"]
        assert all(p["low"] <= p["amount"] <= p["high"] for p in points)
        for name in ("low", "amount", "high"):
            amounts = [p[name] for p in points]
            assert amounts == sorted(amounts, reverse=True)


def test_moves_between_freezers_show_in_the_slope(kitchen: Kitchen) -> None:
    lot = lot_of(kitchen)
    cold(kitchen, -10.0)
    cold(kitchen, -30.0, "FZ2-AIR")
    assayed(kitchen, lot, VITAMIN_E, sampled_on="2026-11-02")
    kitchen.commissary.made(
        "/moves",
        {
            "lot": lot,
            "from_place": "FZ1",
            "to_place": "FZ2",
            "mass": "100 kg",
            "occurred_at": "2026-11-12T12:00:00Z",
        },
    )
    points = {p["at"]: p["amount"] for p in curve(kitchen, lot)["items"]}
    warm, frozen = (0.0102 * float(arrhenius_factor(c)) for c in (-10, -30))
    ten_days = points["2026-11-12T12:00:00Z"]
    assert ten_days == pytest.approx(20 * exp(-10 * warm), rel=1e-3)
    assert points["2026-11-22T12:00:00Z"] == pytest.approx(ten_days * exp(-10 * frozen), rel=1e-3)


def test_the_curve_is_a_table_too(kitchen: Kitchen) -> None:
    lot = lot_of(kitchen)
    answer = kitchen.keeper.get(
        f"/lots/{lot}/nutrients/VITE/over-time", headers={"Accept": "text/csv"}
    )
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert answer.headers["content-type"].startswith("text/csv")
    assert list(rows[0]) == ["at", "low", "amount", "high", "forecast"]


def test_the_curve_is_drawn_for_whoever_asks_for_a_picture(kitchen: Kitchen) -> None:
    lot = lot_of(kitchen)
    cold(kitchen)
    assayed(kitchen, lot, VITAMIN_E)
    answer = kitchen.keeper.get(
        f"/lots/{lot}/nutrients/VITE/over-time", headers={"Accept": "image/svg+xml"}
    )
    assert answer.headers["content-type"].startswith("image/svg+xml")
    drawn = ElementTree.fromstring(answer.text)
    kinds = [part.tag.rpartition("}")[2] for part in drawn]
    words = [part.text for part in drawn if part.tag.endswith("text")]
    assert kinds.count("polyline") == 2 and kinds.count("circle") == 1
    assert f"vitamin E of lot {lot}: assay of 2026-11-10, whole fish" in words
    assert "now" in words and "2026-11-10" in words


@pytest.mark.parametrize(
    ("tag", "params", "field"),
    [
        ("VITE", {"storage": "cold"}, "storage"),
        ("VITE", {"storage": "4 °C"}, "storage"),
        ("VITE", {"storage": "-80 °C"}, "storage"),
        ("VITE", {"days": "-1"}, "days"),
        ("VITE", {"days": "100000"}, "days"),
        ("XYZ", {}, "tag"),
        ("VITC", {}, "tag"),
    ],
)
def test_what_cannot_be_forecast_is_said_of_its_field(
    small_kitchen: Kitchen, tag: str, params: dict[str, str], field: str
) -> None:
    lot = lot_of(small_kitchen)
    answer = small_kitchen.keeper.get(f"/lots/{lot}/nutrients/{tag}/over-time", params=params)
    assert answer.status_code == 422
    assert field in answer.json()["errors"][0]["field"]


def test_years_are_drawn_in_few_points_and_statements(kitchen: Kitchen) -> None:
    kitchen.clock.at = datetime(2028, 11, 1, tzinfo=UTC)
    lot = lot_of(kitchen)
    cold(kitchen, days=30)
    curve(kitchen, lot)
    with counted(kitchen) as few:
        curve(kitchen, lot, days=0)
    with counted(kitchen) as many:
        points = curve(kitchen, lot, days=1830)["items"]
    assert len(many) == len(few)
    assert len(points) <= 2 * MOST_POINTS + 3
