"""Supplements on paper: what the kitchen reads, what the vet reads, and what nobody may give."""

import csv
import io
import re
from typing import Any

import pytest
from pypdf import PdfReader

from service.supplements.rules import CAUTIONS
from tests.architecture.test_statements import counted
from tests.kitchen import Kitchen
from tests.supplements.test_plans import fed, planned, require, tablet

__all__ = ["fed"]

TODAY = "2026-11-25"
KITCHEN, VET = f"/supplement-sheets/kitchen?day={TODAY}", f"/supplement-sheets/vet?day={TODAY}"
HOSTILE = [
    '"); #panic("x") \\',
    '#read("/etc/passwd") $x$ _*`',
    "<script>alert(1)</script> @ref <label>",
    "ملح البحر \u202e reversed",
    "🐟🦭 魚",
    "W" * 200,
    "= heading\\ // comment /* ]]] }} {{",
]


def signed(kitchen: Kitchen, **more: Any) -> Any:
    plan = planned(kitchen, **more)
    kitchen.vet.made(f"/supplement-plans/{plan['id']}/sign-off", {"meaning": "Give as written"})
    return plan


def paper(kitchen: Kitchen, path: str) -> bytes:
    answer = kitchen.keeper.get(path, headers={"Accept": "application/pdf"})
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf"
    return answer.content


def pages(pdf: bytes) -> list[str]:
    """The text of each page, by an outside reader of what was drawn."""
    return [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text.replace("\u200b", ""))


def table(kitchen: Kitchen, path: str) -> list[dict[str, str]]:
    answer = kitchen.keeper.get(path, headers={"Accept": "text/csv"})
    assert answer.headers["content-type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(answer.text)))


def pieces_of(sheet: Any) -> dict[tuple[str, str], float]:
    found: dict[tuple[str, str], float] = {}
    for block in sheet["blocks"]:
        for piece in block["pieces"]:
            key = piece["animal"], piece["product"]
            found[key] = found.get(key, 0) + piece["count"]
    return found


# --- the kitchen's


def test_the_kitchen_reads_what_is_ordered_feed_by_feed(fed: Kitchen) -> None:
    plan = signed(fed)
    sheet = fed.keeper.shown(KITCHEN)
    assert pieces_of(sheet) == {("BRINE", "B1-100"): 2, ("BRINE", "E-400"): 1.5}
    apart, feed = sheet["blocks"]
    assert {(b["animal"], b["name"], b["bucket"]) for b in (apart, feed)} == {
        ("BRINE", "Brine", None)
    }
    assert (apart["apart"], apart["fish"], apart["pieces"][0]["product"]) == (True, [], "B1-100")
    assert {f["species"]: f["mass"]["g"] for f in feed["fish"]} == {"HER": 3000, "CAP": 2000}
    assert (feed["feed"], feed["pieces"][0]["product"]) == (1, "E-400")
    assert {p["plan"] for b in (apart, feed) for p in b["pieces"]} == {plan["id"]}
    assert (sheet["printed_by"], sheet["cautions"]) == ("keeper", list(CAUTIONS))
    assert sheet["not_signed"] == []


def test_what_nobody_signed_is_never_printed_as_to_be_given(fed: Kitchen) -> None:
    plan = planned(fed)
    sheet = fed.keeper.shown(KITCHEN)
    assert sheet["blocks"] == []
    (waiting,) = sheet["not_signed"]
    assert (waiting["plan"], waiting["animal_name"]) == (plan["id"], "Brine")
    text = flat("".join(pages(paper(fed, KITCHEN))))
    assert "NOT SIGNED: do not give Brine" in text
    assert "initials" not in text, "there is nothing to tick"
    assert {row["says"] for row in table(fed, KITCHEN)} == {"NOT SIGNED: do not give"}


def test_a_change_that_waits_stands_beside_the_order_in_force(fed: Kitchen) -> None:
    signed(fed)
    planned(fed)  # the same pieces once more: nothing that anybody has to know
    assert fed.keeper.shown(KITCHEN)["not_signed"] == []
    require(fed, "THIA", 60, "mg")
    planned(fed)
    sheet = fed.keeper.shown(KITCHEN)
    assert pieces_of(sheet)["BRINE", "B1-100"] == 2
    assert sheet["not_signed"][0]["pieces"][0] == {
        "product": "B1-100",
        "name": "B1-100 tablet",
        "count": 3,
        "counted_in": "piece",
    }


def test_of_what_was_given_in_part_the_rest_is_printed(fed: Kitchen) -> None:
    plan = signed(fed)
    half = {"supplements": [{"product": "B1-100", "count": 1}]}
    fed.keeper.made(f"/supplement-plans/{plan['id']}/given", half)
    (piece,) = [
        p
        for block in fed.keeper.shown(KITCHEN)["blocks"]
        for p in block["pieces"]
        if p["product"] == "B1-100"
    ]
    assert (piece["count"], piece["done"]) == (1, False)
    assert "1 given" in piece["recorded"][0]


def test_nobody_under_a_fast_appears(fed: Kitchen) -> None:
    signed(fed)
    fast = {"from": TODAY, "reason": "before an operation"}
    answer = fed.vet.post("/animals/BRINE/fasts", fast)
    assert answer.status_code == 201, answer.text
    for path in (KITCHEN, VET):
        assert "Brine" not in "".join(pages(paper(fed, path)))
        assert "BRINE" not in fed.keeper.get(path).text


def test_a_bucket_that_is_made_has_its_own_block_and_nothing_stands_twice(fed: Kitchen) -> None:
    signed(fed)
    for species in ("HER", "CAP"):
        fed.pulled(fed.a_lot(species)["code"], "20 kg")
    made = fed.commissary.made("/buckets", {"day": TODAY})["items"]
    carrying = {b["code"] for b in made if b["carries"]}
    assert carrying
    sheet = fed.keeper.shown(KITCHEN)
    assert {b["bucket"] for b in sheet["blocks"] if b["bucket"]} == carrying
    assert pieces_of(sheet) == {("BRINE", "B1-100"): 2, ("BRINE", "E-400"): 1.5}
    assert min(carrying) in "".join(pages(paper(fed, KITCHEN)))


def test_a_piece_in_a_bucket_whose_order_has_ended_is_not_to_be_given(fed: Kitchen) -> None:
    plan = signed(fed)
    fed.pulled(fed.a_lot("CAP")["code"], "20 kg")
    fed.commissary.made("/buckets", {"day": TODAY})
    fed.vet.made(f"/supplement-plans/{plan['id']}/withdrawal", {"reason": "the vet stopped it"})
    sheet = fed.keeper.shown(KITCHEN)
    assert [p["in_force"] for b in sheet["blocks"] for p in b["pieces"]] == [False]
    text = flat("".join(pages(paper(fed, KITCHEN))))
    assert text.count("NO ORDER IS IN FORCE: do not give") == 1
    assert "initials" not in text


@pytest.mark.parametrize("outcome", ["given", "spat_out"])
def test_what_was_recorded_has_nothing_to_tick_on_a_sheet_printed_later(
    fed: Kitchen, outcome: str
) -> None:
    """A spat piece too: it is never given again by itself."""
    plan = signed(fed)
    item = {"product": "B1-100", "count": 2, "outcome": outcome, "reason": "as it was"}
    fed.keeper.made(f"/supplement-plans/{plan['id']}/given", {"supplements": [item]})
    done = {
        p["product"]: p["done"] for b in fed.keeper.shown(KITCHEN)["blocks"] for p in b["pieces"]
    }
    assert done == {"B1-100": True, "E-400": False}
    text = flat("".join(pages(paper(fed, KITCHEN))))
    assert f"RECORDED, not again: 2 {outcome.replace('_', ' ')} at 06:00 by keeper" in text
    assert text.count("initials") == 1


def test_the_statements_sent_do_not_grow_with_the_animals(small_kitchen: Kitchen) -> None:
    tablet(small_kitchen, "B1-100", {"THIA": (100, "mg")})
    sent = []
    for n in range(6):
        animal = {"code": f"A{n}", "name": f"Name {n}", "taxon": "T", "group": "penguin"}
        small_kitchen.manager.made("/animals", animal)
        diet = {"from": "2026-11-01", "items": [{"species": "CAP", "mass": "1 kg"}]}
        small_kitchen.nutritionist.made(f"/animals/A{n}/diets", diet)
        signed(small_kitchen, animal=f"A{n}")
        with counted(small_kitchen) as statements:
            for path in (KITCHEN, VET):
                small_kitchen.keeper.shown(path)
        sent.append(len(statements))
    assert sent[5] == sent[1]


def test_feeds_stand_in_the_order_of_feeding(fed: Kitchen) -> None:
    for code, name in (("ALFA", "Alfa"), ("ZULU", "Zulu")):
        animal = {"code": code, "name": name, "taxon": "T", "group": "penguin"}
        fed.manager.made("/animals", animal)
        items = [{"species": "CAP", "mass": "4 kg"}]
        diet = {"from": "2026-11-01", "items": items, "feeds_per_day": 2}
        fed.nutritionist.made(f"/animals/{code}/diets", diet)
        signed(fed, animal=code)
    signed(fed)
    blocks = fed.keeper.shown(KITCHEN)["blocks"]
    assert blocks == sorted(blocks, key=lambda b: (b["at"], b["name"]))
    assert [b["name"] for b in blocks][:2] == ["Alfa", "Brine"]


def test_under_a_standing_order_pieces_apart_are_given_at_the_same_hour_on_later_days(
    fed: Kitchen,
) -> None:
    """Geraci 1972: 2 h before the feed where every fish may carry thiaminase."""
    signed(fed)
    apart, feed = fed.keeper.shown("/supplement-sheets/kitchen?day=2026-11-28")["blocks"]
    assert (apart["apart"], apart["at"]) == (True, "2026-11-28T06:00:00Z")
    assert (feed["feed"], feed["at"]) == (1, "2026-11-28T08:00:00Z")


# --- the vet's


def test_the_vet_reads_every_figure_and_the_signature(fed: Kitchen) -> None:
    require(fed, "THIA", 25, "mg", limit=150, limit_on="added")
    plan = signed(fed)
    (item,) = fed.vet.shown(VET)["items"]
    assert (item["in_force"], item["meaning"], item["signed_as"]) == (
        True,
        "Give as written",
        "vet",
    )
    assert item["plan"]["lines"] == plan["lines"]
    text = flat("".join(pages(paper(fed, VET))))
    for part in (
        "Signed by vet (vet), Wed 25 Nov 2026",
        "Give as written",
        "UNMET: THIA is short by 25 mg",
        "thiamine, mg",
        "150 added",
        "Engelhardt & Geraci 1978; otter care manual (AZA) (read)",
        "1 piece B1-100 tablet (B1-100): 100 mg THIA",
    ):
        assert part in text, part


def test_a_proposal_is_shown_to_the_vet_as_not_signed(fed: Kitchen) -> None:
    planned(fed)
    assert [i["in_force"] for i in fed.vet.shown(VET)["items"]] == [False]
    assert "NOT SIGNED: do not give" in flat("".join(pages(paper(fed, VET))))


def test_the_vets_table_has_a_row_for_each_nutrient(fed: Kitchen) -> None:
    signed(fed)
    rows = {row["nutrient"]: row for row in table(fed, VET)}
    assert {"THIA", "VITE"} <= rows.keys()
    thiamine = rows["THIA"]
    assert [float(thiamine[n]) for n in ("required", "credit", "add", "given")] == [
        125,
        0,
        125,
        200,
    ]
    assert thiamine["pieces"] == "2 × B1-100; 1.5 × E-400"
    assert CAUTIONS[0] in thiamine["caution"]


def test_the_sheet_of_one_animal_is_of_it_alone(fed: Kitchen) -> None:
    signed(fed)
    assert [i["animal"] for i in fed.vet.shown(f"{VET}&animal=BRINE")["items"]] == ["BRINE"]
    assert fed.vet.get(f"{VET}&animal=NOBODY").status_code == 404


# --- both


@pytest.mark.parametrize("path", [KITCHEN, VET])
def test_the_cautions_stand_on_every_page(small_kitchen: Kitchen, path: str) -> None:
    tablet(small_kitchen, "B1-100", {"THIA": (100, "mg")})
    for n in range(14):
        animal = {"code": f"A{n}", "name": f"Name {n}", "taxon": "T", "group": "penguin"}
        small_kitchen.manager.made("/animals", animal)
        items = [{"species": "CAP", "mass": "1 kg"}]
        diet = {"from": "2026-11-01", "items": items}
        small_kitchen.nutritionist.made(f"/animals/A{n}/diets", diet)
        (signed if n % 2 else planned)(small_kitchen, animal=f"A{n}")
    found = pages(paper(small_kitchen, path))
    assert len(found) > 1
    for number, page in enumerate(found, start=1):
        for caution in CAUTIONS:
            assert caution in flat(page)
        for part in (f"page {number} of {len(found)}", "Wednesday 25 November 2026", "by keeper"):
            assert part in flat(page), part


@pytest.mark.parametrize("name", HOSTILE)
def test_whatever_things_are_called_is_printed_and_never_run(
    small_kitchen: Kitchen, name: str
) -> None:
    """Names of animal and product, source of a requirement, meaning of a signature."""
    animal = {"code": "ODD", "name": name, "taxon": name, "group": "penguin"}
    small_kitchen.manager.made("/animals", animal)
    diet = {"from": "2026-11-01", "items": [{"species": "CAP", "mass": "1 kg"}]}
    small_kitchen.nutritionist.made("/animals/ODD/diets", diet)
    tablet(small_kitchen, "B1-100", {"THIA": (100, "mg")}, name=name)
    require(small_kitchen, "THIA", 25, "mg", source=name, applies_to={"animal": "ODD"})
    plan = planned(small_kitchen, animal="ODD")
    paper(small_kitchen, KITCHEN)
    meaning = {"meaning": name}
    small_kitchen.vet.made(f"/supplement-plans/{plan['id']}/sign-off", meaning)
    for path in (KITCHEN, VET):
        text = flat(" ".join(pages(paper(small_kitchen, path))))
        assert "root:" not in text
        if name.isascii():
            squeezed = re.sub(r"\W", "", text)
            assert re.sub(r"\W", "", name) in squeezed, text


def test_a_day_without_supplements_says_so(small_kitchen: Kitchen) -> None:
    for path in (KITCHEN, VET):
        assert "No supplements are ordered" in "".join(pages(paper(small_kitchen, path)))
        assert CAUTIONS[0] in flat(pages(paper(small_kitchen, path))[0])
    assert small_kitchen.keeper.get("/supplement-sheets/kitchen").status_code == 422
    assert small_kitchen.keeper.get(f"{KITCHEN}&site=NOWHERE").status_code == 404


@pytest.mark.parametrize("path", [KITCHEN, VET])
def test_format_in_the_address_beats_what_accept_asks_for(
    small_kitchen: Kitchen, path: str
) -> None:
    asked = {"Accept": "application/pdf"}
    assert small_kitchen.keeper.get(f"{path}&format=json", headers=asked).json()["day"] == TODAY
    assert small_kitchen.keeper.get(f"{path}&format=pdf").content.startswith(b"%PDF")
    assert "csv" in small_kitchen.keeper.get(f"{path}&format=csv").headers["content-type"]


def test_a_member_of_a_group_stands_under_its_own_name(fed: Kitchen) -> None:
    """With its share of the group's fish; in the group's bucket once that is made."""
    animal = {"code": "ALFA", "name": "Alfa", "taxon": "T", "group": "penguin"}
    fed.manager.made("/animals", animal)
    fed.keeper.made("/groups", {"code": "POOL", "name": "The pool"})
    fed.keeper.made("/groups/POOL/members", {"animal": "ALFA", "from": "2026-11-01T00:00:00Z"})
    items = [{"species": "CAP", "mass": "4 kg"}]
    fed.nutritionist.made("/groups/POOL/diets", {"from": "2026-11-01", "items": items})
    signed(fed, animal="ALFA")
    blocks = fed.keeper.shown(KITCHEN)["blocks"]
    assert {b["animal"] for b in blocks} == {"ALFA"}
    before = pieces_of({"blocks": blocks})
    fed.pulled(fed.a_lot("CAP")["code"], "20 kg")
    fed.commissary.made("/buckets", {"day": TODAY})
    sheet = fed.keeper.shown(KITCHEN)
    assert pieces_of(sheet) == before
    (bucket,) = [b for b in sheet["blocks"] if b["bucket"]]
    assert (bucket["group"], bucket["pieces"][0]["animal_name"]) == ("POOL", "Alfa")
    assert "Alfa (ALFA)" in flat("".join(pages(paper(fed, KITCHEN))))
