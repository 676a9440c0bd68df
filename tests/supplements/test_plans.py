"""Supplement plans through the door: requirements, pieces, limits, signatures."""

from typing import Any

import pytest

from tests.kitchen import Kitchen


@pytest.fixture
def fed(kitchen: Kitchen) -> Kitchen:
    """Brine eats 3 kg herring and 2 kg capelin a day; thiamine and vitamin E tablets are in."""
    kitchen.nutritionist.made(
        "/animals/BRINE/diets",
        {
            "from": "2026-11-01",
            "items": [{"species": "HER", "mass": "3 kg"}, {"species": "CAP", "mass": "2 kg"}],
        },
    )
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")})
    tablet(kitchen, "E-400", {"VITE": (400, "IU")}, divisible="half")
    return kitchen


def tablet(
    kitchen: Kitchen, code: str, contents: dict[str, tuple[float, str]], **more: Any
) -> None:
    kitchen.nutritionist.made(
        "/supplement-products",
        {
            "code": code,
            "name": f"{code} tablet",
            "form": "tablet",
            "contents": [
                {"nutrient": n, "amount": amount, "unit": unit}
                for n, (amount, unit) in contents.items()
            ],
            **more,
        },
    )


def require(kitchen: Kitchen, nutrient: str, amount: float, unit: str, **more: Any) -> Any:
    body = {
        "nutrient": nutrient,
        "amount": amount,
        "unit": unit,
        "applies_to": {"group": "pinniped"},
        **more,
    }
    return kitchen.nutritionist.made("/requirements", body)


def planned(kitchen: Kitchen, **more: Any) -> Any:
    return kitchen.nutritionist.made(
        "/supplement-plans", {"animal": "BRINE", "day": "2026-11-25", **more}
    )


def lines(plan: Any) -> dict[str, Any]:
    return {line["nutrient"]: line for line in plan["lines"]}


def pieces(plan: Any) -> dict[str, float]:
    return {s["product"]: s["count"] for s in plan["supplements"]}


def test_the_catalogue_asks_for_thiamine_and_vitamin_e_until_the_site_says_otherwise(
    fed: Kitchen,
) -> None:
    """Thiamine 25 mg/kg (Geraci 1972), vitamin E 100 IU/kg (Engelhardt & Geraci 1978).

    By hand for 5 kg: 125 mg → 2 tablets of 100 mg; 500 IU → 1½ tablets of 400 IU = 600 IU.
    """
    plan = planned(fed)
    assert {n: line["add"] for n, line in lines(plan).items()} == {"THIA": 125, "VITE": 500}
    assert "Geraci 1972" in lines(plan)["THIA"]["source"]
    assert pieces(plan) == {"B1-100": 2, "E-400": 1.5}
    assert plan["unmet"] == [] and plan["status"] == "proposed"
    assert any("veterinarian" in caution for caution in plan["cautions"])

    require(fed, "THIA", 30, "mg")
    require(fed, "THIA", 10, "mg", applies_to={"animal": "BRINE"})
    assert lines(planned(fed))["THIA"]["required"] == 50, "the animal's own 10 mg/kg × 5 kg"
    listed = fed.keeper.shown("/requirements")["items"]
    assert [(r["applies_to"], r["amount"]) for r in listed] == [
        ("group pinniped", 30),
        ("animal BRINE", 10),
    ]


def test_a_cap_keeps_doubled_holiday_food_from_doubling_tablets(fed: Kitchen) -> None:
    require(fed, "THIA", 25, "mg", cap_per_day=100)
    assert pieces(planned(fed))["B1-100"] == 1


def test_a_requirement_per_kilogram_of_dry_matter_counts_the_fish_without_its_water(
    fed: Kitchen,
) -> None:
    """Herring 72.05 % water (USDA SR), capelin 80.0 % (group default): by hand
    3 kg × 0.2795 + 2 kg × 0.20 = 1.2385 kg dry; 100 mg/kg → 123.85 mg."""
    require(fed, "THIA", 100, "mg", basis="dry_matter")
    assert lines(planned(fed))["THIA"]["required"] == pytest.approx(123.85)


def test_a_requirement_per_body_mass_needs_a_weighed_animal(fed: Kitchen) -> None:
    require(fed, "THIA", 1, "mg", per="kg_body_mass")
    refused = fed.nutritionist.post("/supplement-plans", {"animal": "BRINE", "day": "2026-11-25"})
    assert (refused.status_code, refused.json()["type"]) == (409, "/problems/no-body-mass")
    fed.keeper.made("/animals/BRINE/weights", {"mass": "104 kg"})
    assert lines(planned(fed))["THIA"]["required"] == 104


def test_a_limit_on_what_is_added_is_never_crossed_and_the_need_it_leaves_is_told(
    fed: Kitchen,
) -> None:
    require(fed, "THIA", 25, "mg", limit=150, limit_on="added")
    plan = planned(fed)
    assert pieces(plan)["B1-100"] == 1, "two tablets would be 200 mg"
    assert plan["unmet"][0]["nutrient"] == "THIA"
    assert plan["unmet"][0]["short_by"] == 25


def test_a_total_limit_leaves_room_only_beside_what_the_fish_may_hold(fed: Kitchen) -> None:
    lot = fed.a_lot()
    fed.nutritionist.made(
        f"/lots/{lot['code']}/assays",
        {
            "sampled_on": "2026-11-24",
            "laboratory": "Harbour laboratory",
            "values": [{"nutrient": "VITA", "amount": 1000, "unit": "IU/kg"}],
        },
    )
    tablet(fed, "A-2500", {"VITA": (2500, "IU")})
    require(fed, "VITA", 2000, "IU", per="animal_day", limit=6111)
    line = lines(planned(fed))["VITA"]
    assert line["room"] < 6111 - 3000, "3 kg at 1000 IU/kg or more, at its upper bound"


def test_a_total_target_is_credited_with_the_low_bound_of_the_fish(fed: Kitchen) -> None:
    lot = fed.a_lot()
    fed.nutritionist.made(
        f"/lots/{lot['code']}/assays",
        {
            "sampled_on": "2026-11-24",
            "laboratory": "Harbour laboratory",
            "values": [{"nutrient": "RIBF", "amount": 2, "unit": "mg/kg"}],
        },
    )
    require(fed, "RIBF", 20, "mg", mode="total", per="animal_day")
    line = lines(planned(fed))["RIBF"]
    assert 0 < line["credit"] < 3 * 2 + 2 * 10, "the low bound, not the value"
    assert line["add"] == pytest.approx(20 - line["credit"], rel=1e-4)
    assert line["range"][0] < line["range"][1]


def test_thiamine_in_fish_is_never_credited_by_default(fed: Kitchen) -> None:
    lot = fed.a_lot()
    fed.nutritionist.made(
        f"/lots/{lot['code']}/assays",
        {
            "sampled_on": "2026-11-24",
            "laboratory": "Harbour laboratory",
            "values": [{"nutrient": "THIA", "amount": 5, "unit": "mg/kg"}],
        },
    )
    require(fed, "THIA", 25, "mg", mode="total")
    assert (lines(planned(fed))["THIA"]["credit"], lines(planned(fed))["THIA"]["add"]) == (0, 125)


def test_a_plan_from_feeds_counts_what_was_eaten(fed: Kitchen) -> None:
    """1.8 kg eaten × 25 mg/kg = 45 mg → one tablet."""
    batch = fed.pulled(fed.a_lot()["code"], "10 kg")
    fed.keeper.made(
        "/feeds",
        {
            "animal": "BRINE",
            "items": [{"thaw_batch": batch["code"], "offered": "2 kg", "eaten": "1.8 kg"}],
        },
    )
    plan = planned(fed, basis="feeds")
    assert (lines(plan)["THIA"]["required"], pieces(plan)["B1-100"]) == (45, 1)


def test_only_what_is_signed_may_be_given_and_a_fact_is_recorded_all_the_same(
    fed: Kitchen,
) -> None:
    plan = planned(fed)
    address = f"/supplement-plans/{plan['id']}"
    fed.vet.made(f"{address}/sign-off", {})
    assert fed.vet.post(f"{address}/sign-off", {}).json()["type"].endswith("already-signed")
    more = {"supplements": [{"product": "B1-100", "count": 3}]}
    assert fed.keeper.post(f"{address}/given", more).json()["type"].endswith("not-signed")
    fact = fed.keeper.made(f"{address}/given", more | {"already_done": True})
    assert [b["rule"] for b in fact["breaches"]] == ["not-signed"]
    told = fed.manager.shown("/deviations")["items"]
    assert (told[0]["rule"], told[0]["kind"]) == ("not-signed", "breach")
    twice = fed.keeper.post(
        f"{address}/given", {"supplements": [{"product": "B1-100", "count": 1}]}
    )
    assert twice.json()["type"].endswith("already-given")


def test_a_dose_over_the_limit_is_refused_by_name(fed: Kitchen) -> None:
    require(fed, "THIA", 25, "mg", limit=250, limit_on="added")
    plan = planned(fed)
    address = f"/supplement-plans/{plan['id']}"
    fed.nutritionist.made(f"{address}/sign-off", {})
    answer = fed.keeper.post(
        f"{address}/given", {"supplements": [{"product": "B1-100", "count": 3}]}
    )
    assert {f["rule"] for f in answer.json()["findings"]} == {"not-signed", "over-limit"}


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"unit": "stone"}, "unit"),
        ({"nutrient": "GOLD"}, "nutrient"),
        ({"applies_to": {}}, "applies_to"),
        ({"applies_to": {"group": "pinniped", "animal": "BRINE"}}, "applies_to"),
        ({"applies_to": {"animal": "NOBODY"}}, "applies_to.animal"),
        ({"amount": -1}, "amount"),
        ({"per": "animal_day", "basis": "dry_matter"}, "body"),
    ],
)
def test_a_requirement_that_makes_no_sense_is_refused_naming_the_field(
    small_kitchen: Kitchen, change: dict[str, Any], field: str
) -> None:
    body = {"nutrient": "THIA", "amount": 25, "unit": "mg", "applies_to": {"group": "pinniped"}}
    answer = small_kitchen.nutritionist.post("/requirements", body | change)
    assert answer.status_code in (404, 422)
    assert field in [error["field"] for error in answer.json()["errors"]]


def test_a_plan_without_a_diet_says_what_is_missing(small_kitchen: Kitchen) -> None:
    answer = small_kitchen.keeper.post(
        "/supplement-plans", {"animal": "BRINE", "day": "2026-11-25"}
    )
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/no-diet")


def test_two_requirements_of_equal_rank_are_refused_and_both_are_named(fed: Kitchen) -> None:
    first = require(fed, "THIA", 25, "mg")
    body = {
        "nutrient": "THIA",
        "amount": 33,
        "unit": "mg",
        "applies_to": {"group": "pinniped"},
    }
    refused = fed.nutritionist.post("/requirements", body)
    problem = refused.json()
    assert (refused.status_code, problem["type"]) == (409, "/problems/requirement-conflict")
    assert f"requirement {first['id']} and the new one of THIA" in problem["detail"]
    assert "25 and 33" in problem["detail"]
    assert lines(planned(fed))["THIA"]["required"] == 125, "nothing of it was stored"

    newer = fed.nutritionist.made("/requirements", body | {"replaces": first["id"]})
    assert newer["from"] == "2026-11-25"
    assert lines(planned(fed))["THIA"]["required"] == 165
    assert lines(planned(fed, day="2026-11-24"))["THIA"]["required"] == 125
    ended = fed.nutritionist.shown("/requirements")["items"][0]
    assert (ended["until"], ended["ended_reason"]) == ("2026-11-24", "replaced")


def test_a_requirement_holds_from_its_day_until_it_is_ended(fed: Kitchen) -> None:
    later = require(fed, "THIA", 40, "mg", **{"from": "2026-11-27", "until": "2026-11-28"})
    required = [
        lines(planned(fed, day=f"2026-11-{day}"))["THIA"]["required"] for day in (26, 27, 28, 29)
    ]
    assert required == [125, 200, 200, 125], "the catalogue's before and after"
    fed.nutritionist.made(
        f"/requirements/{later['id']}/end", {"until": "2026-11-27", "reason": "the vet said so"}
    )
    assert lines(planned(fed, day="2026-11-28"))["THIA"]["required"] == 125
    again = fed.nutritionist.post(f"/requirements/{later['id']}/end", {"reason": "once more"})
    assert again.status_code == 200, "it may end earlier still"
    refused = fed.nutritionist.post(
        f"/requirements/{later['id']}/end", {"until": "2026-12-24", "reason": "later"}
    )
    assert refused.json()["type"] == "/problems/already-ended"


def test_what_is_required_of_one_fish_counts_that_fish_only(fed: Kitchen) -> None:
    """3 kg herring × 33 + 2 kg capelin × 25 = 149 mg."""
    require(fed, "THIA", 33, "mg", species="HER")
    assert lines(planned(fed))["THIA"]["required"] == 149
    shown = fed.keeper.shown("/animals/BRINE/requirements")["items"]
    thiamine = [(r["species"], r["but_for"], r["scope"]) for r in shown if r["nutrient"] == "THIA"]
    assert thiamine == [(None, ["HER"], "catalogue"), ("HER", [], "group")]


def test_many_animals_and_days_are_planned_for_in_one_request(fed: Kitchen) -> None:
    """Food doubles on the 27th: 10 kg, 250 mg, three tablets of 100 mg."""
    fed.nutritionist.made(
        "/animals/BRINE/diets",
        {
            "from": "2026-11-27",
            "items": [{"species": "HER", "mass": "6 kg"}, {"species": "CAP", "mass": "4 kg"}],
        },
    )
    fed.manager.made(
        "/animals",
        {"code": "SILT", "name": "Silt", "taxon": "Phoca vitulina", "group": "pinniped"},
    )
    answer = fed.keeper.made("/supplement-plans/many", {"day": "2026-11-25", "until": "2026-11-28"})
    found = [(p["animal"], p["day"], p["until"], pieces(p)["B1-100"]) for p in answer["items"]]
    assert found == [
        ("BRINE", "2026-11-25", "2026-11-26", 2),
        ("BRINE", "2026-11-27", "2026-11-28", 3),
    ]
    assert {(e["animal"], e["kind"]) for e in answer["left_out"]} == {("SILT", "no-diet")}
    assert fed.keeper.shown(f"/supplement-plans/{answer['items'][0]['id']}")["until"]
    long = fed.keeper.post("/supplement-plans/many", {"day": "2026-11-25", "until": "2027-11-25"})
    assert [e["field"] for e in long.json()["errors"]] == ["until"]


def test_a_seal_in_fresh_water_is_thought_of_with_salt(fed: Kitchen) -> None:
    assert planned(fed)["suggestions"] == []
    fed.keeper.made("/animals/BRINE/water", {"water": "fresh"})
    (said,) = planned(fed)["suggestions"]
    assert said["nutrient"] == "NACL" and "vet" in said["words"]
    assert "NACL" not in lines(planned(fed))
    require(fed, "NACL", 3, "g")
    fed.nutritionist.made(
        "/supplement-products",
        {
            "code": "SALT",
            "name": "Salt",
            "form": "powder",
            "contents": [{"nutrient": "NACL", "amount": 1, "unit": "g"}],
        },
    )
    plan = planned(fed)
    (salt,) = [s for s in plan["supplements"] if s["product"] == "SALT"]
    assert (salt["count"], salt["counted_in"]) == (15, "g"), "3 g/kg × 5 kg"
    assert len(salt["givings"]) == len({g["feed"] for g in salt["givings"]}) >= 1
    assert plan["suggestions"] == []


def test_an_absurd_requirement_is_refused_naming_the_amount(small_kitchen: Kitchen) -> None:
    body = {"nutrient": "THIA", "amount": 25, "unit": "g", "applies_to": {"group": "pinniped"}}
    small_kitchen.nutritionist.made("/requirements", body)
    answer = small_kitchen.nutritionist.post("/requirements", body | {"amount": 250})
    assert answer.status_code == 422
    assert [error["field"] for error in answer.json()["errors"]] == ["amount"]


def test_what_a_multivitamin_brings_along_is_held_against_published_figures(fed: Kitchen) -> None:
    """By hand: 3 kg × 0.2795 + 2 kg × 0.20 = 1.2385 kg of dry matter; 3 000 IU/kg for dogs
    (AAFCO 2014, quoted) are 3 715.5 IU of vitamin D; a tablet brings 5 000 IU."""
    tablet(fed, "MULTI", {"RIBF": (50, "mg"), "VITD": (5000, "IU")})
    require(fed, "RIBF", 10, "mg")
    plan = planned(fed)
    assert pieces(plan)["MULTI"] == 1 and "VITD" not in lines(plan)
    (said,) = [f for f in plan["findings"] if f["rule"] == "above-published"]
    assert said["outcome"] == "warn" and "VITD" in said["because"]
    assert said["numbers"]["published"] == pytest.approx(3715.5)


def test_a_plan_of_a_range_ends_with_it_and_a_plan_of_a_day_may_stand(fed: Kitchen) -> None:
    def ends(**days: str) -> list[str | None]:
        answer = fed.keeper.made("/supplement-plans/many", days)
        return [plan["until"] for plan in answer["items"]]

    assert ends(day="2026-11-25") == [None]
    assert ends(day="2026-11-25", until="2026-11-25") == [None]
    assert ends(day="2026-11-25", until="2026-11-26") == ["2026-11-26"]
    require(fed, "THIA", 45, "mg", **{"from": "2026-11-27"})
    assert ends(day="2026-11-25", until="2026-11-27") == ["2026-11-26", "2026-11-27"]


def test_a_limit_beside_fish_of_which_nobody_knows_is_said_not_to_be_judged(fed: Kitchen) -> None:
    """Nobody has measured vitamin A of capelin here: in all it may be more than is shown."""
    require(fed, "VITA", 0, "IU", per="animal_day", limit=9000)
    plan = planned(fed)
    line = lines(plan)["VITA"]
    assert line["unknown_in"] == ["CAP"] and line["total"]["high"] is None
    (said,) = [f for f in plan["findings"] if f["rule"] == "limit-not-judged"]
    assert said["outcome"] == "warn" and "CAP" in said["because"]
