"""Forward to every animal, backward to every lot, and every gram accounted for."""

import csv
import io
from typing import Any

import pytest

from tests.architecture.test_statements import counted
from tests.kitchen import Kitchen, Person


def grams(found: Any) -> dict[str, int]:
    """The masses of a trace that are not 0."""
    return {name: mass["g"] for name, mass in found["where"].items() if mass["g"]}


def fed(kitchen: Kitchen, batch: str, offered: str, eaten: str, animal: str = "BRINE") -> Any:
    item = {"thaw_batch": batch, "offered": offered, "eaten": eaten}
    return kitchen.keeper.made("/feeds", {"animal": animal, "items": [item]})


def an_animal(kitchen: Kitchen, code: str, group: str = "pinniped") -> None:
    kitchen.manager.made(
        "/animals", {"code": code, "name": code.title(), "taxon": "Phoca vitulina", "group": group}
    )


@pytest.fixture
def eaten(kitchen: Kitchen) -> str:
    """A lot of 100 kg of which everything has happened to some."""
    an_animal(kitchen, "COVE")
    lot: str = kitchen.a_lot("CAP", supplier_lot="A-77")["code"]
    batch = kitchen.pulled(lot, "30 kg")["code"]
    fed(kitchen, batch, "5 kg", "4 kg")
    kitchen.clock.forward(hours=1)
    fed(kitchen, batch, "3 kg", "3 kg", "COVE")
    kitchen.clock.forward(hours=1)
    fed(kitchen, batch, "2 kg", "0 kg")
    wrong = fed(kitchen, batch, "9 kg", "9 kg", "COVE")["movement_id"]
    kitchen.keeper.made(f"/movements/{wrong}/reversal", {"reason": "another bucket"})
    kitchen.keeper.made(f"/thaw-batches/{batch}/discard", {"mass": "1 kg", "reason": "torn"})
    move = {"lot": lot, "from_place": "FZ1", "to_place": "FZ2", "mass": "25 kg"}
    kitchen.commissary.made("/moves", move)
    count = {"lot": lot, "place": "FZ1", "mass": "44 kg", "reason": "weekly count"}
    kitchen.commissary.made("/counts", count)
    back = {"mass": "4 kg", "place": "FZ1", "reason": "sold too much"}
    kitchen.commissary.made(f"/lots/{lot}/return", back)
    bad = {"mass": "10 kg", "place": "FZ2", "reason": "smells"}
    kitchen.vet.made(f"/lots/{lot}/condemnation", bad)
    return lot


def test_every_gram_of_a_lot_is_somewhere(kitchen: Kitchen, eaten: str) -> None:
    trace = kitchen.vet.shown(f"/lots/{eaten}/trace")
    assert grams(trace) == {
        "received": 100_000,
        "on_hand": 74_000,
        "eaten": 7_000,
        "left": 3_000,
        "discarded": 1_000,
        "condemned": 10_000,
        "returned": 4_000,
        "missing": 1_000,
    }
    places = {(p["place"], bool(p["thaw_batch"])): p["mass"]["g"] for p in trace["on_hand"]}
    assert places == {("FZ1", False): 40_000, ("TANK1", True): 19_000, ("FZ2", False): 15_000}
    moved = {(m["kind"], m["from_place"], m["to_place"]): m["mass"]["g"] for m in trace["moves"]}
    assert moved == {("pulled", "FZ1", "TANK1"): 30_000, ("moved", "FZ1", "FZ2"): 25_000}
    (batch,) = trace["thaw_batches"]
    assert (batch["state"], batch["pulled"]["g"], batch["remaining"]["g"]) == (
        "thawing",
        30_000,
        19_000,
    )
    assert trace["status"] == "held" and "condemned" in trace["holds"][0]["reason"]


def test_who_ate_a_lot_is_listed_with_first_and_last_feed(kitchen: Kitchen, eaten: str) -> None:
    rows = kitchen.vet.shown(f"/lots/{eaten}/trace")["items"]
    assert [(r["animal"], r["feeds"], r["eaten"]["g"], r["left"]["g"]) for r in rows] == [
        ("BRINE", 2, 4_000, 3_000),
        ("COVE", 1, 3_000, 0),
    ]
    assert rows[0]["first_fed_at"] == "2026-11-25T06:00:00Z"
    assert rows[0]["last_fed_at"] == "2026-11-25T08:00:00Z"


def test_whom_to_watch_is_asked_by_day(kitchen: Kitchen, eaten: str) -> None:
    kitchen.clock.forward(days=1)
    batch = kitchen.pulled(eaten, "5 kg", already_done=True)["code"]
    item = {"thaw_batch": batch, "offered": "2 kg", "eaten": "2 kg"}
    kitchen.keeper.made("/feeds", {"animal": "COVE", "items": [item], "already_done": True})
    every = kitchen.vet.shown(f"/lots/{eaten}/fed")
    assert every["eaten"]["g"] == 9_000
    later = kitchen.vet.shown(f"/lots/{eaten}/fed?from=2026-11-26&to=2026-11-26")
    (row,) = later["items"]
    assert (row["animal"], row["group"], row["eaten"]["g"]) == ("COVE", "pinniped", 2_000)
    assert row["last_fed_at"] == "2026-11-26T08:00:00Z"
    assert kitchen.vet.shown(f"/lots/{eaten}/fed?to=2026-11-24")["items"] == []
    wrong = kitchen.vet.get(f"/lots/{eaten}/fed?from=2026-11-26&to=2026-11-24")
    assert wrong.status_code == 422


def test_what_an_animal_ate_is_told_by_lot_and_suppliers_lot(kitchen: Kitchen, eaten: str) -> None:
    other = kitchen.a_lot("HER")["code"]
    fed(kitchen, kitchen.pulled(other, "10 kg")["code"], "1 kg", "1 kg", "COVE")
    found = kitchen.vet.shown("/animals/COVE/lots")
    assert [(r["lot"], r["supplier_lot"], r["supplier"]) for r in found["items"]] == [
        (eaten, "A-77", "NORD"),
        (other, None, "NORD"),
    ]
    assert [r["eaten"]["g"] for r in found["items"]] == [3_000, 1_000]
    assert found["eaten"]["g"] == 4_000
    assert kitchen.vet.shown("/animals/COVE/lots?to=2026-11-24")["items"] == []


def table(who: Person, address: str) -> list[dict[str, str]]:
    answer = who.get(address, headers={"Accept": "text/csv"})
    assert answer.headers["content-type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(answer.text, newline="")))


@pytest.mark.parametrize("asked", ["/recall?supplier_lot=a77", "/lots/{}/trace", "/lots/{}/fed"])
def test_the_animals_of_a_recall_come_as_a_table(kitchen: Kitchen, eaten: str, asked: str) -> None:
    rows = table(kitchen.vet, asked.format(eaten))
    assert [(row["animal"], row["eaten.g"]) for row in rows] == [
        ("BRINE", "4000"),
        ("COVE", "3000"),
    ]


def test_a_recall_of_many_lots_takes_as_many_statements_as_of_one(kitchen: Kitchen) -> None:
    def sent() -> tuple[int, int]:
        with counted(kitchen) as statements:
            found = kitchen.vet.shown("/recall?supplier_lot=B5")
        return len(statements), len(found["exact"])

    for number in range(4):
        lot = kitchen.a_lot("CAP", supplier_lot="B5")["code"]
        batch = kitchen.pulled(lot, "30 kg", already_done=True)["code"]
        fed(kitchen, batch, "5 kg", "4 kg")
        kitchen.vet.made(f"/lots/{lot}/holds", {"reason": "to be looked at"})
        if number == 0:
            sent()  # the token is known from here on
            few = sent()
    many = sent()
    assert (few[1], many[1]) == (1, 4)
    assert few[0] == many[0] <= 14
