"""The whole diet of animals through the door."""

import csv
import io
from typing import Any

import pytest

from tests.kitchen import Kitchen
from tests.supplements.test_plans import require, tablet

DAY = "2026-11-25"


def diet(kitchen: Kitchen, **grams: int) -> None:
    kitchen.nutritionist.made(
        "/animals/BRINE/diets",
        {
            "from": "2026-11-01",
            "items": [{"species": s, "mass": f"{g} g"} for s, g in grams.items()],
        },
    )


def shown(kitchen: Kitchen, **more: str) -> Any:
    return kitchen.keeper.shown("/animals/BRINE/nutrition", params={"day": DAY} | more)


def by_tag(answer: Any) -> dict[str, Any]:
    return {row["nutrient"]: row for row in answer["items"]}


def mackerel(kitchen: Kitchen, *values: tuple[str, float, str]) -> None:
    """A lot of mackerel that a laboratory has measured today."""
    kitchen.manager.made(
        "/products",
        {
            "code": "MAC-IQF-10",
            "species": "MAC",
            "supplier": "NORD",
            "form": "iqf",
            "carton_mass": "10 kg",
        },
    )
    lot = kitchen.a_lot(product="MAC-IQF-10")["code"]
    kitchen.nutritionist.made(
        f"/lots/{lot}/assays",
        {
            "sampled_on": DAY,
            "laboratory": "Harbour laboratory",
            "values": [{"nutrient": n, "amount": a, "unit": u} for n, a, u in values],
        },
    )


def test_all_nutrients_are_there_and_what_nobody_knows_is_null(kitchen: Kitchen) -> None:
    diet(kitchen, HER=3000, CAP=2000)
    answer = shown(kitchen)
    rows = by_tag(answer)
    assert {"WATER", "ENERC", "VITE", "CA", "I", "ZN"} <= set(rows)
    iodine, calcium = rows["I"], rows["CA"]
    assert (iodine["fish"], iodine["total"], iodine["as_fed"]) == (None, None, None)
    assert iodine["missing_in"] == ["CAP", "HER"]
    assert calcium["missing_in"] == ["CAP"] and calcium["at_least"]
    assert calcium["total"]["value"] == pytest.approx(3 * 570), "57 mg/100 g (USDA SR), 3 kg"
    assert calcium["total"]["high"] is None
    assert [f["species"] for f in answer["food"]] == ["CAP", "HER"]
    assert any("veterinarian" in caution for caution in answer["cautions"])
    assert any("unknown, not zero" in caution for caution in answer["cautions"])


def test_dry_matter_and_energy_are_worked_out_of_what_is_eaten(kitchen: Kitchen) -> None:
    """By hand: 3 kg × 0.2795 + 2 kg × 0.20 = 1.2385 kg dry (herring USDA SR, capelin group);
    3 × 1580 + 2 × 912 = 6564 kcal (USDA SR printed; Ridgway et al.)."""
    diet(kitchen, HER=3000, CAP=2000)
    answer = shown(kitchen)
    energy = by_tag(answer)["ENERC"]
    assert answer["dry_matter"]["g"] in (1238, 1239)
    assert energy["total"]["value"] == pytest.approx(6564)
    assert energy["as_fed"]["value"] == pytest.approx(6564 / 5)
    assert energy["dry_matter"]["value"] == pytest.approx(6564 / 1.2385, rel=1e-3)
    assert energy["per_kg_body_mass"] is None, "never weighed"
    kitchen.keeper.made("/animals/BRINE/weights", {"mass": "100 kg"})
    assert by_tag(shown(kitchen))["ENERC"]["per_kg_body_mass"]["value"] == pytest.approx(65.64)


def test_energy_of_an_assayed_fish_is_of_its_own_protein_and_fat(small_kitchen: Kitchen) -> None:
    """trade.md T04: 4.27 × 17.96 + 9.02 × 9.04 = 158.2 kcal/100 g (USDA SR)."""
    diet(small_kitchen, MAC=1000)
    mackerel(small_kitchen, ("PROCNT", 17.96, "g/100g"), ("FAT", 9.04, "g/100g"))
    answer = shown(small_kitchen)
    assert answer["food"][0]["energy_kcal_per_kg"] == pytest.approx(1582.3, abs=0.1)
    assert "4.27" in answer["food"][0]["energy_from"]


def test_vitamins_of_mackerel_are_the_units_of_the_table(small_kitchen: Kitchen) -> None:
    """trade.md T49: 50 µg/100 g A = 1 667 IU/kg; 16.1 µg/100 g D = 6 440 IU/kg (USDA SR). T50:
    3.67 kg reach 6 111 IU. A day of storage may take 0.1 % of it."""
    diet(small_kitchen, MAC=3667)
    mackerel(small_kitchen, ("VITA", 50, "ug/100g"), ("VITD", 16.1, "ug/100g"))
    rows = by_tag(shown(small_kitchen))
    assert rows["VITA"]["as_fed"]["value"] == pytest.approx(1667, rel=2e-3)
    assert rows["VITD"]["as_fed"]["value"] == pytest.approx(6440, rel=2e-3)
    assert rows["VITA"]["fish"]["value"] == pytest.approx(6111, rel=2e-3)


def test_a_fur_seals_limit_of_vitamin_a_is_held_against_the_high_bound(
    small_kitchen: Kitchen,
) -> None:
    """Mazzaro et al. 1995: at most 6 111 IU a day for the northern fur seal."""
    small_kitchen.manager.made(
        "/animals",
        {
            "code": "FUR",
            "name": "Fur",
            "taxon": "Callorhinus ursinus",
            "group": "pinniped",
            "sex": "female",
        },
    )
    small_kitchen.nutritionist.made(
        "/animals/FUR/diets",
        {"from": "2026-11-01", "items": [{"species": "MAC", "mass": "3.667 kg"}]},
    )
    mackerel(small_kitchen, ("VITA", 50, "ug/100g"))
    row = by_tag(small_kitchen.keeper.shown("/animals/FUR/nutrition", params={"day": DAY}))["VITA"]
    assert row["limit"] == 6111
    assert row["percent_of_limit"] == pytest.approx(100 * row["fish"]["high"] / 6111, rel=1e-3)
    assert row["percent_of_limit"] > 100, "its value is at the limit, its high bound beyond"


def test_a_tablet_in_a_penguins_fish_is_811_units_to_the_kilogram(small_kitchen: Kitchen) -> None:
    """trade.md T51: 185 mg α-tocopherol in 340 g of fish: 544 mg/kg, 811 IU/kg at 1.49 (Gulland
    1988). T52: 2.04 mg retinol are 6 800 IU. Of capelin neither is known, so that it is at least
    this."""
    diet(small_kitchen, CAP=340)
    tablet(small_kitchen, "SEABIRD", {"VITE": (185, "mg"), "VITA": (2.04, "mg")})
    require(small_kitchen, "VITE", 1, "IU", per="animal_day")
    rows = by_tag(shown(small_kitchen))
    assert rows["VITE"]["as_fed"]["value"] == pytest.approx(811, abs=1)
    assert rows["VITE"]["at_least"] and rows["VITE"]["fish"] is None
    assert rows["VITA"]["supplements"] == pytest.approx(6800, abs=1)


def test_a_requirement_is_held_against_what_counts_and_against_the_estimate(
    kitchen: Kitchen,
) -> None:
    """By hand: 5 kg × 100 IU/kg = 500 IU required in all; fish is not credited (policy), so
    that 1½ tablets of 400 IU are 600 IU = 120 %."""
    diet(kitchen, HER=5000)
    tablet(kitchen, "E-400", {"VITE": (400, "IU")}, divisible="half")
    require(kitchen, "VITE", 100, "IU", mode="total")
    row = by_tag(shown(kitchen))["VITE"]
    assert (row["required"], row["required_as"], row["percent_counted"]) == (500, "total", 120)
    assert row["percent_estimated"] == pytest.approx(row["total"]["value"] / 5, rel=1e-3)
    assert row["percent_estimated"] > 120, "the fish holds some"
    assert row["published"] is not None and "NRC" in row["published_source"]


def test_supplements_are_those_of_the_order_in_force_and_before_it_those_proposed(
    kitchen: Kitchen,
) -> None:
    diet(kitchen, HER=5000)
    tablet(kitchen, "B1-100", {"THIA": (100, "mg")})
    before = shown(kitchen)
    assert before["supplements_from"].startswith("proposed now")
    assert by_tag(before)["THIA"]["supplements"] == 200
    plan = kitchen.nutritionist.made("/supplement-plans", {"animal": "BRINE", "day": DAY})
    kitchen.vet.made(f"/supplement-plans/{plan['id']}/sign-off", {})
    require(kitchen, "THIA", 50, "mg")
    after = shown(kitchen)
    assert after["supplements_from"] == f"plan {plan['id']}, signed by vet"
    assert by_tag(after)["THIA"]["supplements"] == 200, "as signed, not as it would be now"
    assert by_tag(after)["THIA"]["percent_counted"] == 80


def test_the_day_of_a_site_is_a_table_with_a_row_for_each_nutrient_of_each_animal(
    kitchen: Kitchen,
) -> None:
    diet(kitchen, HER=5000)
    for code in ("TIDE", "WAVE"):
        kitchen.manager.made(
            "/animals",
            {
                "code": code,
                "name": code,
                "taxon": "Phoca vitulina",
                "group": "pinniped",
                "sex": "male",
            },
        )
    kitchen.nutritionist.made(
        "/animals/TIDE/diets", {"from": "2026-11-01", "items": [{"species": "CAP", "mass": "2 kg"}]}
    )
    whole = kitchen.keeper.shown("/nutrition", params={"day": DAY})
    assert {row["animal"] for row in whole["items"]} == {"BRINE", "TIDE"}
    assert [one["animal"] for one in whole["left_out"]] == ["WAVE"]
    table = kitchen.keeper.get(
        "/nutrition", params={"day": DAY}, headers={"Accept": "text/csv"}
    ).text
    read = list(csv.DictReader(io.StringIO(table)))
    assert len(read) == len(whole["items"])
    iodine = next(row for row in read if row["nutrient"] == "I")
    assert iodine["total"] == "", "missing is empty, not 0"
    one = kitchen.keeper.get(
        "/animals/BRINE/nutrition", params={"day": DAY}, headers={"Accept": "text/csv"}
    ).text
    assert len(list(csv.DictReader(io.StringIO(one)))) == len(read) / 2


def test_by_feeds_it_is_of_what_was_eaten(kitchen: Kitchen) -> None:
    diet(kitchen, HER=5000)
    batch = kitchen.pulled(kitchen.a_lot()["code"], "10 kg")
    eaten = {"thaw_batch": batch["code"], "offered": "2 kg", "eaten": "1.8 kg"}
    kitchen.keeper.made("/feeds", {"animal": "BRINE", "items": [eaten]})
    assert shown(kitchen, basis="feeds")["mass"]["g"] == 1800


def test_tables_that_do_not_close_are_told(small_kitchen: Kitchen) -> None:
    """trade.md T66 (USDA SR): herring adds up to 100.51 g, Pacific herring to 104.16."""
    diet(small_kitchen, HER=1000, HEP=1000)
    food = {f["species"]: f for f in shown(small_kitchen)["food"]}
    assert (food["HER"]["proximates"], food["HER"]["closes"]) == (100.51, True)
    assert (food["HEP"]["proximates"], food["HEP"]["closes"]) == (104.16, False)


@pytest.mark.parametrize(
    ("path", "status", "field"),
    [
        ("/animals/NOBODY/nutrition", 404, "animal"),
        ("/animals/BRINE/nutrition?day=yesterday", 422, "day"),
        ("/animals/BRINE/nutrition?basis=wish", 422, "basis"),
        ("/nutrition?group=NONE", 404, "group"),
        ("/nutrition?site=NONE", 404, "site"),
    ],
)
def test_what_is_not_there_is_named(
    small_kitchen: Kitchen, path: str, status: int, field: str
) -> None:
    answer = small_kitchen.keeper.get(path)
    assert answer.status_code == status
    assert field in [error["field"] for error in answer.json()["errors"]]


def test_without_a_diet_it_is_told(small_kitchen: Kitchen) -> None:
    answer = small_kitchen.keeper.get("/animals/BRINE/nutrition")
    assert (answer.status_code, answer.json()["type"]) == (409, "/problems/no-diet")


def test_a_result_in_dry_matter_is_shown_as_fed_and_dry(small_kitchen: Kitchen) -> None:
    """trade.md T65: 0.1 mg/kg at 12 % moisture is 0.0318 mg/kg in fish of 72.05 % water (USDA SR
    herring); said there of mercury, here of selenium: the arithmetic is of any."""
    diet(small_kitchen, HER=1000)
    lot = small_kitchen.a_lot()["code"]
    value = {"nutrient": "SE", "amount": 0.1 / 0.88, "unit": "mg/kg", "basis": "dry_matter"}
    small_kitchen.nutritionist.made(
        f"/lots/{lot}/assays",
        {"sampled_on": DAY, "laboratory": "Harbour laboratory", "values": [value]},
    )
    row = by_tag(shown(small_kitchen))["SE"]
    assert row["unit"] == "ug"
    assert row["as_fed"]["value"] == pytest.approx(31.8, abs=0.1)
    assert row["dry_matter"]["value"] == pytest.approx(113.6, abs=0.1)
