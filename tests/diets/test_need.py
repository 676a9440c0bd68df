"""The need of a day: who gets what at which feed."""

from collections import Counter
from datetime import date
from typing import Any

import httpx
import pytest

from service.animals.models import Animal
from service.diets.queries.need import need_grams, portions, shares_of
from service.site.queries import view
from tests.animals.test_groups import a_group, an_animal, joins
from tests.kitchen import Kitchen

DAY = "2026-11-26"
HERRING = [{"species": "HER", "mass": "3 kg"}]


def refusal(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["type"].removeprefix("/problems/")


def a_diet(kitchen: Kitchen, of: str = "animals/BRINE", items: Any = None, **more: Any) -> Any:
    body = {"from": "2026-11-01", "items": items or HERRING} | more
    return kitchen.nutritionist.made(f"/{of}/diets", body)


def weighed(kitchen: Kitchen, mass: str, animal: str = "BRINE", on: str = "2026-11-20") -> None:
    body = {"mass": mass, "occurred_at": f"{on}T08:00:00Z"}
    kitchen.keeper.made(f"/animals/{animal}/weights", body)


def need(kitchen: Kitchen, day: str = DAY) -> dict[str, int]:
    shown = kitchen.keeper.shown("/need", params={"day": day})
    return {each["species"]: each["mass"]["g"] for each in shown["total"]}


def feeds(kitchen: Kitchen, day: str = DAY) -> list[tuple[Any, ...]]:
    shown = kitchen.keeper.shown("/need", params={"day": day})
    return [
        (p["animal"] or p["group"], p["feed"], p["feed_at"][11:16], p["species"], p["mass"]["g"])
        for p in shown["items"]
    ]


def eaten_of(kitchen: Kitchen, animal: str, day: str = DAY) -> dict[str, int]:
    """What supplements reckon with."""
    ids = {"BRINE": 1}
    total: Counter[str] = Counter()
    with kitchen.looking() as session:
        found = session.get_one(Animal, ids[animal])
        of_site = view(session, found.site_id, at=kitchen.clock())
        shares = shares_of(session, of_site, date.fromisoformat(day), [found])
        for share in shares.get(ids[animal], []):
            total[share.species] += share.grams
    return dict(total)


def test_the_feeds_of_a_day_add_up_to_the_gram(kitchen: Kitchen) -> None:
    a_diet(kitchen, items=[{"species": "HER", "mass": "1 kg"}], feeds_per_day=3)
    grams = [mass for *_, mass in feeds(kitchen)]
    assert sorted(grams) == [333, 333, 334]
    assert need(kitchen) == {"HER": 1000}


def test_feeds_have_their_times_shares_and_kinds_and_training_counts(kitchen: Kitchen) -> None:
    at = [
        {"at": "15:30", "share": 0.5, "kind": "meal"},
        {"at": "08:00", "share": 0.2, "kind": "training"},
        {"at": "11:00", "share": 0.3},
    ]
    a_diet(kitchen, feeds=at)
    assert feeds(kitchen) == [
        ("BRINE", 1, "08:00", "HER", 600),
        ("BRINE", 2, "11:00", "HER", 900),
        ("BRINE", 3, "15:30", "HER", 1500),
    ]
    shown = kitchen.keeper.shown("/need", params={"day": DAY})["items"]
    assert [p["kind"] for p in shown] == ["training", "meal", "meal"]


def test_feed_times_are_the_sites_own_on_the_night_when_clocks_go_back(kitchen: Kitchen) -> None:
    kitchen.manager.put("/sites/main", {"timezone": "Europe/Paris"})
    a_diet(kitchen, feeds=[{"at": "08:00"}, {"at": "16:00"}], **{"from": "2026-01-01"})
    # Summer time ends on 25 October 2026 at 01:00 UTC [European rule].
    assert [at for _, _, at, *_ in feeds(kitchen, "2026-10-24")] == ["06:00", "14:00"]
    assert [at for _, _, at, *_ in feeds(kitchen, "2026-10-25")] == ["07:00", "15:00"]


def test_a_share_of_body_mass_follows_the_scale(kitchen: Kitchen) -> None:
    weighed(kitchen, "100 kg", on="2026-11-10")
    weighed(kitchen, "110 kg", on="2026-11-24")
    a_diet(kitchen, items=[{"species": "HER", "percent_of_body_mass": 5}])
    assert need(kitchen, "2026-11-20") == {"HER": 5000}
    assert need(kitchen, "2026-11-25") == {"HER": 5500}


def test_a_diet_by_body_mass_needs_a_weight(kitchen: Kitchen) -> None:
    body = {"from": "2026-11-01", "items": [{"species": "HER", "times_basal": 2}]}
    answer = kitchen.nutritionist.post("/animals/BRINE/diets", body)
    assert refusal(answer) == (409, "no-body-mass")
    assert kitchen.keeper.shown("/animals/BRINE/diets")["items"] == []


def test_energy_is_worked_out_with_the_lot_that_is_next_in_use(kitchen: Kitchen) -> None:
    a_diet(kitchen, items=[{"species": "HER", "energy_kcal": 3160}])
    # USDA: herring 158 kcal/100 g.
    assert need(kitchen) == {"HER": 2000}
    rich = kitchen.a_lot("HER", caught="2026-08-01")
    energy = {"nutrient": "ENERC", "amount": 200, "unit": "kcal/100g"}
    assay = {"sampled_on": "2026-11-03", "laboratory": "Lab", "values": [energy]}
    kitchen.commissary.made(f"/lots/{rich['code']}/assays", assay)
    assert need(kitchen) == {"HER": 1580}
    kitchen.commissary.made(f"/lots/{rich['code']}/holds", {"reason": "supplier recall"})
    assert need(kitchen) == {"HER": 2000}


def test_fat_and_protein_of_an_assay_give_its_energy(kitchen: Kitchen) -> None:
    lean = kitchen.a_lot("HER", caught="2026-08-01")
    values = [
        {"nutrient": "FAT", "amount": 3, "unit": "g/100g"},
        {"nutrient": "PROCNT", "amount": 18, "unit": "g/100g"},
    ]
    assay = {"sampled_on": "2026-11-03", "laboratory": "Lab", "values": values}
    kitchen.commissary.made(f"/lots/{lean['code']}/assays", assay)
    a_diet(kitchen, items=[{"species": "HER", "energy_kcal": 1000}])
    # 4.27 x 18 + 9.02 x 3 = 103.92 kcal/100 g
    assert need(kitchen) == {"HER": round(1000 / 1.0392)}


def test_a_total_is_shared_among_species_within_their_bounds(kitchen: Kitchen) -> None:
    items = [
        {"species": "HER", "share": 0.6, "maximum": "2 kg"},
        {"species": "CAP", "share": 0.4},
    ]
    a_diet(kitchen, items=items, total={"mass": "5 kg"})
    assert need(kitchen) == {"HER": 2000, "CAP": 3000}


def test_the_season_is_drawn_from_mid_month_to_mid_month(kitchen: Kitchen) -> None:
    season = [1.2, 1.2, 1.1, 1.0, 0.9, 0.8, 0.8, 0.8, 0.9, 1.0, 1.1, 1.2]
    shown = a_diet(kitchen, season=season, **{"from": "2026-01-01"})
    assert shown["season_mean"] == pytest.approx(sum(season) / 12, abs=0.002)
    assert need(kitchen, "2026-07-16") == {"HER": 2400}
    # 26 November lies between 1.1 on the 16th, 00:00, and 1.2 on 16 December, 12:00 (30.5 days).
    assert need(kitchen)["HER"] == pytest.approx(3000 * (1.1 + 0.1 * 10.5 / 30.5), abs=1)


def test_a_diet_may_begin_with_a_later_feed_of_its_day(kitchen: Kitchen) -> None:
    at = [{"at": "08:00"}, {"at": "12:00"}, {"at": "16:00"}]
    a_diet(kitchen, feeds=at)
    new = [{"species": "CAP", "mass": "6 kg"}]
    a_diet(kitchen, items=new, feeds=at, from_feed=2, **{"from": DAY}, reason="more")
    assert [(s, g) for *_, s, g in feeds(kitchen)] == [("HER", 1000), ("CAP", 2000), ("CAP", 2000)]
    assert need(kitchen, "2026-11-25") == {"HER": 3000}
    assert need(kitchen, "2026-11-27") == {"CAP": 6000}
    assert eaten_of(kitchen, "BRINE") == {"HER": 1000, "CAP": 4000}


def test_of_two_diets_from_the_same_day_the_later_recorded_counts(kitchen: Kitchen) -> None:
    a_diet(kitchen)
    a_diet(kitchen, items=[{"species": "CAP", "mass": "1 kg"}])
    assert need(kitchen) == {"CAP": 1000}


def test_who_fasts_or_is_only_nursed_or_is_gone_gets_nothing(kitchen: Kitchen) -> None:
    for code in ("PUP", "OLD", "LEAN"):
        an_animal(kitchen, code)
        a_diet(kitchen, f"animals/{code}")
    a_diet(kitchen)
    assert need(kitchen) == {"HER": 12_000}
    nursing = {"stage": "nursing", "from": "2026-11-01", "until": "2026-11-26"}
    kitchen.keeper.made("/animals/PUP/stages", nursing)
    kitchen.vet.made("/animals/LEAN/fasts", {"from": "2026-11-26", "reason": "before surgery"})
    kitchen.keeper.made("/animals/OLD/departure", {"reason": "died of age"})
    assert need(kitchen) == {"HER": 3000}
    assert need(kitchen, "2026-11-24") == {"HER": 9000}
    assert need(kitchen, "2026-11-27") == {"HER": 6000}, "from weaning on a pup gets its fish"


def test_a_groups_diet_is_for_each_animal_that_is_there(kitchen: Kitchen) -> None:
    a_group(kitchen, "ROCKS", unnamed=10)
    for code in ("ONE", "TWO"):
        an_animal(kitchen, code)
        joins(kitchen, "ROCKS", code, **{"from": "2026-11-01T00:00:00Z"})
    a_diet(kitchen, "groups/ROCKS", items=[{"species": "CAP", "mass": "500 g"}], feeds_per_day=2)
    assert need(kitchen) == {"CAP": 6000}
    kitchen.vet.made("/animals/ONE/fasts", {"from": DAY, "reason": "moult"})
    assert need(kitchen) == {"CAP": 5500}
    a_diet(kitchen, "animals/TWO", items=[{"species": "HER", "mass": "1 kg"}])
    assert need(kitchen) == {"CAP": 5000, "HER": 1000}, "its own diet replaces its share"


def test_a_groups_diet_may_be_for_all_together(kitchen: Kitchen) -> None:
    a_group(kitchen, "ROCKS", unnamed=10)
    a_diet(kitchen, "groups/ROCKS", amounts_for="group")
    assert need(kitchen) == {"HER": 3000}
    kitchen.keeper.made("/groups/ROCKS/count", {"unnamed": 20})
    assert need(kitchen) == {"HER": 3000}


def test_an_animal_that_joins_at_noon_counts_from_the_next_feed(kitchen: Kitchen) -> None:
    a_group(kitchen, "COVE", unnamed=1)
    joins(kitchen, "COVE", "BRINE", **{"from": f"{DAY}T12:00:00Z"})
    a_diet(kitchen, "groups/COVE", feeds=[{"at": "08:00"}, {"at": "16:00"}])
    assert [(at, g) for _, _, at, _, g in feeds(kitchen)] == [("08:00", 1500), ("16:00", 3000)]
    assert eaten_of(kitchen, "BRINE") == {"HER": 1500}, "its share of the second feed"


def test_those_never_weighed_count_with_the_mean_of_the_others(kitchen: Kitchen) -> None:
    a_group(kitchen, "COVE", unnamed=1)
    joins(kitchen, "COVE", "BRINE", **{"from": "2026-11-01T00:00:00Z"})
    weighed(kitchen, "100 kg")
    a_diet(kitchen, "groups/COVE", items=[{"species": "HER", "percent_of_body_mass": 4}])
    assert need(kitchen) == {"HER": 8000}


def test_a_group_of_which_nobody_was_weighed_is_named_and_stops_nobody_else(
    kitchen: Kitchen,
) -> None:
    a_group(kitchen, "COVE")
    joins(kitchen, "COVE", "BRINE", **{"from": "2026-11-01T00:00:00Z"})
    weighed(kitchen, "100 kg")
    a_diet(kitchen, "groups/COVE", items=[{"species": "HER", "percent_of_body_mass": 4}])
    an_animal(kitchen, "NEW")
    joins(kitchen, "COVE", "NEW", **{"from": "2026-11-01T00:00:00Z"})
    a_diet(kitchen)
    shown = kitchen.keeper.shown("/need", params={"day": DAY})
    assert [(f["rule"], f["because"][:4]) for f in shown["findings"]] == [
        ("body-mass-known", "COVE")
    ]
    assert need(kitchen) == {"HER": 3000}


def test_supplements_reckon_with_an_even_share_of_the_group(kitchen: Kitchen) -> None:
    a_group(kitchen, "COVE", unnamed=3)
    joins(kitchen, "COVE", "BRINE", **{"from": "2026-11-01T00:00:00Z"})
    a_diet(kitchen, "groups/COVE", amounts_for="group", items=[{"species": "HER", "mass": "8 kg"}])
    assert eaten_of(kitchen, "BRINE") == {"HER": 2000}
    kitchen.vet.made("/animals/BRINE/fasts", {"from": DAY, "reason": "moult"})
    assert eaten_of(kitchen, "BRINE") == {}


def test_an_animal_that_gets_nothing_in_winter_has_no_share_of_its_group(kitchen: Kitchen) -> None:
    a_group(kitchen, "COVE", unnamed=1)
    joins(kitchen, "COVE", "BRINE", **{"from": "2026-11-01T00:00:00Z"})
    a_diet(kitchen, "groups/COVE")
    a_diet(kitchen, season=[0, 0, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0])
    assert eaten_of(kitchen, "BRINE") == {}
    assert need(kitchen) == {"HER": 3000}


def test_portions_and_need_are_one_sum(kitchen: Kitchen) -> None:
    a_diet(kitchen, feeds_per_day=3)
    an_animal(kitchen, "TWO")
    both = [{"species": "HER", "mass": "1 kg"}, {"species": "CAP", "mass": "777 g"}]
    a_diet(kitchen, "animals/TWO", items=both, feeds_per_day=5)
    with kitchen.looking() as session:
        site = view(session, 1, at=kitchen.clock())
        found = portions(session, site, date.fromisoformat(DAY))
        total: Counter[str] = Counter()
        for portion in found:
            total[portion.species] += portion.grams
        assert total == need_grams(session, site, date.fromisoformat(DAY))
    assert total == {"HER": 4000, "CAP": 777}


def test_the_need_of_a_day_is_a_table_too(small_kitchen: Kitchen) -> None:
    a_diet(small_kitchen, feeds_per_day=3)
    table = small_kitchen.keeper.get("/need", headers={"Accept": "text/csv"})
    assert len(table.text.splitlines()) == 4
