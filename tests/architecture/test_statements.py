"""Work for a list is bounded: it takes as many statements for many rows as for few."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from sqlalchemy import Engine, event

from service.backups.models import Backup
from service.excursions.models import Excursion
from tests.kitchen import START, Kitchen

LISTS = (
    "/lots",
    "/lots?order=use_first",
    "/lots?species=HER",
    "/stock",
    "/life-left",
    "/thaw-batches",
    "/thaw-batches?state=open",
    "/thaw-batches?state=thawing",
    "/deliveries",
    "/places",
    "/animals",
    "/groups",
    "/fasts?day=2027-01-01",
    "/animals/BRINE/diets",
    "/diet-proposals",
    "/need?day=2026-11-26",
    "/probes",
    "/suppliers",
    "/products",
    "/supplement-products",
    "/supplement-batches",
    "/supplement-batches/1/movements",
    "/supplement-stock",
    "/requirements",
    "/nutrition?day=2026-11-26",
    "/excursions",
    "/deviations",
    "/audit",
    "/holds",
    "/feeds",
    "/holds?open=true",
    "/sites",
    "/rules",
    "/recipients",
    "/messages",
    "/backups",
)

# Of life left five only when hours are new, however many places; of nutrition those of a plan:
# diets, what is next in use of one species, what a lot still holds.
MOST = {"/life-left": 14, "/nutrition?day=2026-11-26": 25}


@contextmanager
def counted(kitchen: Kitchen) -> Iterator[list[str]]:
    """The statements that are sent while the block runs."""
    database = kitchen.app.state.database
    engines: list[Engine] = [database.writer, database.reader, database.snapshot]
    sent: list[str] = []

    def note(
        _connection: Any, _cursor: Any, statement: str, _values: Any, _context: Any, _many: Any
    ) -> None:
        sent.append(statement)

    for engine in engines:
        event.listen(engine, "before_cursor_execute", note)
    try:
        yield sent
    finally:
        for engine in engines:
            event.remove(engine, "before_cursor_execute", note)


def statements(kitchen: Kitchen) -> dict[str, tuple[int, int]]:
    """Per list: statements, and rows shown."""
    person = kitchen.manager
    person.shown("/lots?limit=1")  # the token is known from here on
    found = {}
    for listed in LISTS:
        joint = "&" if "?" in listed else "?"
        with counted(kitchen) as sent:
            items = person.shown(f"{listed}{joint}limit=500")["items"]
        found[listed] = (len(sent), len(items))
    return found


def more_of_everything(kitchen: Kitchen, number: int) -> None:
    boss = kitchen.manager
    for i in range(number):
        code = f"{number}-{i}"
        boss.made("/places", {"code": f"P{code}", "name": "Pi", "kind": "freezer"})
        boss.made("/probes", {"code": f"Q{code}", "place": f"P{code}"})
        boss.made("/suppliers", {"code": f"S{code}", "name": "Si"})
        boss.made(
            "/products",
            {
                "code": f"R{code}",
                "species": "SPR",
                "supplier": f"S{code}",
                "form": "iqf",
                "carton_mass": "10 kg",
            },
        )
        boss.made("/animals", {"code": f"A{code}", "name": "Alfa", "taxon": "T", "group": "otter"})
        diet = {"from": "2026-11-01", "items": [{"species": "HER", "mass": "1 kg"}]}
        boss.made(f"/animals/A{code}/diets", diet)
        boss.made("/animals/BRINE/diet-proposals", diet)
        fast = {"from": "2027-01-01", "reason": "moult", "ordered_by": "Dr. Alder"}
        boss.made(f"/animals/A{code}/fasts", fast)
        boss.made("/groups", {"code": f"G{code}", "name": "Gamma", "unnamed": 2})
        boss.made(f"/groups/G{code}/diets", diet)
        boss.made(
            "/supplement-products",
            {
                "code": f"B{code}",
                "name": "Tablet",
                "form": "tablet",
                "contents": [{"nutrient": "THIA", "amount": 100, "unit": "mg"}],
            },
        )
        jar = {"product": f"B{code}", "code": code, "expires_on": "2027-06-30", "received": 1}
        boss.made("/supplement-batches", jar)
        boss.made("/supplement-batches/1/receipts", {"received": 1})
        boss.made(
            "/requirements",
            {
                "nutrient": "THIA",
                "amount": 1,
                "unit": "mg",
                "applies_to": {"animal": f"A{code}"},
            },
        )
        lot = kitchen.a_lot(place=f"P{code}")["code"]
        boss.made(f"/lots/{lot}/holds", {"reason": "to be looked at"})
        pulled = boss.made(
            "/pulls",
            {
                "lot": lot,
                "from_place": f"P{code}",
                "to_place": "TANK1",
                "mass": "10 kg",
                "already_done": True,
            },
        )
        batch = pulled["thaw_batch"]["code"]
        item = {"thaw_batch": batch, "offered": "1 kg", "eaten": "1 kg"}
        boss.made("/feeds", {"animal": f"A{code}", "items": [item], "already_done": True})
        mailbox = {"name": code, "channel": "email", "address": "duty@example.org"}
        recipient = boss.made("/recipients", mailbox)["id"]
        boss.made(f"/recipients/{recipient}/test", None)
        with kitchen.writing() as session:
            session.add(Backup(slot_at=START - timedelta(hours=number + i), attempts=1))
            session.add(
                Excursion(
                    place_id=1,
                    probe_id=1,
                    kind="warm",
                    from_at=START - timedelta(hours=number + i),
                    ended_at=START,
                    opened_at=START,
                )
            )


def test_a_list_takes_as_many_statements_for_many_rows_as_for_few(kitchen: Kitchen) -> None:
    more_of_everything(kitchen, 2)
    few = statements(kitchen)
    more_of_everything(kitchen, 7)
    many = statements(kitchen)
    fixed = {"/sites", "/rules"}
    for listed in LISTS:
        if listed not in fixed:
            assert few[listed][1] >= 2, f"{listed} shows too little to judge"
            assert many[listed][1] > few[listed][1], f"{listed} did not grow"
        assert many[listed][0] == few[listed][0], (
            f"{listed}: {few[listed][0]} statements for {few[listed][1]} rows, "
            f"{many[listed][0]} for {many[listed][1]}"
        )
        assert many[listed][0] <= MOST.get(listed, 12), (
            f"{listed} takes {many[listed][0]} statements"
        )


def test_one_lot_takes_at_most_two_selects_whatever_happened_to_it(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    kitchen.keeper.shown(f"/lots/{lot}")

    def sent() -> int:
        with counted(kitchen) as found:
            kitchen.keeper.shown(f"/lots/{lot}")
        return len(found)

    assert sent() <= 2
    for _ in range(5):
        kitchen.pulled(lot, "10 kg")
        kitchen.keeper.made(f"/lots/{lot}/holds", {"reason": "to be looked at"})
        hold = kitchen.keeper.shown(f"/lots/{lot}")["holds"][-1]["id"]
        kitchen.vet.made(f"/holds/{hold}/release", {"reason": "it is fine"})
    assert sent() <= 2
