"""Animals, looked at with a browser."""

from datetime import timedelta

import pytest
from playwright.sync_api import ViewportSize

from tests.browser.conftest import PHONE, TABLET, Served, look
from tests.kitchen import Kitchen


def fed_for_weeks(kitchen: Kitchen) -> None:
    """Twenty days of feeds, with a day off food."""
    kitchen.nutritionist.made(
        "/animals/BRINE/diets",
        {
            "from": "2026-11-01",
            "items": [{"species": "HER", "mass": "4 kg"}, {"species": "CAP", "mass": "2 kg"}],
        },
    )
    herring = kitchen.a_lot(mass="200 kg")["code"]
    start = kitchen.clock()
    for day in range(12):
        kitchen.clock.at = start + timedelta(days=day)
        batch = kitchen.pulled(herring, "10 kg")["code"]
        kitchen.clock.forward(hours=14)
        kitchen.keeper.made(f"/thaw-batches/{batch}/thawed", {"core_temperature": "1 °C"})
        eaten = 0 if day == 7 else 4000 - 150 * day
        item = {
            "thaw_batch": batch,
            "offered": "4.5 kg",
            "eaten": f"{eaten} g",
            "left": f"{4500 - eaten} g",
        }
        kitchen.keeper.made("/feeds", {"animal": "BRINE", "items": [item]})
        kitchen.keeper.made("/animals/BRINE/weights", {"mass": f"{90 - day // 3} kg"})


@pytest.mark.parametrize("size", [TABLET, PHONE])
def test_a_vet_reads_what_an_animal_ate_and_a_keeper_weighs_it(
    served: Served, size: ViewportSize
) -> None:
    fed_for_weeks(served.kitchen)
    with served.page("vet", size) as page:
        page.goto("/animals")
        look(page, "animals")
        page.get_by_role("link", name="Brine").click()
        page.get_by_role("heading", name="Eaten, a day").wait_for()
        look(page, "animals-one")
    with served.page("keeper", size) as page:
        page.goto("/animals/BRINE")
        page.get_by_label("Weighed now").fill("88.5")
        page.keyboard.press("Enter")
        page.get_by_text("88.5 kg recorded.").wait_for()
        page.goto("/animals/new")
        look(page, "animals-new")
