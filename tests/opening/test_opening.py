"""A site starts on a working day: what lies in its freezers comes into the books by the table."""

import io
from typing import Any

import openpyxl

from tests.http.test_bad_input import entries
from tests.kitchen import Kitchen, Person

HEADER = (
    "place,product,supplier,supplier_lot,caught_from,caught_to,frozen_on,received_on,"
    "best_before,mass,unit,cartons,note\n"
)
ROWS = (
    "FZ1,HER-BLOCK-10,NORD,A77,2026-08-01,,2026-08-03,2026-09-01,2027-08-01,100,kg,10,left bay\n"
    "FZ1,HER-BLOCK-10,,A78,2026-08-09,2026-08-10,,2026-09-01,,,,7,\n"
    "FZ2,CAP-IQF-12,NORD,C3,,,2026-07-01,2026-10-05,,250 lb,,,\n"
)


def sent(who: Person, table: str | bytes, **query: Any) -> Any:
    return who.post("/opening-balance/import", content=table, params=query)


def test_what_lies_in_the_freezers_is_in_the_books_and_can_be_used(kitchen: Kitchen) -> None:
    answer = sent(kitchen.manager, HEADER + ROWS)
    assert answer.status_code == 200, answer.text
    made = answer.json()
    assert (made["rows"], made["deliveries"], made["dry_run"]) == (3, 2, False)
    assert [
        (t["place"], t["species"], t["mass"]["g"], t["lots"], t["held"]) for t in made["totals"]
    ] == [
        ("FZ1", "HER", 170_000, 2, 0),
        ("FZ2", "CAP", 113_398, 1, 1),
    ]
    held = made["lots"][2]
    assert held["status"] == "held"
    assert "catch-date-missing" in [f["rule"] for f in held["findings"]]
    assert kitchen.balance()["parcels"] == 283_398 == -kitchen.balance()["supplier"]
    delivery = kitchen.keeper.shown("/deliveries")["items"][-1]
    assert delivery["opening"] is True
    assert delivery["arrived_at"] == "2026-09-01T12:00:00Z"
    first = made["lots"][0]["lot"]
    assert first.startswith("HER260901")
    kitchen.pulled(first, "10 kg")
    trail = kitchen.manager.shown("/audit")["items"]
    (entry,) = [e for e in trail if e["what"] == "opening balance"]
    assert entry["detail"]["notes"] == {first: "left bay"}


def test_a_dry_run_says_everything_and_stores_nothing(kitchen: Kitchen) -> None:
    assert kitchen.keeper.shown("/lots")["items"] == []
    before = entries(kitchen)
    tried = sent(kitchen.manager, HEADER + ROWS, dry_run=True).json()
    assert tried["dry_run"] is True and all(lot["lot"] is None for lot in tried["lots"])
    assert kitchen.balance()["parcels"] == 0
    assert kitchen.keeper.shown("/lots")["items"] == [] and entries(kitchen) == before
    done = sent(kitchen.manager, HEADER + ROWS).json()
    assert done["totals"] == tried["totals"]
    assert [lot["findings"] for lot in done["lots"]] == [lot["findings"] for lot in tried["lots"]]


def test_the_same_table_twice_does_not_double_the_stock(kitchen: Kitchen) -> None:
    assert sent(kitchen.manager, HEADER + ROWS).status_code == 200
    again = sent(kitchen.manager, HEADER + ROWS)
    assert again.status_code == 422
    assert [r["row"] for r in again.json()["rows"]] == [2, 3, 4]
    assert "stands in the books as lot" in again.json()["detail"]
    new = "FZ1,HER-BLOCK-10,,A90,2026-08-01,,,,,1,kg,,\n"
    twice = sent(kitchen.manager, HEADER + new + new)
    assert "row 3, product: is the same as row 2" in twice.json()["detail"]
    assert kitchen.balance()["parcels"] == 283_398


WRONG = (
    ("NOWHERE,HER-BLOCK-10,,,,,,,,1,kg,,", "place"),
    ("TANK1,HER-BLOCK-10,,,,,,,,1,kg,,", "place"),
    ("FZ1,NOTHING,,,,,,,,1,kg,,", "product"),
    ("FZ1,HER-BLOCK-10,NOBODY,,,,,,,1,kg,,", "supplier"),
    ("FZ1,HER-BLOCK-10,SUND,,,,,,,1,kg,,", "supplier"),
    ("FZ1,HER-BLOCK-10,,,2026-02-30,,,,,1,kg,,", "caught_from"),
    ("FZ1,HER-BLOCK-10,,,02/11/2026,,,,,1,kg,,", "caught_from"),
    ("FZ1,HER-BLOCK-10,,,2026-08-01,2026-07-01,,,,1,kg,,", "caught_to"),
    ("FZ1,HER-BLOCK-10,,,2026-08-01,,2026-07-01,,,1,kg,,", "frozen_on"),
    ("FZ1,HER-BLOCK-10,,,2026-08-01,,,2026-07-01,,1,kg,,", "caught_from"),
    ("FZ1,HER-BLOCK-10,,,,,,2027-01-01,,1,kg,,", "received_on"),
    ("FZ1,HER-BLOCK-10,,,,,,yesterday,,1,kg,,", "received_on"),
    ("FZ1,HER-BLOCK-10,,,,,,,,1,,,", "mass"),
    ("FZ1,HER-BLOCK-10,,,,,,,,1 lb,kg,,", "mass"),
    ("FZ1,HER-BLOCK-10,,,,,,,,1,stone,,", "mass"),
    ("FZ1,HER-BLOCK-10,,,,,,,,-1,kg,,", "mass"),
    ("FZ1,HER-BLOCK-10,,,,,,,,0,kg,,", "mass"),
    ('FZ1,HER-BLOCK-10,,,,,,,,"1,5",kg,,', "mass"),
    ("FZ1,HER-BLOCK-10,,,,,,,,,,,", "mass"),
    ("FZ1,HER-BLOCK-10,,,,,,,,,,many,", "cartons"),
    ("FZ1,HER-BLOCK-10,,,,,,,,,,0,", "cartons"),
)


def test_every_row_that_is_wrong_is_named_at_once_and_nothing_is_stored(
    small_kitchen: Kitchen,
) -> None:
    small_kitchen.manager.made("/suppliers", {"code": "SUND", "name": "Sound Fish"})
    before = entries(small_kitchen)
    good = "FZ1,HER-BLOCK-10,,,2026-08-01,,,,,1,kg,,\n"
    answer = sent(small_kitchen.manager, HEADER + good + "".join(row + "\n" for row, _ in WRONG))
    assert answer.status_code == 422
    named = {(r["row"], r["column"]) for r in answer.json()["rows"]}
    assert named == {(number, column) for number, (_, column) in enumerate(WRONG, start=3)}
    assert answer.json()["rows_at_fault"] == len(WRONG)
    assert small_kitchen.balance()["parcels"] == 0 and entries(small_kitchen) == before


def test_masses_with_a_decimal_comma_and_pounds_beside_kilograms_are_read(
    kitchen: Kitchen,
) -> None:
    table = (
        "place;product;caught_from;mass;unit\n"
        "FZ1;HER-BLOCK-10;2026-08-01;12,5;kg\n"
        "FZ1;HER-BLOCK-10;2026-08-02;25;lb\n"
    )
    made = sent(kitchen.manager, table).json()
    assert [lot["mass"]["g"] for lot in made["lots"]] == [12_500, 11_340]


def test_the_template_is_filled_in_a_spreadsheet_and_sent_back(kitchen: Kitchen) -> None:
    empty = kitchen.manager.get("/opening-balance/template", params={"format": "xlsx"})
    assert empty.status_code == 200
    book = openpyxl.load_workbook(io.BytesIO(empty.content))
    names = [cell.value for cell in book.worksheets[0][1]]
    row = {"place": "FZ1", "product": "HER-BLOCK-10", "caught_from": "2026-08-01", "cartons": 3}
    book.worksheets[0].append([row.get(str(name)) for name in names])
    filled = io.BytesIO()
    book.save(filled)
    made = sent(kitchen.manager, filled.getvalue())
    assert made.status_code == 200, made.text
    assert made.json()["totals"][0]["mass"]["g"] == 30_000
    plain = kitchen.manager.get("/opening-balance/template", headers={"Accept": "text/csv"})
    assert plain.text.lstrip("\ufeff") == HEADER.replace("\n", "\r\n")


def test_only_whoever_sets_a_site_up_opens_its_books(kitchen: Kitchen) -> None:
    for who in (kitchen.commissary, kitchen.keeper, kitchen.nutritionist):
        assert sent(who, HEADER + ROWS).status_code == 403
