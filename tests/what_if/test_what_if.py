"""What if: a changed day beside the day as it stands, asked through the door."""

from typing import Any

import pytest

from tests.kitchen import Kitchen
from tests.supplements.test_plans import lines, require, tablet

DAY = "2026-11-25"


@pytest.fixture
def fed(kitchen: Kitchen) -> Kitchen:
    """Brine eats 5 kg of herring a day; thiamine and vitamin E tablets are in the cupboard."""
    return set_up(kitchen)


@pytest.fixture
def small(small_kitchen: Kitchen) -> Kitchen:
    """The same, for what does not depend on the database."""
    return set_up(small_kitchen)


def set_up(kitchen: Kitchen) -> Kitchen:
    kitchen.nutritionist.made(
        "/animals/BRINE/diets",
        {"from": "2026-11-01", "items": [{"species": "HER", "mass": "5 kg"}]},
    )
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")}, price=0.20, currency="EUR")
    tablet(kitchen, "E-400", {"VITE": (400, "IU")}, divisible="half", price=0.30, currency="EUR")
    return kitchen


def asked(kitchen: Kitchen, **otherwise: Any) -> Any:
    return kitchen.keeper.made("/what-if", {"animal": "BRINE", "day": DAY} | otherwise)


def compared(kitchen: Kitchen, **otherwise: Any) -> Any:
    (only,) = asked(kitchen, **otherwise)["items"]
    return only


def pieces(day: Any) -> dict[str, float]:
    return {s["product"]: s["count"] for s in day["supplements"]}


def fish(day: Any) -> dict[str, int]:
    return {f["species"]: f["mass"]["g"] for f in day["food"]}


def assayed(kitchen: Kitchen, nutrient: str, amount: float, unit: str, **more: Any) -> str:
    """A lot of herring of which a laboratory has just measured one nutrient."""
    lot: str = kitchen.a_lot()["code"]
    value = {"nutrient": nutrient, "amount": amount, "unit": unit, **more}
    kitchen.nutritionist.made(
        f"/lots/{lot}/assays",
        {"sampled_on": "2026-11-24", "laboratory": "Harbour laboratory", "values": [value]},
    )
    return lot


def test_half_the_food_halves_what_is_added_and_the_cost_is_told_for_a_day_and_for_thirty(
    fed: Kitchen,
) -> None:
    """By hand: 5 kg × 25 mg/kg (Geraci 1972) = 125 mg → 2 tablets; 5 kg × 100 IU/kg = 500 IU →
    1½ tablets of 400; 2 × 0.20 + 1.5 × 0.30 = 0.85 a day, 25.50 in 30 days. Of 2 kg: 50 mg → 1
    tablet; 200 IU → ½ tablet; 0.20 + 0.15 = 0.35 a day, 10.50 in 30 days."""
    whole = asked(fed, fish=[{"species": "HER", "mass": "2 kg"}])
    (item,) = whole["items"]
    assert pieces(item["now"]) == {"B1-100": 2, "E-400": 1.5}
    assert pieces(item["then"]) == {"B1-100": 1, "E-400": 0.5}
    assert (item["now"]["cost_per_day"], item["now"]["cost_per_30_days"]) == (0.85, 25.5)
    assert (item["then"]["cost_per_day"], item["then"]["cost_per_30_days"]) == (0.35, 10.5)
    assert (whole["cost_per_day_now"], whole["cost_per_30_days_then"]) == (0.85, 10.5)
    difference = item["difference"]
    assert difference["cost_per_30_days"] == -15
    assert difference["words"] == [
        "Atlantic herring: 5 kg → 2 kg",
        "B1-100: 2 → 1",
        "E-400: 1.5 → 0.5",
        "thiamine to add: 125 → 50 mg a day",
        "vitamin E to add: 500 → 200 IU a day",
        "cost a day 0.85 → 0.35, in 30 days 25.5 → 10.5",
    ]
    assert any("veterinarian" in caution for caution in whole["cautions"])


def test_nothing_is_stored(fed: Kitchen) -> None:
    fed.keeper.shown("/requirements")
    before = fed.manager.shown("/audit")["items"]
    asked(fed, requirements=[requirement(amount=99)], body_mass="90 kg")
    assert fed.manager.shown("/audit")["items"] == before
    assert fed.keeper.shown("/requirements")["items"] == []


def test_the_day_as_it_stands_is_what_a_plan_would_say(fed: Kitchen) -> None:
    plan = fed.nutritionist.made("/supplement-plans", {"animal": "BRINE", "day": DAY})
    item = compared(fed, fish=[{"species": "HER", "share": 1}])
    for day in (item["now"], item["then"]):
        assert (day["lines"], day["supplements"]) == (plan["lines"], plan["supplements"])
    assert item["difference"]["words"] == [], "all of it herring, as it is"


def test_shares_are_of_the_mass_that_is_fed_and_need_not_add_up(fed: Kitchen) -> None:
    mix = [{"species": "HER", "share": 3}, {"species": "CAP", "share": 1}]
    assert fish(compared(fed, fish=mix)["then"]) == {"HER": 3750, "CAP": 1250}


def test_a_swap_keeps_the_energy(fed: Kitchen) -> None:
    """5 kg of herring by capelin: 8.67 kg at 1 582 and 912 kcal/kg (energies: USDA SR; Ridgway
    et al.). The table of herring prints 158 kcal/100 g: 8.66 kg."""
    item = compared(fed, swaps=[{"species": "HER", "by": "CAP"}])
    assert fish(item["then"])["CAP"] == pytest.approx(8670, abs=10)
    assert "HER" not in fish(item["then"])


def test_a_policy_that_credits_vitamin_e_can_be_seen_before_it_is_set(fed: Kitchen) -> None:
    """Fresh herring 1.07 mg/100 g (USDA SR) × 14.9 = 15.9 IU/kg; for a total of 100 IU/kg 84.1
    is to be added. By hand for 5 kg: 500 - 79.7 = 420.3 IU. The assay's own spread is made next to
    nothing; a day of storage takes at most 2.48 % of the 15.9 (Arslan et al. 1997, the fastest of
    ten): 2 IU."""
    assayed(fed, "VITE", 1.07 * 14.9, "IU/kg", cv_percent=0.1, replicates=9)
    require(fed, "VITE", 100, "IU", mode="total")
    item = compared(fed, credit_thiamine_and_vitamin_e=True)
    assert lines(item["now"])["VITE"]["add"] == 500, "no credit: evidence is weak"
    assert 420.3 <= lines(item["then"])["VITE"]["add"] <= 420.3 + 2.5


def test_thiamine_of_fish_that_carries_thiaminase_is_not_credited_by_any_policy(
    small: Kitchen,
) -> None:
    assayed(small, "THIA", 5, "mg/kg")
    require(small, "THIA", 25, "mg", mode="total")
    item = compared(small, credit_thiamine_and_vitamin_e=True)
    assert lines(item["then"])["THIA"]["credit"] == 0


def test_a_warmer_store_leaves_less_and_what_is_left_is_that_of_the_chart(fed: Kitchen) -> None:
    lot = assayed(fed, "VITE", 20, "IU/kg")
    require(fed, "VITE", 100, "IU", mode="total")
    order = {"storage": {"temperature": "-12 °C", "days": 60}}
    whole = asked(fed, credit_thiamine_and_vitamin_e=True, **order)
    (link,) = (s for s in whole["series"] if s["nutrient"] == "VITE")
    assert link["lot"] == lot
    last = fed.keeper.shown(link["path"].removeprefix("/v1"))["items"][-1]
    (item,) = whole["items"]
    in_fish = lines(item["then"])["VITE"]["in_fish"]
    assert in_fish["value"] == pytest.approx(5 * last["amount"], rel=1e-3)
    assert in_fish["low"] == pytest.approx(5 * last["low"], rel=1e-3)
    assert in_fish["high"] == pytest.approx(5 * last["high"], rel=1e-3)

    colder = compared(
        fed,
        credit_thiamine_and_vitamin_e=True,
        storage={"temperature": "-25 °C", "days": 60},
    )
    assert lines(colder["then"])["VITE"]["add"] < lines(item["then"])["VITE"]["add"]


def test_a_lot_can_be_used_before_its_turn(fed: Kitchen) -> None:
    first = assayed(fed, "VITA", 100, "IU/kg")
    other = fed.a_lot(caught="2026-09-01")["code"]
    require(fed, "VITA", 2000, "IU", mode="total", per="animal_day")
    item = compared(fed, lots=[other])
    assert [f["lot"] for f in item["now"]["food"]] == [first]
    assert [f["lot"] for f in item["then"]["food"]] == [other]
    assert lines(item["now"])["VITA"]["in_fish"] != lines(item["then"])["VITA"]["in_fish"]
    assert f"of lot {other}" in item["difference"]["words"][0]


def test_another_strength_price_or_product_changes_the_pieces(fed: Kitchen) -> None:
    """By hand: 125 mg by 50 mg tablets → 3; a powder of 100 IU/g gives 500 IU with 5 g."""
    weaker = {"product": "B1-100", "contents": [contents("THIA", 50, "mg")], "price": 0.1}
    powder = {
        "code": "E-POWDER",
        "name": "Vitamin E powder",
        "form": "powder",
        "contents": [contents("VITE", 100, "IU")],
        "price": 0.01,
        "currency": "EUR",
    }
    cupboard = {"only": ["B1-100", "E-POWDER"], "changed": [weaker], "added": [powder]}
    then = compared(fed, products=cupboard)["then"]
    assert pieces(then) == {"B1-100": 3, "E-POWDER": 5}
    assert then["cost_per_day"] == pytest.approx(3 * 0.1 + 5 * 0.01)


def test_without_a_product_the_need_it_met_would_be_short(small: Kitchen) -> None:
    item = compared(small, products={"only": ["E-400"]})
    assert item["then"]["unmet"][0]["nutrient"] == "THIA"
    assert any("thiamine would be short by 125 mg" in w for w in item["difference"]["words"])


def contents(nutrient: str, amount: float, unit: str) -> dict[str, Any]:
    return {"nutrient": nutrient, "amount": amount, "unit": unit}


def requirement(**more: Any) -> dict[str, Any]:
    plain = {"nutrient": "THIA", "amount": 30, "unit": "mg", "applies_to": {"group": "pinniped"}}
    return plain | more


def test_a_requirement_can_be_seen_before_it_is_set_and_a_limit_too(fed: Kitchen) -> None:
    item = compared(fed, requirements=[requirement(limit=100, limit_on="added")])
    assert lines(item["then"])["THIA"]["add"] == 150
    assert item["then"]["unmet"][0]["short_by"] == 50, "one tablet is all that the limit allows"
    assert "limit of thiamine: none → 100 mg" in item["difference"]["words"]
    assert item["then"]["changes"], "what would make it possible"


def test_what_a_requirement_replaces_is_gone_and_of_two_both_are_named(small: Kitchen) -> None:
    old = require(small, "THIA", 20, "mg")["id"]
    refused = small.keeper.made(
        "/what-if", {"animal": "BRINE", "day": DAY, "requirements": [requirement()]}
    )
    assert refused["items"] == []
    assert refused["left_out"][0]["kind"] == "requirement-conflict"
    replaced = compared(small, requirements=[requirement(replaces=old)])
    assert lines(replaced["then"])["THIA"]["add"] == 150
    without = compared(small, without_requirements=[old])
    assert lines(without["then"])["THIA"]["add"] == 125, "the catalogue's 25 mg/kg again"


def test_another_body_mass_changes_what_is_per_kilogram_of_it(small: Kitchen) -> None:
    small.keeper.made("/animals/BRINE/weights", {"mass": "100 kg"})
    require(small, "THIA", 1, "mg", per="kg_body_mass")
    item = compared(small, body_mass="150 kg")
    assert (lines(item["now"])["THIA"]["add"], lines(item["then"])["THIA"]["add"]) == (100, 150)


def test_all_animals_of_a_site_are_compared_and_who_has_no_diet_is_told(fed: Kitchen) -> None:
    fed.manager.made(
        "/animals",
        {
            "code": "NEWCOMER",
            "name": "Newcomer",
            "taxon": "Zalophus californianus",
            "group": "pinniped",
            "sex": "male",
        },
    )
    whole = fed.keeper.made("/what-if", {"day": DAY, "swaps": [{"species": "HER", "by": "CAP"}]})
    assert [item["animal"] for item in whole["items"]] == ["BRINE"]
    assert [(one["animal"], one["kind"]) for one in whole["left_out"]] == [("NEWCOMER", "no-diet")]


def test_by_feeds_a_product_may_be_another_but_not_what_was_eaten(fed: Kitchen) -> None:
    batch = fed.pulled(fed.a_lot()["code"], "10 kg")
    eaten = {"thaw_batch": batch["code"], "offered": "2 kg", "eaten": "1.8 kg"}
    fed.keeper.made("/feeds", {"animal": "BRINE", "items": [eaten]})
    item = compared(fed, basis="feeds", products={"only": ["B1-100"]})
    assert lines(item["then"])["THIA"]["add"] == 45, "1.8 kg × 25 mg/kg"
    body = {"animal": "BRINE", "day": DAY, "basis": "feeds"}
    refused = fed.keeper.post("/what-if", body | {"swaps": [{"species": "HER", "by": "CAP"}]})
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (422, "swaps")


@pytest.mark.parametrize(
    ("otherwise", "status", "field"),
    [
        ({}, 422, "body"),
        ({"fish": []}, 422, "fish"),
        ({"fish": [{"species": "HER", "mass": "0 kg"}]}, 422, "fish"),
        ({"fish": [{"species": "HER", "share": 0}]}, 422, "fish"),
        ({"fish": [{"species": "HER", "mass": "-1 kg"}]}, 422, "fish.0.mass"),
        ({"fish": [{"species": "HER", "mass": "1001 kg"}]}, 422, "fish.0.mass"),
        ({"fish": [{"species": "HER", "share": -1}]}, 422, "fish.0.share"),
        ({"fish": [{"species": "XYZ", "mass": "1 kg"}]}, 404, "fish.0.species"),
        ({"fish": [{"species": "HER"}]}, 422, "fish.0"),
        ({"fish": [{"species": "HER", "share": 1}, {"species": "HER", "share": 2}]}, 422, "body"),
        (
            {"fish": [{"species": "HER", "share": 1}, {"species": "CAP", "mass": "1 kg"}]},
            422,
            "body",
        ),
        ({"swaps": [{"species": "CAP", "by": "HER"}]}, 422, "swaps.0.species"),
        ({"swaps": [{"species": "HER", "by": "XYZ"}]}, 404, "swaps.0.by"),
        ({"lots": ["NOTHING"]}, 404, "lots.0"),
        ({"storage": {"temperature": "4 °C", "days": 3}}, 422, "storage.temperature"),
        ({"storage": {"temperature": "-20 °C", "days": -1}}, 422, "storage.days"),
        ({"products": {"only": ["NOTHING"]}}, 404, "products.only.0"),
        ({"products": {"changed": [{"product": "NOTHING"}]}}, 404, "products.changed.0.product"),
        (
            {
                "products": {
                    "changed": [{"product": "B1-100", "contents": [contents("THIA", 5, "IU")]}]
                }
            },
            422,
            "products.changed.0.contents.0.unit",
        ),
        ({"requirements": [requirement(unit="stone")]}, 422, "requirements.0.unit"),
        (
            {"requirements": [requirement(applies_to={"animal": "NOBODY"})]},
            404,
            "requirements.0.applies_to.animal",
        ),
        ({"requirements": [requirement(**{"from": "2027-01-01"})]}, 422, "requirements.0.from"),
        ({"without_requirements": [77]}, 404, "without_requirements.0"),
        ({"body_mass": "0 kg"}, 422, "body_mass"),
        ({"animal": "NOBODY", "body_mass": "9 kg"}, 404, "animal"),
        ({"group": "COLONY", "body_mass": "9 kg"}, 422, "body"),
    ],
)
def test_what_makes_no_sense_is_refused_naming_the_field(
    small: Kitchen, otherwise: dict[str, Any], status: int, field: str
) -> None:
    answer = small.keeper.post("/what-if", {"animal": "BRINE", "day": DAY} | otherwise)
    assert answer.status_code == status, answer.text
    assert field in [error["field"] for error in answer.json()["errors"]], answer.text


def test_a_lot_of_a_fish_that_is_not_in_the_food_is_refused_by_name(small: Kitchen) -> None:
    capelin = small.a_lot("CAP")["code"]
    answer = small.keeper.post("/what-if", {"animal": "BRINE", "day": DAY, "lots": [capelin]})
    assert answer.status_code == 422
    (error,) = answer.json()["errors"]
    assert error["field"] == "lots.0" and "CAP, which is not in this food" in error["message"]
