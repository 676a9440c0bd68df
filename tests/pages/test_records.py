"""Records: what they hold, who may take which, and that nothing in them is run or breaks them."""

import csv
import io
from datetime import timedelta
from typing import Any

import httpx
import pytest

from service.pages.records_pdf import Column, Record, Row, paper, table
from tests.kitchen import Kitchen
from tests.pages.test_board import measured
from tests.pages.visiting import Visitor, visitor

HOSTILE = '#panic("x") $ \\ * _ ` @ref <label> [a] "q" =cmd() <script>alert(1)</script>'
EVERY = ("day", "temperatures", "receiving", "intake", "supplements", "checks", "fish-use", "audit")


def asked(who: Visitor, record: str, **more: Any) -> httpx.Response:
    given = {"record": record, "from": "2026-11-25", "to": "2026-11-25", "as": "csv"} | more
    return who.get("/records/file", params=given)


def rows(answer: httpx.Response) -> list[dict[str, str]]:
    assert answer.status_code == 200, answer.text[:1000]
    assert answer.headers["content-type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(answer.text)))


@pytest.mark.parametrize("record", EVERY)
def test_every_record_is_had_on_paper_and_as_a_table(kitchen: Kitchen, record: str) -> None:
    kitchen.a_lot(arrived="2026-11-25T05:00:00Z")
    who = visitor(kitchen, "manager")
    of = {"place": "FZ1", "animal": "BRINE"}
    drawn = asked(who, record, **of, **{"as": "pdf"})
    assert drawn.status_code == 200, drawn.text[:1000]
    assert drawn.headers["content-type"] == "application/pdf" and drawn.content[:5] == b"%PDF-"
    name = f'attachment; filename="main-{record}-2026-11-25-2026-11-25.pdf"'
    assert drawn.headers["content-disposition"] == name
    told = asked(who, record, **of)
    assert told.headers["content-disposition"] == name.replace(".pdf", ".csv")
    rows(told)


def test_a_warm_hour_and_one_without_readings_are_marked_in_words(kitchen: Kitchen) -> None:
    begin = kitchen.clock() - timedelta(hours=4)
    kitchen.temperatures("FZ1-AIR", begin, [-22.0] * 12, every_s=300)
    kitchen.temperatures("FZ1-AIR", begin + timedelta(hours=1), [-9.0] * 12, every_s=300)
    found = {
        row["time (UTC)"][11:]: row
        for row in rows(asked(visitor(kitchen, "inspector"), "temperatures", place="FZ1"))
    }
    assert found["02:00"]["mark"] == "" and found["02:00"]["warmest (°C)"] == "-22.0"
    assert found["03:00"]["mark"] == "WARMER THAN THE LIMIT"
    assert found["05:00"]["mark"] == "NOT MEASURED"
    assert "06:00" not in found  # has not begun


def test_a_receiving_record_shows_the_cores_and_why_a_lot_is_held(kitchen: Kitchen) -> None:
    kitchen.a_lot(arrived="2026-11-25T05:00:00Z", core_temperatures=["-9 °C", "-8 °C", "-9 °C"])
    (row,) = rows(asked(visitor(kitchen, "vet"), "receiving"))
    assert row["cores (°C)"].replace("−", "-").strip("'") == "-9.0, -8.0, -9.0"
    assert row["decision on arrival"].startswith("HELD; ")


def test_what_was_eaten_stands_in_the_day_sheet_and_the_intake_to_the_gram(
    kitchen: Kitchen,
) -> None:
    batch = kitchen.pulled(kitchen.a_lot(species="CAP")["code"], "12 kg", to="COOL")["code"]
    kitchen.clock.forward(hours=12)
    kitchen.keeper.made(f"/thaw-batches/{batch}/thawed", {"method": "touch"})
    item = {"thaw_batch": batch, "offered": "2 kg", "eaten": "1.25 kg", "left": "0.75 kg"}
    kitchen.keeper.made("/feeds", {"animal": "BRINE", "items": [item]})
    who = visitor(kitchen, "vet")
    (day,) = rows(asked(who, "intake", animal="BRINE"))
    assert (day["offered (kg)"], day["eaten (kg)"], day["left (kg)"]) == ("2.000", "1.250", "0.750")
    (feed,) = [row for row in rows(asked(who, "day")) if row["what"] == "feed"]
    assert feed["of"] == "BRINE" and "eaten 1.250" in feed["record"]


def test_the_day_sheet_holds_what_was_done_with_fish_and_with_lots(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    kitchen.clock.forward(hours=1)
    batch = kitchen.pulled(lot, "10 kg")["code"]
    number = kitchen.vet.made(f"/lots/{lot}/holds", {"reason": "smells of ammonia"})["id"]
    kitchen.clock.forward(hours=1)
    kitchen.vet.made(f"/holds/{number}/release", {"reason": "it was the drain"})
    gone = {"mass": "10 kg", "reason": "fell on the floor"}
    kitchen.keeper.made(f"/thaw-batches/{batch}/discard", gone)
    kitchen.commissary.made(
        "/moves", {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "20 kg"}
    )
    told = [
        (row["what"], row["of"], row["record"])
        for row in rows(asked(visitor(kitchen, "vet"), "day"))
    ]
    assert ("pulled", lot, f"FZ1 to TANK1, {batch}: 10.000 kg") in told
    assert ("hold", lot, "HELD: smells of ammonia") in told
    assert ("release", lot, "it was the drain") in told
    assert any(w == "discarded" and "fell on the floor" in said for w, _, said in told)
    assert any(w == "moved" and "FZ1 to FZ2: 20.000 kg" in said for w, _, said in told)


def test_hostile_words_break_no_paper_and_run_in_no_spreadsheet(kitchen: Kitchen) -> None:
    kitchen.keeper.made("/checks", {"kind": "cleaned", "place": "FZ1", "note": f"={HOSTILE}"})
    who = visitor(kitchen, "keeper")
    assert asked(who, "checks", **{"as": "pdf"}).content[:5] == b"%PDF-"
    (row,) = rows(asked(who, "checks"))
    assert row["remarks"] == f"'={HOSTILE}"


def test_only_who_may_read_the_trail_is_offered_it(kitchen: Kitchen) -> None:
    assert 'value="audit"' in visitor(kitchen, "inspector").page("/records")
    keeper = visitor(kitchen, "keeper")
    assert 'value="audit"' not in keeper.page("/records")
    assert asked(keeper, "audit").status_code == 403


@pytest.mark.parametrize(
    ("record", "wrong", "says"),
    [
        ("temperatures", {}, "choose a place"),
        ("intake", {}, "choose an animal"),
        ("temperatures", {"place": "NOWHERE"}, "NOWHERE"),
        ("day", {"from": "2026-11-26"}, "must not be before from"),
        ("fish-use", {"from": "2026-01-01"}, "31 days at most"),
        ("day", {"from": "yesterday"}, "from"),
        ("diary", {}, "record"),
    ],
)
def test_what_cannot_be_a_record_is_refused_in_words(
    small_kitchen: Kitchen, record: str, wrong: dict[str, str], says: str
) -> None:
    answer = asked(visitor(small_kitchen, "keeper"), record, **wrong)
    assert answer.status_code in (404, 422) and says in answer.text


def test_a_long_temperature_record_has_a_line_a_day(small_kitchen: Kitchen) -> None:
    measured(small_kitchen)
    answer = asked(
        visitor(small_kitchen, "keeper"), "temperatures", place="FZ1", **{"from": "2026-08-01"}
    )
    assert len(rows(answer)) == 117


def test_numbers_stay_numbers_and_words_that_look_like_formulas_do_not_run() -> None:
    columns = [Column("°C", number=True), Column("words", wide=True)]
    record = Record("T", [], columns, [Row(["−21.5", "-21.5 or so"]), Row(["", "@x"])])
    assert table(record).split("\r\n")[1:3] == ["-21.5,'-21.5 or so", ",'@x"]
    assert paper(record, "made by nobody")[:5] == b"%PDF-"
