"""Results by the table: all of it, or every row that is wrong and nothing."""

import io
from typing import Any

import openpyxl

from tests.architecture.test_statements import counted
from tests.assays.test_assays import left, status
from tests.http.test_bad_input import entries
from tests.kitchen import Kitchen, Person

HEADER = (
    "lot,sampled_on,laboratory,analyte,amount,unit,basis,replicates,cv_percent,pooled,confirm\n"
)


def sent(who: Person, table: str | bytes, **query: Any) -> Any:
    return who.post("/assays/import", content=table, params=query)


def lines(lot: str, *rows: str, day: str = "2026-11-10") -> str:
    return "".join(f"{lot},{day},Harbour Laboratory,{row}\n" for row in rows)


def test_rows_of_one_sample_become_one_assay_as_if_it_had_been_sent_by_itself(
    kitchen: Kitchen,
) -> None:
    lots = [kitchen.a_lot()["code"] for _ in range(2)]
    table = HEADER
    for lot in lots:
        table += lines(
            lot,
            "WATER,70,g/100g,,,,,",
            "protein,60,g/100g,dry_matter,,,,",
            "FAT,11,g/100g,,3,1.8,,",
            "thiamine,<0.02,mg/100g,,,,,",
            "Peroxide value,3,,,,,,",
        )
    made = sent(kitchen.nutritionist, table)
    assert made.status_code == 200, made.text
    assert made.json() == {
        "dry_run": False,
        "rows": 10,
        "assays": 2,
        "values": 8,
        "tests": 2,
        "held": [],
    }
    for lot in lots:
        (assay,) = kitchen.keeper.shown(f"/lots/{lot}/assays")["items"]
        amounts = {v["nutrient"]: v["amount"] for v in assay["values"]}
        assert amounts == {"FAT": 11, "PROCNT": 18, "THIA": 0.1, "WATER": 70}
        assert assay["tests"][0]["verdict"] == "accept"
        assert left(kitchen, lot, "FAT")["from"] == "assay 2026-11-10"


def test_nine_rows_of_histamine_are_nine_samples_and_a_lot_out_of_limits_is_held(
    kitchen: Kitchen,
) -> None:
    good, bad = (kitchen.a_lot()["code"] for _ in range(2))
    table = HEADER + lines(good, *["histamine,20,,,,,,"] * 9)
    table += lines(bad, *["histamine,90,,,,,,"] * 8, "histamine,201,,,,,,")
    made = sent(kitchen.nutritionist, table).json()
    assert [held["lot"] for held in made["held"]] == [bad]
    assert made["held"][0]["findings"][0]["rule"] == "histamine"
    assert (status(kitchen, good), status(kitchen, bad)) == ("accepted", "held")


def test_every_wrong_row_is_named_with_its_column_and_nothing_is_stored(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot()["code"]
    assert kitchen.nutritionist and kitchen.keeper, "whoever asks is in the trail too"
    before = entries(kitchen)
    table = (
        HEADER
        + lines(lot, "FAT,11,g/100g,,,,,")
        + lines("NOLOT", "FAT,11,g/100g,,,,,")
        + lines(lot, "FAT,11,g/100g,,,,,")
        + lines(lot, "magic,1,g/100g,,,,,")
        + lines(lot, "THIA,a lot,mg/kg,,,,,")
        + lines(lot, "VITE,5,kcal/kg,,,,,", day="2026-11-11")
        + lines(lot, "VITE,5,IU/kg,,,,,", day="2026-02-30")
        + lines(lot, "VITE,5,IU/kg,,,,,", day="2027-02-01")
        + lines(lot, "CA,90,g/100g,,,,,", day="2026-11-12")
        + lines(lot, "histamine,5,,dry_matter,,,,", day="2026-11-12")
        + lines(lot, "histamine,5,ppm,,,,,", "histamine,5,mg/100g,,,,,", day="2026-11-13")
        + lines(lot, "FAT,,g/100g,,,,,", day="2026-11-13")
        + lines(lot, "FAT,5,,,,,,", day="2026-11-14")
        + lines(lot, 'FAT,"11,2",g/100g,,,,,', day="2026-11-15")
    )
    answer = sent(kitchen.nutritionist, table)
    assert answer.status_code == 422
    assert [(r["row"], r["column"]) for r in answer.json()["rows"]] == [
        (3, "lot"),
        (4, "analyte"),
        (5, "analyte"),
        (6, "amount"),
        (7, "unit"),
        (8, "sampled_on"),
        (9, "sampled_on"),
        (10, "amount"),
        (11, "basis"),
        (13, "unit"),
        (14, "amount"),
        (15, "unit"),
        (16, "amount"),
    ]
    assert "stands in row 2 already" in answer.json()["rows"][1]["reason"]
    assert "usual" in answer.json()["rows"][7]["reason"]
    assert answer.json()["errors"][0]["field"] == "rows.3.lot"
    assert kitchen.keeper.shown(f"/lots/{lot}/assays")["items"] == []
    assert entries(kitchen) == before


def test_an_unusual_amount_is_stored_when_its_row_confirms_it(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    assert (
        sent(kitchen.nutritionist, HEADER + lines(lot, "CA,90,g/100g,,,,,yes")).status_code == 200
    )


def test_a_dry_run_checks_the_same_and_stores_nothing(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    table = HEADER + lines(lot, *["histamine,90,,,,,,"] * 8, "histamine,201,,,,,,")
    assert kitchen.nutritionist and kitchen.keeper, "whoever asks is in the trail too"
    before = entries(kitchen)
    tried = sent(kitchen.nutritionist, table, dry_run=True).json()
    assert tried["dry_run"] is True and [h["lot"] for h in tried["held"]] == [lot]
    assert status(kitchen, lot) == "accepted" and entries(kitchen) == before
    assert kitchen.keeper.shown(f"/lots/{lot}/assays")["items"] == []
    assert (
        sent(kitchen.nutritionist, HEADER + lines(lot, "FAT,x,,,,,,"), dry_run=True).status_code
        == 422
    )


def test_the_template_is_filled_in_a_spreadsheet_and_sent_back(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    empty = kitchen.nutritionist.get("/assays/template", params={"format": "xlsx"})
    book = openpyxl.load_workbook(io.BytesIO(empty.content))
    names = [cell.value for cell in book.worksheets[0][1]]
    row = {
        "lot": lot,
        "sampled_on": "2026-11-10",
        "laboratory": "Harbour Laboratory",
        "analyte": "FAT",
        "amount": 11.2,
        "unit": "g/100g",
    }
    book.worksheets[0].append([row.get(str(name)) for name in names])
    filled = io.BytesIO()
    book.save(filled)
    made = sent(kitchen.nutritionist, filled.getvalue())
    assert made.status_code == 200, made.text
    plain = kitchen.nutritionist.get("/assays/template", headers={"Accept": "text/csv"})
    assert plain.status_code == 200 and plain.text.startswith("\ufefflot,sampled_on,")
    assert kitchen.nutritionist.get("/assays/template?format=pdf").status_code == 422


def test_what_is_no_table_is_refused_in_plain_words(small_kitchen: Kitchen) -> None:
    book = openpyxl.Workbook()
    book.active.append(["lot", "sampled_on", "laboratory", "analyte", "amount"])
    book.active.append(["A", "=TODAY()", "L", "FAT", 1])
    formula = io.BytesIO()
    book.save(formula)
    for body, word in (
        (b"", "empty"),
        (b"%PDF-1.7", "PDF"),
        (b"PK\x03\x04rest", "damaged"),
        (b"\xff\xfe\x00", "UTF-16"),
        (b"lot;amount\n", "missing"),
        (HEADER.encode(), "no rows"),
        (formula.getvalue(), "B2"),
        (b"\x80\x81", "UTF-8"),
    ):
        answer = small_kitchen.nutritionist.post("/assays/import", content=body)
        assert answer.status_code == 422, body
        assert word in answer.text, (body, answer.text)


def test_a_table_of_many_lots_takes_as_many_statements_as_one_of_few(kitchen: Kitchen) -> None:
    lots = [kitchen.a_lot(mass="10 kg")["code"] for _ in range(12)]

    def statements(some: list[str], day: str) -> int:
        table = HEADER + "".join(lines(lot, "FAT,11,g/100g,,,,,", day=day) for lot in some)
        with counted(kitchen) as sent_:
            assert sent(kitchen.nutritionist, table).status_code == 200
        return len(sent_)

    statements(lots[:1], "2026-11-09")
    assert statements(lots, "2026-11-10") == statements(lots[:2], "2026-11-11")


def test_a_table_is_imported_once_however_often_it_is_sent_with_its_key(kitchen: Kitchen) -> None:
    lot = kitchen.a_lot()["code"]
    table = HEADER + lines(lot, "FAT,11,g/100g,,,,,")
    for _ in range(2):
        answer = kitchen.nutritionist.post(
            "/assays/import", content=table, headers={"Idempotency-Key": "k1"}
        )
        assert answer.status_code == 200
    assert len(kitchen.keeper.shown(f"/lots/{lot}/assays")["items"]) == 1


def test_lots_of_a_site_that_somebody_has_no_access_to_are_refused_by_row(
    kitchen: Kitchen,
) -> None:
    lot = kitchen.a_lot()["code"]
    elsewhere = kitchen.manager.made(
        "/sites", {"code": "OTHER", "name": "Other", "timezone": "UTC"}
    )
    assert elsewhere["code"] == "OTHER"
    guest = kitchen.person("nutritionist", site_ids=(2,))
    answer = sent(guest, HEADER + lines(lot, "FAT,11,g/100g,,,,,"))
    assert answer.status_code == 422
    assert "no access" in answer.json()["rows"][0]["reason"]
