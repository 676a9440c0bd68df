"""Settings: what is set up by a page is what the rules and the API then go by."""

from typing import Any

import pytest

from service.site.rules import Policy, default_policy
from tests.kitchen import Kitchen
from tests.pages.visiting import Visitor, visitor

HOSTILE = '"><img src=x onerror=alert(1)><script>alert(1)</script>'


def manager(kitchen: Kitchen) -> Visitor:
    return visitor(kitchen, "manager")


def policy_of(kitchen: Kitchen) -> Any:
    return kitchen.manager.shown("/sites/MAIN/policy")


def test_only_a_manager_enters_the_settings_and_sees_the_way_there(small_kitchen: Kitchen) -> None:
    for role in ("keeper", "commissary", "vet", "nutritionist", "inspector"):
        who = visitor(small_kitchen, role)
        assert who.get("/settings").status_code == 403
        assert 'href="/settings"' not in who.page("/")
    assert 'href="/settings/figures"' in manager(small_kitchen).page("/settings")


def test_the_house_changes_its_name_zone_and_units_and_says_who_was_faster(
    kitchen: Kitchen,
) -> None:
    who = manager(kitchen)
    page = who.page("/settings/house")
    version = page.split('name="_version" value="')[1].split('"')[0].replace("&#34;", '"')
    house = {"name": "Harbour", "timezone": "America/Chicago", "mass_unit": "lb"}
    house |= {"temperature_unit": "f", "_version": version}
    assert who.sent("/settings/house", house) == "/settings"
    site = kitchen.manager.shown("/sites/MAIN")
    assert (site["name"], site["timezone"], site["mass_unit"]) == (
        "Harbour", "America/Chicago", "lb"
    )  # fmt: skip
    assert "0.0 °F" in who.page("/settings/places/FZ1")
    assert who.post("/settings/house", house).status_code == 412
    wrong = who.post("/settings/house", {"timezone": "Mars/Olympus"})
    assert wrong.status_code == 422 and 'data-fault="timezone"' in wrong.text


def test_places_stand_below_the_one_they_are_in_with_limit_and_capacity(kitchen: Kitchen) -> None:
    who = manager(kitchen)
    shelf = {"code": "SHELF", "name": HOSTILE, "kind": "freezer", "parent": "FZ1"}
    shelf |= {"capacity.value": "250", "capacity.unit": "kg"}
    assert who.sent("/settings/places", shelf) == "/settings/places"
    page = who.page("/settings/places")
    assert "<script>alert" not in page and "<img src=x" not in page
    below = page[page.index("/settings/places/SHELF") - 60 :]
    assert "depth-1" in below[:80] and "limit −18.0 °C" in below and "holds 250.0 kg" in below
    assert page.index("places/FZ1") < page.index("places/SHELF") < page.index("places/FZ2")
    assert who.post("/settings/places", shelf).status_code == 409
    who.sent("/settings/places/SHELF", {"name": "Shelf", "capacity.unit": "kg"})
    (changed,) = [p for p in kitchen.manager.shown("/places")["items"] if p["code"] == "SHELF"]
    assert changed["name"] == "Shelf" and changed["capacity"] is None
    assert who.get("/settings/places/NOWHERE").status_code == 404


def test_a_probe_is_hung_elsewhere_calibrated_declared_broken_and_given_a_sender(
    kitchen: Kitchen,
) -> None:
    kitchen.clock.forward(hours=2)
    who = manager(kitchen)
    assert who.sent("/settings/probes", {"code": "P9", "place": "FZ1", "kind": "air"}).endswith(
        "P9"
    )
    moved = {"place": "FZ2", "from": "2026-11-25T07:00", "reason": "Noted late"}
    who.sent("/settings/probes/P9/stays", moved)
    here = "/settings/probes/P9"
    hung = kitchen.manager.shown("/probes/P9")["stays"]
    assert [s["place"] for s in hung] == ["FZ1", "FZ2"] and "07:00" in hung[1]["from"]
    off = {"method": "ice_point", "measured.value": "0.9", "measured.unit": "C"}
    who.sent(f"{here}/calibrations", off | {"apply_offset": "true"})
    page = who.page(here)
    assert "It does not agree" in page and "+0.90 °C" in page and "-0.90 °C added since" in page
    who.sent(f"{here}/faults", {"reason": HOSTILE})
    page = who.page(here)
    assert "faulty" in page and "<script>alert" not in page
    fault = page.split("/faults/")[1].split("/end")[0]
    kitchen.clock.forward(minutes=5)
    who.sent(f"{here}/faults/{fault}/end")
    who.sent("/settings/people", {"name": "logger", "role": "device"})
    who.sent(f"{here}/senders", {"user": "logger"})
    assert "May not send any more" in who.page(here)
    assert who.post(f"{here}/senders", {"user": "manager"}).status_code == 409
    who.sent(f"{here}/senders/removal", {"user": "logger"})
    who.sent(f"{here}/stays", {"from": "2026-11-25T08:05"})
    assert kitchen.manager.shown("/probes/P9")["place"] is None
    wrong = who.post(f"{here}/calibrations", {"method": "comparison", "measured.value": "x"})
    assert wrong.status_code == 422


def test_suppliers_products_and_supplements_are_set_up_with_their_contents(
    kitchen: Kitchen,
) -> None:
    who = manager(kitchen)
    who.sent("/settings/suppliers", {"code": "sud", "name": HOSTILE})
    product = {"code": "SPR-1", "species": "SPR", "supplier": "SUD", "form": "block"}
    product |= {"part": "whole", "carton_mass.value": "12", "carton_mass.unit": "kg"}
    product |= {"block.length_mm": "500", "block.width_mm": "250", "block.thickness_mm": "100"}
    who.sent("/settings/products", product)
    page = who.page("/settings/fish")
    assert "SPR-1" in page and "12.0 kg" in page and "<img src=x" not in page
    assert who.post("/settings/products", product | {"gtin": "12345678"}).status_code == 422
    tablet = {"code": "B1", "name": "Thiamine 100", "form": "tablet", "divisible": "half"}
    tablet |= {"contents.0.nutrient": "THIA", "contents.0.amount": "100", "contents.0.unit": "mg"}
    who.sent("/settings/supplement-products", tablet)
    assert "100 mg thiamine" in who.page("/settings/supplement-products")
    nothing = {"code": "B2", "name": "Nothing", "form": "tablet"}
    assert who.post("/settings/supplement-products", nothing).status_code == 422


def test_a_figure_shows_what_it_means_where_it_comes_from_and_between_what_it_may_be(
    kitchen: Kitchen,
) -> None:
    page = manager(kitchen).page("/settings/figures/clock_freezer_out_h")
    for said in ("time since freezer out", "24 h", "9 CFR 3.105(d)", "more than 0, at most 24",
                 "read in the source named", "clock-from-freezer"):  # fmt: skip
        assert said in page, said
    assert "from memory" in manager(kitchen).page("/settings/figures/receive_core_reject")


def test_every_figure_can_be_looked_at_and_tried_at_its_default(small_kitchen: Kitchen) -> None:
    who = manager(small_kitchen)
    for figure in Policy.model_fields:
        value = getattr(default_policy(), figure)
        said = str(value).lower() if isinstance(value, bool) else str(value)
        page = who.page(f"/settings/figures/{figure}", params={"value": said})
        assert "No difference." in page or "can be worked out" in page, figure
        assert "Set it from now on" in page, figure


def test_what_a_younger_age_limit_does_is_shown_before_and_holds_after_it_is_set(
    kitchen: Kitchen,
) -> None:
    kitchen.a_lot(caught="2026-08-01")
    young = kitchen.a_lot(caught="2026-10-20")["code"]
    old = next(
        lot["code"] for lot in kitchen.manager.shown("/lots")["items"] if lot["code"] != young
    )
    who = manager(kitchen)
    figure = "/settings/figures/age_limit_fatty_months"
    page = who.page(figure, params={"value": "3"})
    assert ">0</span> now" in page and ">1</span> then" in page
    assert f"<li>{old}</li>" in page and young not in page
    assert policy_of(kitchen)["version"] == 0
    assert who.sent(figure, {"value": "3", "reason": "Our vet asks for it"}) == "/settings/figures"
    in_force = policy_of(kitchen)
    assert in_force["figures"]["age_limit_fatty_months"] == 3
    assert (in_force["reason"], in_force["by"]) == ("Our vet asks for it", "manager")
    assert "Our vet asks for it" in who.page("/settings/figures")
    pull = {"lot": old, "from_place": "FZ1", "mass": "10 kg", "to_place": "TANK1"}
    refused = kitchen.keeper.post("/pulls", pull)
    assert refused.json()["type"] == "/problems/past-age-limit"


def test_a_shorter_clock_names_the_thaw_batches_whose_discard_after_moves(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot()["code"]
    batch = kitchen.pulled(lot, "10 kg")["code"]
    page = manager(kitchen).page("/settings/figures/clock_freezer_out_h", params={"value": "12"})
    assert f"{batch}: Thu 26 Nov 06:00 → 18:00" in page
    untouched = manager(kitchen).page(
        "/settings/figures/clock_thawed_refrigerated_h", params={"value": "12"}
    )
    assert "No difference." in untouched


def test_a_colder_limit_names_the_places_that_would_be_too_warm(kitchen: Kitchen) -> None:
    start = kitchen.clock.at
    kitchen.clock.forward(minutes=5)
    kitchen.temperatures("FZ1-AIR", start, [-20.0])
    kitchen.temperatures("FZ2-AIR", start, [-26.0])
    page = manager(kitchen).page("/settings/figures/freezer_legal_max", params={"value": "-22"})
    assert ">0</span> now" in page and ">1</span> then" in page
    assert "<li>FZ1</li>" in page and "<li>FZ2</li>" not in page


def test_a_shorter_interval_names_the_probes_that_would_be_late(kitchen: Kitchen) -> None:
    held = {"method": "ice_point", "measured": "0.1 °C"}
    kitchen.manager.made("/probes/FZ1-AIR/calibrations", held)
    kitchen.clock.forward(days=40)
    page = manager(kitchen).page("/settings/figures/probe_calibration", params={"value": "30"})
    assert "<li>FZ1-AIR</li>" in page and ">3</span> now" in page and ">4</span> then" in page


def test_a_choice_is_tried_and_set_like_a_figure(kitchen: Kitchen) -> None:
    who = manager(kitchen)
    figure = "/settings/figures/life_used_blocks"
    assert "the estimate is wide" in who.page(figure)
    assert "No difference." in who.page(figure, params={"value": "true"})
    who.sent(figure, {"value": "true", "reason": "To be careful"})
    assert policy_of(kitchen)["figures"]["life_used_blocks"] is True
    who.sent("/settings/figures/use_order", {"value": "first_received", "reason": "As agreed"})
    figures = policy_of(kitchen)["figures"]
    assert (figures["use_order"], figures["life_used_blocks"]) == ("first_received", True)


@pytest.mark.parametrize(
    ("figure", "value"),
    [
        ("clock_freezer_out_h", "25"),
        ("clock_freezer_out_h", "nan"),
        ("clock_freezer_out_h", "1e999"),
        ("clock_freezer_out_h", "soon"),
        ("clock_freezer_out_h", ""),
        ("use_order", "youngest"),
        ("life_used_blocks", "maybe"),
        ("feed_day_to", "3"),
    ],
)
def test_a_figure_outside_its_bounds_is_refused_and_nothing_is_stored(
    kitchen: Kitchen, figure: str, value: str
) -> None:
    who = manager(kitchen)
    if value:
        assert who.get(f"/settings/figures/{figure}", params={"value": value}).status_code == 422
    refused = who.post(f"/settings/figures/{figure}", {"value": value, "reason": "For a test"})
    assert refused.status_code == 422 and "data-fault" in refused.text
    assert policy_of(kitchen)["version"] == 0


def test_a_figure_is_not_changed_without_a_reason(kitchen: Kitchen) -> None:
    refused = manager(kitchen).post("/settings/figures/clock_freezer_out_h", {"value": "12"})
    assert refused.status_code == 422 and 'data-fault="reason"' in refused.text
    assert policy_of(kitchen)["version"] == 0
    assert manager(kitchen).get("/settings/figures/no_such").status_code == 404


def test_somebody_is_told_by_email_until_it_is_withdrawn(kitchen: Kitchen) -> None:
    who = manager(kitchen)
    who.sent("/settings/told", {"name": HOSTILE, "address": "kitchen@example.org"})
    page = who.page("/settings/told")
    assert "kitchen@example.org" in page and "<script>alert" not in page
    number = page.split("/settings/told/")[1].split("/")[0]
    who.sent(f"/settings/told/{number}/test")
    who.sent(f"/settings/told/{number}/withdrawal", {"reason": "Moved on"})
    assert "Nobody is told" in who.page("/settings/told")
    assert who.post("/settings/told", {"name": "A", "address": "no address"}).status_code == 422


def test_a_long_list_is_shown_fifty_at_a_time(small_kitchen: Kitchen) -> None:
    boss = small_kitchen.manager
    for number in range(52):
        boss.made("/probes", {"code": f"X{number:03}", "place": "FZ1"})
    first = manager(small_kitchen).page("/settings/probes")
    second = manager(small_kitchen).page("/settings/probes?page=2")
    assert first.count('<li class="card">') == 50 and "?page=2" in first
    assert "/settings/probes/X051" in second and "/settings/probes/X000" not in second


def test_a_vet_sets_up_supplement_products_without_a_way_to_the_other_settings(
    small_kitchen: Kitchen,
) -> None:
    vet = visitor(small_kitchen, "vet")
    assert 'href="/settings"' not in vet.page("/settings/supplement-products")
    tablet = {"code": "B1", "name": "Thiamine", "form": "tablet"}
    tablet |= {"contents.0.nutrient": "THIA", "contents.0.amount": "100", "contents.0.unit": "mg"}
    assert vet.sent("/settings/supplement-products", tablet) == "/settings/supplement-products"


def test_a_character_that_no_text_can_have_is_refused_wherever_it_is_typed(
    kitchen: Kitchen,
) -> None:
    who = manager(kitchen)
    for path, name in (
        ("/settings/probes/FZ1-AIR/senders", "user"),
        ("/settings/people", "name"),
        ("/log-in", "name"),
    ):
        refused = who.post(path, {name: "a\0b", "password": "cold-fish-at-six"})
        assert refused.status_code == 422 and f'data-fault="{name}"' in refused.text, path
