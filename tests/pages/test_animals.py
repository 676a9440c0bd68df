"""Animals: what each ate against its diet."""

from typing import Any

import pytest

from tests.kitchen import Kitchen
from tests.pages.visiting import visitor

HOSTILE = '"><script>alert(1)</script>'


@pytest.fixture
def fed(kitchen: Kitchen) -> Kitchen:
    """Brine has a diet of 6 kg herring a day, ate 2 of 2.5 kg, and weighs 90 kg."""
    kitchen.nutritionist.made(
        "/animals/BRINE/diets",
        {"from": "2026-11-20", "items": [{"species": "HER", "mass": "6 kg"}]},
    )
    kitchen.keeper.made("/animals/BRINE/weights", {"mass": "90 kg"})
    lot = kitchen.a_lot()["code"]
    batch = kitchen.pulled(lot, "10 kg")["code"]
    kitchen.clock.forward(hours=14)
    kitchen.keeper.made(f"/thaw-batches/{batch}/thawed", {"core_temperature": "1 °C"})
    item = {"thaw_batch": batch, "offered": "2.5 kg", "eaten": "2 kg", "left": "0.5 kg"}
    kitchen.keeper.made("/feeds", {"animal": "BRINE", "items": [item]})
    return kitchen


def test_the_list_shows_what_each_has_eaten_today_of_its_diet(fed: Kitchen) -> None:
    page = visitor(fed, "keeper").page("/animals")
    assert "eaten today 2.00 kg of 6.00 kg" in page


def test_an_animals_page_holds_every_lot_and_fish_it_ate_and_its_body_mass(fed: Kitchen) -> None:
    page = visitor(fed, "vet").page("/animals/BRINE")
    lot = fed.keeper.shown("/lots")["items"][0]["code"]
    assert f'href="/stock/{lot}"' in page
    assert "90.0 kg" in page and "herring" in page.lower()
    assert "eaten 2.00 kg, left 0.500 kg, diet 6.00 kg" in page


@pytest.mark.parametrize("span", ["month", "quarter", "year", "five", "nonsense"])
def test_intake_is_shown_from_a_month_to_five_years(fed: Kitchen, span: str) -> None:
    page = visitor(fed, "nutritionist").page(f"/animals/BRINE?span={span}")
    assert page.count('class="eaten"') >= 14


def test_a_keepers_diet_is_a_proposal_and_a_nutritionists_counts(fed: Kitchen) -> None:
    fields = {
        "from": "2026-11-26",
        "items.0.species": "HER",
        "items.0.mass.value": "5",
        "items.0.mass.unit": "kg",
        "items.1.species": "",
        "items.1.mass.value": "",
        "items.1.mass.unit": "kg",
        "feeds_per_day": "3",
    }
    visitor(fed, "keeper").sent("/animals/BRINE/diets", fields)
    visitor(fed, "nutritionist").sent("/animals/BRINE/diets", fields)
    diets: Any = fed.keeper.shown("/animals/BRINE/diets")["items"]
    assert [d["status"] for d in diets[:2]] == ["approved", "proposed"]
    assert diets[0]["items"][0]["mass"]["g"] == 5000 and len(diets[0]["items"]) == 1


def test_a_weighing_that_makes_no_sense_is_refused_with_its_field(fed: Kitchen) -> None:
    bad = {"mass.value": "heavy", "mass.unit": "kg", "_back": "/animals/BRINE"}
    answer = visitor(fed, "keeper").post("/animals/BRINE/weights", bad)
    assert answer.status_code == 422 and "mass" in answer.text
    assert len(fed.keeper.shown("/animals/BRINE/weights")["items"]) == 1


def test_a_hostile_name_is_shown_as_text(kitchen: Kitchen) -> None:
    who = visitor(kitchen, "keeper")
    fields = {"code": "X1", "name": HOSTILE, "taxon": HOSTILE, "group": "otter"}
    assert who.sent("/animals/new", fields) == "/animals/X1"
    for path in ("/animals", "/animals/X1"):
        page = who.page(path)
        assert "<script>alert" not in page and "&lt;script&gt;" in page


def test_a_new_diet_keeps_the_season_the_substitutes_and_the_feed_times_unless_told_otherwise(
    kitchen: Kitchen,
) -> None:
    season = [1.0, 1.0, 1.0, 1.0, 1.0, 0.8, 0.8, 0.8, 1.0, 1.2, 1.2, 1.0]
    before = {
        "from": "2026-11-20",
        "items": [{"species": "HER", "mass": "6 kg", "substitutes": ["CAP"]}],
        "feeds_per_day": 2,
        "feeds": [{"at": "08:00"}, {"at": "15:30"}],
        "season": season,
    }
    kitchen.nutritionist.made("/animals/BRINE/diets", before)
    who = visitor(kitchen, "nutritionist")
    fields = {
        "from": "2026-11-26",
        "items.0.species": "HER",
        "items.0.mass.value": "5",
        "items.0.mass.unit": "kg",
        "feeds_per_day": "2",
    }
    who.sent("/animals/BRINE/diets", fields | {"_keep": "true"})
    kept: Any = kitchen.keeper.shown("/animals/BRINE/diets")["items"][0]
    assert kept["season"] == season and kept["items"][0]["substitutes"] == ["CAP"]
    assert [feed["at"] for feed in kept["feeds"]] == ["08:00", "15:30"]
    who.sent("/animals/BRINE/diets", fields)
    plain: Any = kitchen.keeper.shown("/animals/BRINE/diets")["items"][0]
    assert plain["season"] is None and plain["feeds"] is None
