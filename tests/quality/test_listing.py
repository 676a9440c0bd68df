"""The hot reads of lots: written without validation, so held against their models here."""

import pytest

from service.http.bodies import Page
from service.quality.schemas import LotDetail, LotRow
from tests.kitchen import Kitchen


@pytest.mark.parametrize("unit", ["kg", "lb"])
def test_lots_are_shown_exactly_as_the_api_document_promises(kitchen: Kitchen, unit: str) -> None:
    held = kitchen.a_lot(mass="100 kg")["code"]
    kitchen.a_lot(species="CAP", caught=None, frozen_on="2026-09-01", best_before="2027-09-01")
    kitchen.pulled(held, "20 kg")
    kitchen.clock.forward(microseconds=500_250)
    kitchen.keeper.made(f"/lots/{held}/holds", {"reason": "smells of diesel"})
    kitchen.manager.put("/sites/main", {"mass_unit": unit})
    for query in ("", "?order=use_first", "?limit=1"):
        shown = kitchen.keeper.shown(f"/lots{query}")
        assert Page[LotRow].model_validate(shown).model_dump(mode="json") == shown
        assert shown["items"]
    lot = kitchen.keeper.shown(f"/lots/{held}")
    assert LotDetail.model_validate(lot).model_dump(mode="json") == lot
    assert [place["place"] for place in lot["places"]] == ["FZ1", "TANK1"]
    assert [hold["reason"] for hold in lot["holds"]] == ["smells of diesel"]
    # 80 kg = 80 000 g / 453.59237 g = 176.37 lb
    assert (
        lot["places"][0]["mass"]
        == {
            "kg": {"value": 80.0, "unit": "kg", "g": 80_000},
            "lb": {"value": 176.37, "unit": "lb", "g": 80_000},
        }[unit]
    )


def test_a_list_goes_on_where_the_page_before_it_ended(kitchen: Kitchen) -> None:
    made = [kitchen.a_lot(caught=f"2026-08-{day:02}")["code"] for day in (5, 3, 4, 1, 2)]
    by_catch = [made[i] for i in (3, 4, 1, 2, 0)]
    assert _leafed(kitchen, "order=number") == made
    assert _leafed(kitchen, "order=use_first") == by_catch
    assert _leafed(kitchen, "order=use_first&species=her") == by_catch
    assert _leafed(kitchen, "species=CAP") == []


def _leafed(kitchen: Kitchen, query: str) -> list[str]:
    """The codes of all pages of two."""
    codes: list[str] = []
    cursor = ""
    while True:
        page = kitchen.keeper.shown(f"/lots?limit=2&{query}{cursor}")
        codes += [item["code"] for item in page["items"]]
        if page["next"] is None:
            return codes
        cursor = f"&cursor={page['next']}"


def test_somebody_of_one_site_sees_only_its_lots(kitchen: Kitchen) -> None:
    kitchen.a_lot()
    kitchen.manager.made("/sites", {"code": "NORTH", "name": "North"})
    assert len(kitchen.person("keeper", (1,)).shown("/lots?order=use_first")["items"]) == 1
    assert kitchen.person("keeper", (2,)).shown("/lots?order=use_first")["items"] == []
