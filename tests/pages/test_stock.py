"""Lots: in the order of use, found by their label, and what may be done with them."""

import re

from tests.kitchen import Kitchen
from tests.pages.visiting import Visitor, visitor

HOSTILE = '"><img src=x onerror=alert(1)><script>alert(1)</script>'


def codes(page: str) -> list[str]:
    """The lots of a list, from the top."""
    return re.findall(r'class="lot-code" href="/stock/([^"]+)"', page)


def line_of(page: str, code: str) -> str:
    """What a list says of one lot."""
    return next(part for part in page.split("<li class=") if f"/stock/{code}" in part)


def fed(kitchen: Kitchen, lot: str, mass: str = "10 kg") -> None:
    """A carton pulled and some of it eaten."""
    batch = kitchen.pulled(lot, mass)["code"]
    kitchen.clock.forward(hours=3)
    kitchen.keeper.made(f"/thaw-batches/{batch}/thawed", {})
    kitchen.keeper.made(
        "/feeds",
        {
            "animal": "BRINE",
            "items": [{"thaw_batch": batch, "offered": "3 kg", "eaten": "2.5 kg"}],
            "appetite": "normal",
        },
    )


def test_the_list_begins_with_the_oldest_catch_of_each_species_and_marks_it(
    small_kitchen: Kitchen,
) -> None:
    young = small_kitchen.a_lot(caught="2026-08-01")["code"]
    old = small_kitchen.a_lot(caught="2026-06-01")["code"]
    capelin = small_kitchen.a_lot(species="CAP", caught="2026-07-01", mass="120 kg")["code"]
    page = visitor(small_kitchen, "keeper").page("/stock")
    assert codes(page) == [old, young, capelin] or codes(page) == [capelin, old, young]
    assert "Use next" in line_of(page, old) and "Use next" in line_of(page, capelin)
    assert "Use next" not in line_of(page, young)
    assert "100.0 kg" in line_of(page, old) and "FZ1" in line_of(page, old)


def test_a_carton_that_thaws_takes_no_life_from_the_cartons_in_the_freezer(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot(caught="2026-11-01")["code"]
    who, said = visitor(kitchen, "keeper"), re.compile(r"(\d+) days? of life left")

    def days() -> int:
        found = said.search(line_of(who.page("/stock"), lot))
        assert found is not None
        return int(found[1])

    before = days()
    kitchen.pulled(lot, "10 kg")
    assert days() == before > 7


def test_a_held_lot_is_not_the_next_to_be_used(kitchen: Kitchen) -> None:
    old = kitchen.a_lot(caught="2026-06-01")["code"]
    young = kitchen.a_lot(caught="2026-08-01")["code"]
    who = visitor(kitchen, "keeper")
    where = who.sent(f"/stock/{old}/hold", {"reason": "smells of ammonia"})
    assert where == f"/stock/{old}"
    assert "smells of ammonia" in who.page(where)
    page = who.page("/stock")
    assert "On hold" in line_of(page, old) and "Use next" not in line_of(page, old)
    assert "Use next" in line_of(page, young)


def test_the_list_is_filtered_by_species_and_place(small_kitchen: Kitchen) -> None:
    herring = small_kitchen.a_lot()["code"]
    capelin = small_kitchen.a_lot(species="CAP", mass="120 kg", place="FZ2")["code"]
    who = visitor(small_kitchen, "keeper")
    assert codes(who.page("/stock?species=cap")) == [capelin]
    assert codes(who.page("/stock?place=FZ1")) == [herring]
    assert codes(who.page("/stock?species=ZZZ")) == []
    assert who.get("/stock?page=0").status_code == 422


def test_a_long_list_comes_in_pages(small_kitchen: Kitchen) -> None:
    lines = [
        {"product": "HER-BLOCK-10", "caught_from": "2026-08-01", "mass": "10 kg", "place": "FZ1",
         "supplier_lot": f"L{i}", "core_temperatures": ["-20 °C"]}
        for i in range(42)
    ]  # fmt: skip
    delivery = {"supplier": "NORD", "arrived_at": "2026-11-02T09:40:00Z", "lots": lines}
    small_kitchen.commissary.made("/deliveries", delivery)
    who = visitor(small_kitchen, "keeper")
    first = who.page("/stock")
    onwards = re.search(r'href="(/stock\?[^"]*page=2)"', first)
    assert len(codes(first)) == 40 and onwards is not None
    second = codes(who.page(onwards[1].replace("&amp;", "&")))
    assert len(second) == 2 and not set(second) & set(codes(first))


def test_a_scanned_label_leads_to_the_lot_whatever_code_it_carries(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot(supplier_lot="A-77")["code"]
    who = visitor(small_kitchen, "keeper")
    for said in (lot, lot.lower(), f" {lot} ", "a77"):
        found = who.get("/stock/find", params={"code": said})
        assert (found.status_code, found.headers["location"]) == (303, f"/stock/{lot}"), said
    again = small_kitchen.a_lot(supplier_lot="A 77")["code"]
    several = who.get("/stock/find", params={"code": "A-77"})
    assert several.headers["location"].startswith("/stock/recall?supplier_lot=A-77")
    page = who.page(several.headers["location"])
    assert lot in page and again in page


def test_an_unknown_label_is_said_so_and_escaped(small_kitchen: Kitchen) -> None:
    who = visitor(small_kitchen, "keeper")
    for said in ("NOTHING-9", HOSTILE, "]C1011234", "\u20ac"):
        answer = who.get("/stock/find", params={"code": said})
        assert answer.status_code == 404 and "No lot here has the code" in answer.text
        assert "<script>alert" not in answer.text and "<img src=x" not in answer.text


def test_hostile_names_of_a_lot_are_text(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot(supplier_lot=HOSTILE)["code"]
    who = visitor(small_kitchen, "manager")
    who.sent(f"/stock/{lot}/hold", {"reason": HOSTILE})
    who.sent(
        f"/stock/{lot}/correct",
        {"supplier_lot": HOSTILE + "2", "reason": HOSTILE, "evidence": HOSTILE},
    )
    for path in (f"/stock/{lot}", f"/stock/{lot}/recall", f"/stock/{lot}/story", "/stock"):
        page = who.page(path)
        assert "<script>alert" not in page and "<img src=x" not in page, path


def test_a_lot_tells_its_story_and_where_it_is(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(caught="2026-06-01")["code"]
    fed(kitchen, lot)
    who = visitor(kitchen, "manager")
    moved = {"from_place": "FZ1", "to_place": "FZ2", "mass.value": "20", "mass.unit": "kg"}
    who.sent(f"/stock/{lot}/move", moved)
    counted = {"place": "FZ2", "mass.value": "19", "mass.unit": "kg", "reason": "stocktake"}
    who.sent(f"/stock/{lot}/count", counted)
    who.sent(f"/stock/{lot}/hold", {"reason": "to be looked at"})
    page = who.page(f"/stock/{lot}")
    story = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page[page.index('id="story"') :]))
    happened = (
        "Put on hold",
        "Counted 19.0 kg: 1.00 kg missing",
        "Moved 20.0 kg from FZ1 to FZ2",
        "Fed: 2.50 kg eaten, 0.500 kg left – BRINE",
        "Pulled 10.0 kg",
        "Received 100.0 kg",
    )
    places = [story.find(said) for said in happened]
    assert -1 not in places and places == sorted(places), story
    assert 'href="/rooms/FZ2"' in page


def test_feeds_of_a_day_are_one_line_and_the_story_goes_on_by_days(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(mass="500 kg")["code"]
    for _ in range(16):
        fed(kitchen, lot)
        kitchen.clock.forward(hours=21)
    who = visitor(kitchen, "keeper")
    first = who.page(f"/stock/{lot}")
    assert first.count("Fed: ") < 16
    earlier = re.search(r'href="(/stock/[^"]*/story\?before=[^"]*)"', first)
    assert earlier is not None
    rest = who.page(earlier[1])
    assert first.count("Fed: ") + rest.count("Fed: ") == 16
    assert "Received 500.0 kg" in rest


def test_only_a_vet_or_manager_sees_the_way_to_release_and_releases(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    keeper = visitor(small_kitchen, "keeper")
    keeper.sent(f"/stock/{lot}/hold", {"reason": "torn carton"})
    page = keeper.page(f"/stock/{lot}")
    assert "Release this hold" not in page
    vet = visitor(small_kitchen, "vet")
    release = re.search(r'action="(/stock/holds/\d+/release)"', vet.page(f"/stock/{lot}"))
    assert release is not None
    assert keeper.post(release[1], {"reason": "looks fine"}).status_code == 403
    assert vet.sent(release[1], {"reason": "looked at it"}) == f"/stock/{lot}"
    assert "Release this hold" not in vet.page(f"/stock/{lot}")
    assert vet.post(release[1], {"reason": "again"}).status_code == 409


def test_each_role_is_offered_only_what_it_may_do(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    offered = {}
    for role in ("inspector", "keeper", "nutritionist", "commissary", "vet", "manager"):
        page = visitor(small_kitchen, role).page(f"/stock/{lot}")
        offered[role] = set(re.findall(rf'href="/stock/{lot}/(\w+)"', page)) - {"recall"}
    assert offered["inspector"] == set()
    assert offered["keeper"] == {"hold"}
    assert offered["nutritionist"] == {"hold", "assay"}
    assert offered["vet"] == {"hold", "correct", "assay", "condemn"}
    assert offered["commissary"] == {
        "hold",
        "move",
        "count",
        "correct",
        "assay",
        "reject",
        "return",
    }
    assert offered["manager"] == offered["commissary"] | {"condemn"}
    for role, acts in offered.items():
        who = visitor(small_kitchen, role)
        for act in acts:
            assert who.get(f"/stock/{lot}/{act}").status_code == 200, (role, act)


def test_more_than_there_is_cannot_be_moved_and_nothing_is_stored(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    before = small_kitchen.balance()
    who = visitor(small_kitchen, "commissary")
    fields = {"from_place": "FZ1", "to_place": "FZ2", "mass.value": "900", "mass.unit": "kg"}
    refused = who.post(f"/stock/{lot}/move", fields)
    assert refused.status_code == 409 and "not-enough-stock" in refused.text
    thawed = who.post(f"/stock/{lot}/move", fields | {"mass.value": "lots"})
    assert thawed.status_code == 422 and "mass" in thawed.text
    assert small_kitchen.balance() == before


def test_a_condemned_lot_is_thrown_away_whole_or_in_part_and_the_rest_is_held(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot()["code"]
    vet = visitor(kitchen, "vet")
    part = {"place": "FZ1", "mass.value": "40", "mass.unit": "kg", "reason": "rancid"}
    vet.sent(f"/stock/{lot}/condemn", part)
    assert kitchen.balance()["discarded"] == 40_000
    assert "On hold" in vet.page(f"/stock/{lot}")
    rest = {"place": "", "mass.value": "", "mass.unit": "kg", "reason": "rancid too"}
    vet.sent(f"/stock/{lot}/condemn", rest)
    assert kitchen.balance()["parcels"] == 0
    assert "Nothing is left of this lot" in vet.page(f"/stock/{lot}")


def test_a_laboratory_result_out_of_limits_puts_the_lot_on_hold(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    who = visitor(kitchen, "nutritionist")
    fields = {
        "sampled_on": "2026-11-20", "laboratory": "Coast Laboratory", "portion": "whole",
        "tests.0.test": "histamine", "tests.0.values": "250 20 20 20 20 20 20 20 20",
        "tests.1.test": "", "tests.1.values": "",
        "values.0.nutrient": "FAT", "values.0.amount": "9.8", "values.0.unit": "",
        "values.1.nutrient": "", "values.1.amount": "", "values.1.unit": "",
    }  # fmt: skip
    who.sent(f"/stock/{lot}/assay", fields)
    page = who.page(f"/stock/{lot}")
    assert "Coast Laboratory" in page and "out of limits" in page and "On hold" in page
    assert "9.8 g/100g" in page
    withdraw = re.search(r'action="(/stock/assays/\d+/withdraw)"', page)
    assert withdraw is not None
    who.sent(withdraw[1], {"reason": "another lot was sampled"})
    assert "does not count" in who.page(f"/stock/{lot}")


def test_a_recall_says_who_ate_of_a_lot_and_where_every_gram_is(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(supplier_lot="A-77", caught="2026-06-01")["code"]
    other = kitchen.a_lot(supplier_lot="a 77", place="FZ2")["code"]
    fed(kitchen, lot)
    keeper = visitor(kitchen, "keeper")
    page = keeper.page(f"/stock/{lot}/recall")
    assert "Brine" in page and other in page and "Eaten" in page and "2.50 kg" in page
    assert "Open a watch" not in page
    keeper.sent(f"/stock/{lot}/recall/hold", {"reason": "recalled by the supplier"})
    for code in (lot, other):
        assert "recalled by the supplier" in keeper.page(f"/stock/{code}")
    assert "All of it is on hold" in keeper.page(f"/stock/{lot}/recall")


def test_what_an_animal_ate_is_traced_back_to_its_lots(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot(supplier_lot="A-77")["code"]
    fed(small_kitchen, lot)
    who = visitor(small_kitchen, "vet")
    page = who.page("/stock/trace?animal=BRINE")
    assert lot in page and "A-77" in page and "2.50 kg" in page
    assert who.get("/stock/trace?animal=NOBODY").status_code == 404
    assert who.get("/stock/trace?animal=BRINE&from=2026-12-01&to=2026-11-01").status_code == 422


def test_those_who_ate_of_a_bad_lot_are_watched_until_a_vet_closes_it(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot(caught="2026-06-01")["code"]
    fed(kitchen, lot)
    vet, keeper = visitor(kitchen, "vet"), visitor(kitchen, "keeper")
    watch = vet.sent(f"/stock/{lot}/watch", {"reason": "smelled of ammonia", "hazard": "spoilage"})
    assert "Brine" in keeper.page(watch) and "Close the watch" not in keeper.page(watch)
    keeper.sent(f"{watch}/look", {"animal": "BRINE"})
    keeper.sent(f"{watch}/look", {"animal": "BRINE", "signs": ["vomiting", "lethargy"]})
    page = vet.page(watch)
    assert "Signs seen: vomiting, lethargy" in page or "Signs seen: lethargy, vomiting" in page
    assert lot in vet.page("/stock/watches")
    bad = keeper.post(f"{watch}/look", {"animal": "BRINE", "signs": ["dancing"]})
    assert bad.status_code == 422
    assert keeper.post(f"{watch}/close", {"reason": "all well"}).status_code == 403
    vet.sent(f"{watch}/close", {"reason": "all well"})
    assert "all well" in vet.page(watch)


def ranged(who: Visitor, path: str) -> bool:
    return "bar-range" in who.page(path)


def test_a_keeper_sees_numbers_and_a_nutritionist_their_range(small_kitchen: Kitchen) -> None:
    lot = small_kitchen.a_lot()["code"]
    for path in ("/stock", f"/stock/{lot}"):
        assert not ranged(visitor(small_kitchen, "keeper"), path)
        assert ranged(visitor(small_kitchen, "nutritionist"), path)
