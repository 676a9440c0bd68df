"""Diets as they are set, proposed, decided and looked at again."""

from typing import Any

import pytest

from tests.diets.test_need import DAY, HERRING, a_diet, need, refusal, weighed
from tests.kitchen import Kitchen

BOTH = [{"species": "HER", "mass": "3 kg"}, {"species": "CAP", "mass": "2 kg"}]


def rules(diet: Any, outcome: str = "warn") -> list[str]:
    return [f["rule"] for f in diet["findings"] if f["outcome"] == outcome]


def proposed(kitchen: Kitchen, **more: Any) -> Any:
    body = {"from": "2026-11-01", "items": BOTH} | more
    return kitchen.keeper.made("/animals/BRINE/diet-proposals", body)


def test_a_keepers_proposal_waits_for_approval(kitchen: Kitchen) -> None:
    diet = proposed(kitchen, reason="thin after the summer")
    assert (diet["status"], diet["decided_by"]) == ("proposed", None)
    assert need(kitchen) == {}
    waiting = kitchen.nutritionist.shown("/diet-proposals")["items"]
    assert [d["id"] for d in waiting] == [diet["id"]]
    refused = kitchen.keeper.post(f"/diets/{diet['id']}/approval", {})
    assert refusal(refused) == (403, "not-allowed")
    approved = kitchen.nutritionist.made(f"/diets/{diet['id']}/approval", {})
    assert (approved["status"], approved["decided_as"]) == ("approved", "nutritionist")
    assert need(kitchen) == {"HER": 3000, "CAP": 2000}
    assert kitchen.nutritionist.shown("/diet-proposals")["items"] == []
    again = kitchen.vet.post(f"/diets/{diet['id']}/approval", {})
    assert refusal(again) == (409, "already-decided")


def test_a_diet_that_is_approved_late_changes_no_day_that_is_over(kitchen: Kitchen) -> None:
    diet = proposed(kitchen)
    assert kitchen.vet.made(f"/diets/{diet['id']}/approval", {})["from"] == "2026-11-25"
    assert need(kitchen, "2026-11-24") == {}


def test_a_proposal_is_refused_with_a_reason(kitchen: Kitchen) -> None:
    diet = proposed(kitchen)
    path = f"/diets/{diet['id']}/refusal"
    said = kitchen.vet.made(path, {"reason": "too fat already"})
    assert (said["status"], said["decision_reason"]) == ("refused", "too fat already")
    assert refusal(kitchen.vet.post(path, {"reason": "once more"})) == (409, "already-decided")
    assert need(kitchen) == {}


def test_what_a_manager_sets_counts_at_once_and_says_that_nobody_else_has_seen_it(
    kitchen: Kitchen,
) -> None:
    body = {"from": "2026-11-01", "items": BOTH}
    diet = kitchen.manager.made("/animals/BRINE/diets", body)
    assert need(kitchen) == {"HER": 3000, "CAP": 2000}
    assert "diet-approval" in rules(diet)
    seen = kitchen.vet.made(f"/diets/{diet['id']}/approval", {})
    assert (seen["decided_as"], seen["from"]) == ("vet", "2026-11-01")
    assert "diet-approval" not in rules(seen)


def test_the_history_of_diets_keeps_their_reasons(kitchen: Kitchen) -> None:
    for number in range(3):
        a_diet(kitchen, items=BOTH, reason=f"step {number}", **{"from": f"2026-11-0{number + 1}"})
    first = kitchen.keeper.shown("/animals/BRINE/diets", params={"limit": 2})
    assert [d["reason"] for d in first["items"]] == ["step 2", "step 1"]
    rest = kitchen.keeper.shown("/animals/BRINE/diets", params={"cursor": first["next"]})
    assert [d["reason"] for d in rest["items"]] == ["step 0"]
    assert rest["items"][0]["total"]["g"] == 5000


def test_an_unusual_diet_is_pointed_out_with_its_source_and_set_all_the_same(
    kitchen: Kitchen,
) -> None:
    weighed(kitchen, "100 kg")
    # Pounds taken for kilograms: 33 kg a day.
    diet = a_diet(kitchen, items=[{"species": "HER", "mass": "33 kg"}])
    unusual = next(f for f in diet["findings"] if f["rule"] == "usual-intake")
    assert unusual["outcome"] == "warn"
    assert unusual["source"]
    assert rules(diet) == ["one-fish-diet", "usual-intake"]
    usual = a_diet(kitchen, items=BOTH)
    assert rules(usual) == []
    assert rules(usual, "pass") == ["usual-intake"]


def test_a_diet_shows_what_its_energy_is(kitchen: Kitchen) -> None:
    # USDA herring 1580, Ridgway et al. capelin 912 kcal/kg.
    assert a_diet(kitchen, items=BOTH)["energy_kcal"] == 3 * 1580 + 2 * 912


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"items": [{"species": "HER"}]}, "items.0"),
        ({"items": [{"species": "HER", "mass": "1 kg", "energy_kcal": 5}]}, "items.0"),
        ({"items": [{"species": "HER", "share": 1}]}, ""),
        ({"total": {"mass": "5 kg"}}, ""),
        ({"total": {"mass": "5 kg"}, "items": [{"species": "HER", "share": 0.9}]}, ""),
        ({"items": [*HERRING, *HERRING]}, ""),
        ({"season": [1.0] * 11}, "season"),
        ({"season": [0.0] * 12}, ""),
        ({"feeds": [{"at": "8:00"}]}, "feeds.0.at"),
        ({"feeds": [{"at": "24:00"}]}, "feeds.0.at"),
        ({"feeds": [{"at": "08:00", "share": 0.5}, {"at": "09:00", "share": 0.4}]}, ""),
        ({"feeds": [{"at": "08:00"}, {"at": "08:00"}]}, ""),
        ({"from_feed": 2}, ""),
        ({"items": [{"species": "HER", "mass": "1 kg", "substitutes": ["HER"]}]}, "items.0"),
        (
            {"items": [{"species": "HER", "mass": "1 kg", "minimum": "2 kg", "maximum": "1 kg"}]},
            "items.0",
        ),
        ({"items": [{"species": "HER", "percent_of_body_mass": "NaN"}]}, "items.0"),
    ],
)
def test_a_diet_that_cannot_be_is_refused_and_nothing_is_stored(
    small_kitchen: Kitchen, wrong: dict[str, Any], field: str
) -> None:
    body = {"from": "2026-11-01", "items": HERRING} | wrong
    answer = small_kitchen.nutritionist.post("/animals/BRINE/diets", body)
    assert refusal(answer) == (422, "validation"), answer.text
    assert any(field in error["field"] for error in answer.json()["errors"])
    assert small_kitchen.keeper.shown("/animals/BRINE/diets")["items"] == []


def test_an_unknown_species_is_named_with_its_field(small_kitchen: Kitchen) -> None:
    items = [{"species": "HER", "mass": "1 kg", "substitutes": ["CAP", "QQQ"]}]
    answer = small_kitchen.nutritionist.post(
        "/animals/BRINE/diets", {"from": "2026-11-01", "items": items}
    )
    assert refusal(answer) == (404, "unknown-species")
    assert answer.json()["errors"][0]["field"] == "items.0.substitutes.1"
    assert refusal(small_kitchen.keeper.get("/diets/77")) == (404, "unknown-diet")


def test_no_diet_is_set_for_an_animal_that_is_gone(small_kitchen: Kitchen) -> None:
    small_kitchen.keeper.made("/animals/BRINE/departure", {"reason": "moved to another house"})
    body = {"from": DAY, "items": HERRING}
    answer = small_kitchen.nutritionist.post("/animals/BRINE/diets", body)
    assert refusal(answer) == (409, "already-gone")
