"""The hot reads of lots: written without validation, so held against their models here."""

from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy import event

from service.http.bodies import Page
from service.quality.schemas import LotDetail, LotRow
from tests.conftest import Templates, fresh_address
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


def test_rows_asked_straight_at_the_driver_are_those_that_sqlalchemy_gives(
    kitchen: Kitchen,
) -> None:
    code = kitchen.a_lot(best_before="2027-01-31")["code"]
    kitchen.a_lot(species="CAP", caught=None, frozen_on="2026-09-01")
    paths = [f"/lots/{code}", "/lots", "/lots?order=use_first&limit=1", "/lots?species=CAP"]
    straight = [kitchen.keeper.shown(path) for path in paths]
    heard: list[str] = []

    def hear(_c: Any, _u: Any, statement: str, _v: Any, _x: Any, _m: Any) -> None:
        heard.append(statement)

    event.listen(kitchen.app.state.database.reader, "before_cursor_execute", hear)
    assert [kitchen.keeper.shown(path) for path in paths] == straight
    assert len(heard) == len(paths), "each is one select"


def test_a_lost_connection_is_told_once_and_replaced(templates: Templates, tmp_path: Path) -> None:
    for address in fresh_address("postgresql", templates, tmp_path):
        kitchen = Kitchen(address, tmp_path).set_up()
        code = kitchen.a_lot()["code"]
        assert kitchen.keeper.get(f"/lots/{code}").status_code == 200
        with psycopg.connect(address, autocommit=True) as other:
            other.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE datname = current_database() AND pid <> pg_backend_pid()"
            )
        lost = kitchen.keeper.get(f"/lots/{code}")
        assert (lost.status_code, lost.json()["type"]) == (503, "/problems/busy")
        assert kitchen.keeper.get(f"/lots/{code}").status_code == 200
        kitchen.close()
