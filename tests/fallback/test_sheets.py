"""The sheet for when everything fails: made each night, filled in by hand, entered later."""

import json
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from typing import Any

import httpx
import pytest
import typst

from service.fallback import queries
from service.fallback.actions.drawing import words
from service.fallback.actions.nightly import make_due
from service.labels.actions.drawing import symbol
from service.security.actor import SERVICE
from service.site.queries import view
from service.worker import LongJob, jobs_of
from tests.assessments.test_record import pages
from tests.buckets.test_buckets import a_batch, a_signed_plan, an_order, messages, on_a_diet
from tests.kitchen import START, Kitchen
from tests.labels.pictures import scanned

TODAY = "2026-11-25"


def refusal(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def a_sheet(kitchen: Kitchen, day: str = TODAY) -> Any:
    return kitchen.keeper.made("/fallback-sheets", {"day": day})


def on_paper(kitchen: Kitchen, code: str) -> Any:
    """The words of a sheet, as its template takes them."""
    with kitchen.looking() as session:
        sheet = queries.sheet_by_code(session, code, by=SERVICE)
        return words(sheet, view(session, sheet.site_id, at=kitchen.clock()), "House")


def eaten(line: int, batch: str, offered: str = "2 kg", ate: str = "2 kg", **more: Any) -> Any:
    item = {"thaw_batch": batch, "offered": offered, "eaten": ate}
    return {"line": line, "items": [item], "fed_at": "2026-11-25T06:00:00Z", **more}


def entered(kitchen: Kitchen, code: str, *lines: Any) -> Any:
    return kitchen.keeper.made(f"/fallback-sheets/{code}/entries", {"lines": list(lines)})


def a_day(kitchen: Kitchen) -> tuple[str, str]:
    """A sheet of a day with two feeds, and a batch to feed from."""
    on_a_diet(kitchen)
    batch = a_batch(kitchen)
    return a_sheet(kitchen)["code"], batch


# --- what stands on it


def test_a_sheet_lists_the_days_feeds_in_the_order_of_feeding(kitchen: Kitchen) -> None:
    on_a_diet(kitchen, feeds=2)
    kitchen.manager.made(
        "/animals", {"code": "ALFA", "name": "Alfa", "taxon": "T", "group": "otter"}
    )
    on_a_diet(kitchen, "ALFA", feeds=1, HER=1500)
    lines = a_sheet(kitchen)["lines"]
    assert [(it["line"], it["animal"], it["feed_at"][11:16]) for it in lines] == [
        (1, "ALFA", "08:00"),
        (2, "BRINE", "08:00"),
        (3, "BRINE", "16:00"),
    ]
    assert [it["fish"][0]["mass"]["g"] for it in lines] == [1500, 2000, 2000]


def test_the_paper_says_whom_to_feed_what_and_what_to_put_into_the_fish(kitchen: Kitchen) -> None:
    a_signed_plan(kitchen)
    an_order(kitchen)
    batch = a_batch(kitchen)
    code = a_sheet(kitchen)["code"]
    said = str(on_paper(kitchen, code))
    for part in (
        code,
        "Wednesday 25 November 2026",
        "Brine",
        "2 kg",
        batch,
        "1 × E-400 for BRINE",
        "1 × Antibiotic 250 mg for BRINE in CAP",
    ):
        assert part in said, part
    paper = kitchen.keeper.get(f"/fallback-sheets/{code}/paper")
    assert paper.headers["content-type"] == "application/pdf"
    assert paper.content.startswith(b"%PDF") and pages(paper.content) == 1


@pytest.mark.parametrize(
    "name", ['"); #panic("x")', '#read("/etc/passwd")', "$ _ * # \\ `", "魚 🐟"]
)
def test_whatever_an_animal_is_called_is_printed_and_never_run(
    small_kitchen: Kitchen, name: str
) -> None:
    animal = {"code": "ODD", "name": name, "taxon": "T", "group": "penguin"}
    small_kitchen.manager.made("/animals", animal)
    on_a_diet(small_kitchen, "ODD", feeds=1, CAP=400)
    code = a_sheet(small_kitchen)["code"]
    paper = small_kitchen.keeper.get(f"/fallback-sheets/{code}/paper")
    assert paper.status_code == 200 and pages(paper.content) == 1


def test_a_bucket_that_is_made_stands_on_the_sheet_with_its_batch(kitchen: Kitchen) -> None:
    on_a_diet(kitchen)
    batch = a_batch(kitchen)
    (bucket,) = kitchen.commissary.made("/buckets", {"day": TODAY, "number": 1})["items"]
    first, second = a_sheet(kitchen)["lines"]
    assert (first["bucket"], first["fish"][0]["thaw_batch"]) == (bucket["code"], batch)
    assert (second["bucket"], second["fish"][0]["thaw_batch"]) == (None, None)


def test_fish_that_a_bucket_still_lacks_stands_on_the_sheet_too(kitchen: Kitchen) -> None:
    on_a_diet(kitchen, feeds=1, CAP=2000, HER=1000)
    a_batch(kitchen)
    kitchen.commissary.made("/buckets", {"day": TODAY})
    (line,) = a_sheet(kitchen)["lines"]
    assert {f["species"]: bool(f["thaw_batch"]) for f in line["fish"]} == {
        "CAP": True,
        "HER": False,
    }


def test_a_long_sheet_has_its_code_on_every_page(small_kitchen: Kitchen) -> None:
    for n in range(30):
        animal = {"code": f"A{n}", "name": f"Name {n}", "taxon": "T", "group": "penguin"}
        small_kitchen.manager.made("/animals", animal)
        on_a_diet(small_kitchen, f"A{n}", feeds=1, CAP=400)
    code = a_sheet(small_kitchen)["code"]
    template = files("service").joinpath("fallback", "data", "sheet.typ").read_bytes()
    inputs = {"sheet": json.dumps(on_paper(small_kitchen, code) | {"symbol": symbol(code)})}
    drawn: Any = typst.compile(
        template, format="png", ppi=150, ignore_system_fonts=True, sys_inputs=inputs
    )
    assert len(drawn) > 1
    assert [scanned(page) for page in drawn] == [[code]] * len(drawn)


def test_a_sheet_is_made_anew_only_where_something_changed(kitchen: Kitchen) -> None:
    on_a_diet(kitchen)
    first = a_sheet(kitchen)
    assert a_sheet(kitchen)["code"] == first["code"]
    on_a_diet(kitchen, CAP=5000)
    second = a_sheet(kitchen)
    assert second["code"] != first["code"]
    assert kitchen.keeper.shown(f"/fallback-sheets/{first['code']}")["lines"] == first["lines"]
    assert [s["code"] for s in kitchen.keeper.shown("/fallback-sheets")["items"]] == [
        second["code"],
        first["code"],
    ]


# --- each night


def test_in_the_evening_tomorrows_sheet_lies_in_the_data_folder_and_is_told_of(
    kitchen: Kitchen,
) -> None:
    on_a_diet(kitchen)
    database = kitchen.app.state.database
    kitchen.clock.at = datetime(2026, 11, 25, 17, 59, tzinfo=UTC)
    assert make_due(database, kitchen.clock, kitchen.folder) == []
    kitchen.clock.forward(minutes=1)
    (path,) = make_due(database, kitchen.clock, kitchen.folder)
    assert path.parent == kitchen.folder / "fallback-sheets"
    assert pages(path.read_bytes()) == 1
    assert on_paper(kitchen, path.stem)["day"] == "Thursday 26 November 2026"
    kitchen.clock.forward(minutes=1)
    assert make_due(database, kitchen.clock, kitchen.folder) == []
    told = [m for m in kitchen.keeper.shown("/messages")["items"] if m["subject"] == "fallback"]
    assert [path.stem in m["title"] for m in told] == [True]


def test_a_sheet_whose_file_was_lost_is_drawn_again(kitchen: Kitchen) -> None:
    kitchen.clock.at = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
    database = kitchen.app.state.database
    (path,) = make_due(database, kitchen.clock, kitchen.folder)
    path.unlink()
    assert make_due(database, kitchen.clock, kitchen.folder) == [path]
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_the_evening_is_the_sites_own(kitchen: Kitchen) -> None:
    # Auckland is 13 h ahead of UTC in November (IANA zone; daylight saving from September).
    kitchen.manager.put("/sites/main", {"timezone": "Pacific/Auckland"})
    kitchen.clock.at = datetime(2026, 11, 25, 5, 0, tzinfo=UTC)
    (path,) = make_due(kitchen.app.state.database, kitchen.clock, kitchen.folder)
    assert path.name.startswith("S261126")


# --- entering it


def test_a_line_that_comes_back_is_a_feed_and_a_bucket(kitchen: Kitchen) -> None:
    code, batch = a_day(kitchen)
    kitchen.clock.forward(days=2)
    answer = entered(kitchen, code, eaten(1, batch, ate="1.5 kg", initials="AB"))
    (stored,) = answer["stored"]
    assert stored["breaches"] == [] and answer["before"] == []
    balance = kitchen.balance()
    assert (balance["eaten"], balance["left"]) == (1500, 500)
    bucket = kitchen.keeper.shown(f"/buckets/{stored['bucket']}")
    assert (bucket["state"], bucket["number"], bucket["feed"]) == ("fed", 1, stored["feed"])
    assert [it["entered"] for it in kitchen.keeper.shown(f"/fallback-sheets/{code}")["lines"]] == [
        True,
        False,
    ]


def test_a_sheet_entered_twice_is_stored_once(kitchen: Kitchen) -> None:
    code, batch = a_day(kitchen)
    first = entered(kitchen, code, eaten(1, batch))["stored"][0]
    balance = kitchen.balance()
    again = entered(kitchen, code, eaten(1, batch), eaten(2, batch, ate="1 kg"))
    assert again["before"] == [
        {"line": 1, "bucket": first["bucket"], "feed": first["feed"], "same": True}
    ]
    assert [it["line"] for it in again["stored"]] == [2]
    assert kitchen.balance()["eaten"] == balance["eaten"] + 1000
    other = entered(kitchen, code, eaten(1, batch, ate="0 kg"))
    assert other["stored"] == [] and other["before"][0]["same"] is False
    assert kitchen.balance()["eaten"] == balance["eaten"] + 1000


def test_a_line_whose_bucket_a_tablet_has_recorded_is_not_fed_a_second_time(
    kitchen: Kitchen,
) -> None:
    on_a_diet(kitchen)
    batch = a_batch(kitchen)
    code = a_sheet(kitchen)["code"]
    (bucket,) = kitchen.commissary.made("/buckets", {"day": TODAY, "number": 1})["items"]
    left = {"left": [{"thaw_batch": batch, "left": "0.1 kg"}]}
    fed = kitchen.keeper.made(f"/buckets/{bucket['code']}/weigh-back", left)["bucket"]
    answer = entered(kitchen, code, eaten(1, batch))
    assert answer["stored"] == []
    assert answer["before"] == [
        {"line": 1, "bucket": bucket["code"], "feed": fed["feed"], "same": False}
    ]
    assert kitchen.balance()["eaten"] == 1900


def test_what_a_bucket_was_to_hold_gives_way_to_what_was_written(kitchen: Kitchen) -> None:
    on_a_diet(kitchen)
    planned, taken = a_batch(kitchen), a_batch(kitchen)
    kitchen.commissary.made("/buckets", {"day": TODAY, "number": 1})
    code = a_sheet(kitchen)["code"]
    (stored,) = entered(kitchen, code, eaten(1, taken, offered="1.8 kg", ate="1.8 kg"))["stored"]
    shown = kitchen.keeper.shown(f"/buckets/{stored['bucket']}")
    assert {i["thaw_batch"]: i["weighed"]["g"] for i in shown["items"]} == {planned: 0, taken: 1800}
    assert kitchen.keeper.shown(f"/thaw-batches/{taken}")["remaining"]["g"] == 18_200


def test_nothing_offered_is_written_down_with_its_reason(kitchen: Kitchen) -> None:
    code, _ = a_day(kitchen)
    line = {"line": 1, "not_fed": "the pool was drained", "fed_at": "2026-11-25T06:00:00Z"}
    (stored,) = entered(kitchen, code, line)["stored"]
    feed = kitchen.keeper.shown("/feeds?animal=BRINE")["items"][0]
    assert (feed["id"], feed["outcome"]) == (stored["feed"], "not_offered")
    assert feed["note"] == "the pool was drained"
    assert kitchen.keeper.shown(f"/buckets/{stored['bucket']}")["state"] == "not_fed"
    assert kitchen.balance()["eaten"] == 0


def test_a_tablet_ticked_on_paper_is_given_and_a_spat_one_is_told(kitchen: Kitchen) -> None:
    plan = a_signed_plan(kitchen)
    an_order(kitchen)
    batch = a_batch(kitchen)
    sheet = a_sheet(kitchen)
    numbers = {p["item"]: p["number"] for p in sheet["lines"][0]["carries"]}
    ticked = [
        {"number": numbers["E-400"], "outcome": "taken"},
        {"number": numbers["Antibiotic 250 mg"], "outcome": "spat_out"},
    ]
    answer = entered(kitchen, sheet["code"], eaten(1, batch, carries=ticked))
    assert answer["stored"][0]["breaches"] == []
    body = {"supplements": [{"product": "E-400", "count": 1}]}
    again = kitchen.keeper.post(f"/supplement-plans/{plan}/given", body)
    assert refusal(again) == (409, "already-given")
    assert ["spat out" in m["title"] for m in messages(kitchen)] == [True]


def test_fish_fed_past_its_clock_is_stored_with_its_breach(kitchen: Kitchen) -> None:
    on_a_diet(kitchen)
    batch = a_batch(kitchen)
    code = a_sheet(kitchen, "2026-11-26")["code"]
    kitchen.clock.forward(days=2)
    late = eaten(1, batch) | {"fed_at": "2026-11-26T09:00:00Z"}
    (stored,) = entered(kitchen, code, late)["stored"]
    assert [b["rule"] for b in stored["breaches"]] == ["clock-from-freezer"]
    assert kitchen.balance()["eaten"] == 2000


@pytest.mark.parametrize(
    ("wrong", "status", "kind", "field"),
    [
        ({"line": 9}, 404, "unknown-line", "lines.1.line"),
        ({"fed_at": "2026-12-25T06:00:00Z"}, 422, "validation", "lines.1.fed_at"),
        ({"fed_at": None}, 422, "validation", "lines.1.fed_at"),
        ({"not_fed": "both"}, 422, "validation", "lines.1"),
        (
            {"carries": [{"number": 1, "outcome": "taken"}]},
            404,
            "unknown-piece",
            "lines.1.carries.0.number",
        ),
    ],
)
def test_a_line_that_cannot_be_is_named_and_nothing_of_the_sheet_is_stored(
    kitchen: Kitchen, wrong: dict[str, Any], status: int, kind: str, field: str
) -> None:
    code, batch = a_day(kitchen)
    body = {"lines": [eaten(1, batch), eaten(2, batch) | wrong]}
    answer = kitchen.keeper.post(f"/fallback-sheets/{code}/entries", body)
    assert refusal(answer) == (status, kind), answer.text
    assert answer.json()["errors"][0]["field"] == field
    assert kitchen.balance()["eaten"] == 0


def test_a_batch_that_nobody_knows_is_named_by_its_line(kitchen: Kitchen) -> None:
    code, batch = a_day(kitchen)
    body = {"lines": [eaten(1, batch), eaten(2, "T261125ZZZ0")]}
    answer = kitchen.keeper.post(f"/fallback-sheets/{code}/entries", body)
    assert refusal(answer) == (404, "unknown-thaw-batch")
    assert answer.json()["errors"][0]["field"] == "lines.1.items.0.thaw_batch"


def test_a_sheet_of_another_day_or_kitchen_is_not_found_by_a_mistyped_code(
    kitchen: Kitchen,
) -> None:
    code, batch = a_day(kitchen)
    read = kitchen.keeper.made("/labels/read", {"text": code.lower()})
    assert read["ours"] == {"kind": "fallback_sheet", "code": code, "known": True}
    wrong = code[:-1] + ("A" if code[-1] != "A" else "B")
    body = {"lines": [eaten(1, batch)]}
    answer = kitchen.keeper.post(f"/fallback-sheets/{wrong}/entries", body)
    assert refusal(answer) == (404, "unknown-sheet")


def test_the_worker_makes_the_sheet(small_kitchen: Kitchen) -> None:
    (job,) = (j for j in jobs_of(small_kitchen.app.state.settings) if j.name == "fallback sheets")
    assert isinstance(job, LongJob)
    small_kitchen.clock.at = START + timedelta(hours=13)
    job.work(small_kitchen.app.state.database, small_kitchen.clock)
    assert len(list((small_kitchen.folder / "fallback-sheets").iterdir())) == 1
