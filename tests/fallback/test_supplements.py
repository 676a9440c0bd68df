"""Supplements on the sheet for when everything fails: in which fish, how many, what by hand."""

from typing import Any

import pytest

from tests.assessments.test_record import pages
from tests.buckets.test_buckets import TODAY, a_batch, on_a_diet
from tests.buckets.test_placing import gave, made, salted, signed, thiamine
from tests.fallback.test_sheets import a_sheet, eaten, entered, on_paper
from tests.kitchen import Kitchen
from tests.supplements.test_plans import tablet

__all__ = ["salted", "thiamine"]  # fixtures


def printed(sheet: Any) -> list[list[tuple[str, float]]]:
    return [[(c["item"], c["count"]) for c in line["carries"]] for line in sheet["lines"]]


@pytest.fixture
def apart(kitchen: Kitchen) -> Kitchen:
    """4 kg of capelin, of which thiaminase.csv says mixed: a tablet of 100 mg, 2 h before."""
    on_a_diet(kitchen, feeds=2)
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")})
    signed(kitchen)
    return kitchen


def test_a_part_of_a_day_stands_at_each_feed_and_comes_back_as_that_part(salted: Kitchen) -> None:
    signed(salted)
    sheet = a_sheet(salted)
    assert printed(sheet) == [[("SALT", 1)]] * 3 and sheet["by_hand"] == []
    taken = [{"number": 1, "outcome": "taken"}]
    lines = [eaten(n, a_batch(salted), "1 kg", "1 kg", carries=taken) for n in (1, 2, 3)]
    stored = entered(salted, sheet["code"], *lines)["stored"]
    assert [each["breaches"] for each in stored] == [[], [], []]
    rows = salted.keeper.shown("/animals/BRINE/supplements")["items"]
    assert [(r["product"], r["count"], r["outcome"]) for r in rows] == [("SALT", 1, "given")] * 3


def test_two_parts_in_different_fish_of_one_feed_are_told_apart(salted: Kitchen) -> None:
    plan = signed(salted)
    capelin, herring = a_batch(salted), a_batch(salted, "HER")
    items = [{"thaw_batch": batch, "mass": "1 kg"} for batch in (capelin, herring)]
    salt = {"plan": plan["id"], "product": "SALT", "count": 1}
    body = {
        "animal": "BRINE",
        "feed_at": f"{TODAY}T06:00:00Z",
        "items": items,
        "carries": [salt | {"fish": "CAP"}, salt | {"fish": "HER"}],
    }
    (bucket,) = salted.keeper.made("/buckets", body)["items"]
    sheet = a_sheet(salted)
    (line,) = [it["line"] for it in sheet["lines"] if it["bucket"] == bucket["code"]]
    ticked = [{"number": 2, "outcome": "spat_out"}, {"number": 1, "outcome": "taken"}]
    entered(salted, sheet["code"], eaten(line, capelin, "1 kg", "1 kg", carries=ticked))
    shown = salted.keeper.shown(f"/buckets/{bucket['code']}")["carries"]
    assert [(c["fish"], c["outcome"]) for c in shown] == [("CAP", "taken"), ("HER", "spat_out")]


def test_thiamine_that_is_given_apart_from_the_feeds_stands_on_the_paper(apart: Kitchen) -> None:
    """Geraci 1972 [read]: 2 h before the feed; the first is at 8, of two equal ones the main."""
    sheet = a_sheet(apart)
    (each,) = sheet["by_hand"]
    assert (each["animal"], each["item"], each["count"]) == ("BRINE", "B1-100", 1)
    assert each["at"] == "2026-11-25T06:00:00Z" and "2 h before the main feed" in each["how"]
    assert printed(sheet) == [[], []]
    said = on_paper(apart, sheet["code"])
    assert said["by_hand"][0]["at"] == "06:00" and "Record these" in said["record_by_hand"]
    paper = apart.keeper.get(f"/fallback-sheets/{sheet['code']}/paper")
    assert pages(paper.content) == 1
    # On a later day of the order at the same hour.
    assert a_sheet(apart, "2026-11-27")["by_hand"][0]["at"] == "2026-11-27T06:00:00Z"


def test_an_hour_apart_from_feeds_is_that_of_the_wall_clock(apart: Kitchen) -> None:
    """Berlin goes from UTC+1 to UTC+2 on the last Sunday of March (IANA zone)."""
    apart.manager.put("/sites/main", {"timezone": "Europe/Berlin"})
    signed(apart)
    for day in (TODAY, "2027-03-27", "2027-03-29"):
        code = a_sheet(apart, day)["code"]
        assert on_paper(apart, code)["by_hand"][0]["at"] == "06:00"


def test_what_was_given_apart_already_is_not_printed_again(apart: Kitchen) -> None:
    (line,) = apart.keeper.shown(f"/supplement-round?day={TODAY}")["items"]
    gave(apart, {"id": line["plan"]}, "B1-100")
    assert a_sheet(apart)["by_hand"] == []
    assert len(a_sheet(apart, "2026-11-26")["by_hand"]) == 1


def test_who_fasts_gets_no_supplements_by_hand(apart: Kitchen) -> None:
    body = {"from": TODAY, "until": TODAY, "reason": "before anaesthesia"}
    apart.vet.made("/animals/BRINE/fasts", body)
    assert a_sheet(apart)["by_hand"] == []


def test_thiamine_that_waits_because_the_fish_is_another_stands_on_the_paper(
    thiamine: Kitchen,
) -> None:
    signed(thiamine)
    assert a_sheet(thiamine)["by_hand"] == []
    on_a_diet(thiamine, feeds=2, HER=4000)
    (each,) = a_sheet(thiamine)["by_hand"]
    assert (each["item"], each["count"]) == ("B1-100", 1) and "thiaminase" in each["how"]
    # A bucket that is made without it leaves it waiting.
    a_batch(thiamine, "HER")
    made(thiamine)
    assert len(a_sheet(thiamine)["by_hand"]) == 1


def test_a_part_in_another_feed_than_ordered_is_told_on_paper(salted: Kitchen) -> None:
    signed(salted)
    on_a_diet(salted, feeds=2, CAP=3000)
    sheet = a_sheet(salted)
    assert printed(sheet) == [[("SALT", 1)], [("SALT", 2)]]
    assert "(ordered for feed 3)" in str(on_paper(salted, sheet["code"]))
