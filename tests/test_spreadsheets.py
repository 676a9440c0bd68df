"""Tables that people send, whatever program wrote them and whatever else they are."""

import csv
import io
import time
import zipfile
from datetime import date, datetime

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.worksheet.formula import ArrayFormula

from service.spreadsheets import (
    EMPTY_ROWS_END,
    MOST_ROWS,
    MOST_UNPACKED_BYTES,
    SheetRow,
    UnreadableTable,
    empty_csv,
    empty_workbook,
    read_table,
)

COLUMNS = ("lot", "amount", "unit")
Table = list[list[str]]


def as_csv(rows: Table, delimiter: str = ",", mark: str = "") -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter).writerows([COLUMNS, *rows])
    return (mark + text.getvalue()).encode()


def as_workbook(rows: list[list[object]]) -> bytes:
    book = openpyxl.Workbook()
    for row in [list(COLUMNS), *rows]:
        book.active.append(row)
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def refused(body: bytes) -> str:
    with pytest.raises(UnreadableTable) as caught:
        read_table(body, columns=COLUMNS, required=("lot", "amount"))
    return str(caught.value)


# What a cell can hold: no NUL in CSV, none of the control characters that XML forbids.
CELL = st.text(
    st.characters(min_codepoint=32, exclude_categories=("Cs", "Cc")), max_size=12
).filter(lambda said: not said.strip().startswith("=") and said == said.strip())
TABLE = st.lists(st.lists(CELL, min_size=3, max_size=3).filter(any), max_size=8)


def shown(rows: list[SheetRow]) -> Table:
    return [[row.text(name) or "" for name in COLUMNS] for row in rows]


@given(TABLE, st.sampled_from([",", ";", "\t"]), st.sampled_from(["", "\ufeff"]))
def test_any_table_written_as_csv_is_read_back(rows: Table, delimiter: str, mark: str) -> None:
    found = read_table(as_csv(rows, delimiter, mark), columns=COLUMNS)
    assert shown(found) == rows
    assert [row.number for row in found] == list(range(2, len(rows) + 2))


# openpyxl itself writes "#N/A" and its like as errors, not as text.
@given(
    st.lists(
        st.lists(CELL.filter(lambda c: not c.startswith("#")), min_size=3, max_size=3).filter(any),
        max_size=5,
    )
)
def test_any_table_written_as_a_workbook_is_read_back(rows: Table) -> None:
    found = read_table(as_workbook([list(row) for row in rows]), columns=COLUMNS)
    assert shown(found) == rows


@given(
    st.binary(max_size=300), st.sampled_from([b"", b"PK\x03\x04", b"lot,amount\n", b"\xef\xbb\xbf"])
)
def test_bytes_at_random_are_a_table_or_refused_with_a_reason(rest: bytes, start: bytes) -> None:
    try:
        read_table(start + rest, columns=COLUMNS)
    except UnreadableTable as error:
        assert str(error)


@given(st.binary(min_size=1, max_size=20), st.integers(min_value=0, max_value=100_000))
def test_a_workbook_damaged_anywhere_is_read_or_refused(by: bytes, at: int) -> None:
    whole = bytearray(as_workbook([["A", 1, "g"]]))
    at %= len(whole) - len(by)
    whole[at : at + len(by)] = by
    try:
        read_table(bytes(whole), columns=COLUMNS)
    except UnreadableTable as error:
        assert str(error)


def test_numbers_and_dates_of_a_workbook_are_read_as_they_are_meant() -> None:
    body = as_workbook(
        [["A", 11.2, date(2026, 11, 2)], ["B", 5.0, datetime(2026, 11, 2, 8)], [7, 0.1, True]]
    )
    assert shown(read_table(body, columns=COLUMNS)) == [
        ["A", "11.2", "2026-11-02"],
        ["B", "5", "2026-11-02T08:00:00"],
        ["7", "0.1", "yes"],
    ]


def test_a_decimal_comma_is_one_where_semicolons_separate() -> None:
    (row,) = read_table(as_csv([["A", "11,2", "<0,5"]], ";"), columns=COLUMNS)
    assert (row.figure("amount"), row.figure("unit")) == ("11.2", "<0.5")
    (row,) = read_table(as_csv([["A", "11,2", "g"]], ","), columns=COLUMNS)
    assert row.figure("amount") == "11,2", "which is no number, and said so by whoever asks"


def test_a_number_that_could_be_a_thousand_times_another_is_not_guessed() -> None:
    (row,) = read_table(as_csv([["A", "1.234", "g"]], ";"), columns=COLUMNS)
    with pytest.raises(ValueError, match="two ways"):
        row.figure("amount")


def test_a_formula_is_refused_by_the_name_of_its_cell() -> None:
    assert "B3" in refused(as_workbook([["A", 1, "g"], ["B", "=1+1", "g"]]))
    assert "B3" in refused(as_csv([["A", "1", "g"], ["B", "=1+1", "g"]]))


def test_an_array_formula_and_a_cell_that_shows_an_error_are_refused_by_name() -> None:
    array = ArrayFormula("B2:B3", "=SUM(A1:A2*2)")
    assert "B2 is a formula" in refused(as_workbook([["A", array, "g"]]))
    assert "B2 shows the error #DIV/0!" in refused(as_workbook([["A", "#DIV/0!", "g"]]))


def test_columns_that_are_unknown_missing_or_double_are_all_named() -> None:
    with pytest.raises(UnreadableTable) as caught:
        read_table(b"lot,unit,unit,colour\n", columns=COLUMNS, required=("lot", "amount"))
    assert [(p.column, p.reason) for p in caught.value.problems] == [
        ("colour", "no column has this name"),
        ("amount", "this column is missing"),
        ("unit", "this column is there twice"),
    ]


def test_the_header_is_known_in_any_order_and_case_and_empty_rows_keep_their_numbers() -> None:
    rows = read_table(b"Unit , LOT,Amount\n\n\ng,A,1\n", columns=COLUMNS)
    assert [(r.number, r.text("lot"), r.text("amount")) for r in rows] == [(4, "A", "1")]


def test_what_is_no_table_is_called_by_its_name() -> None:
    assert "PDF" in refused(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3")
    assert "old or a locked workbook" in refused(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600))
    assert "UTF-16" in refused("lot,amount\n".encode("utf-16"))
    assert "not UTF-8: byte 11" in refused(b"lot,amount\n\xff\xfe")
    assert "empty" in refused(b"")
    assert "cells, the header" in refused(b"lot,amount\nA,1,2\n")
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.txt", "a")
    assert "not a workbook" in refused(packed.getvalue())


def test_a_workbook_that_unpacks_to_gigabytes_is_refused_before_it_is_opened() -> None:
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "")
        with archive.open("xl/worksheets/sheet1.xml", "w") as part:
            for _ in range(MOST_UNPACKED_BYTES // 2**20 + 1):
                part.write(bytes(2**20))
    assert len(bomb.getvalue()) < 200_000
    assert "unpacks to more than" in refused(bomb.getvalue())


def test_entities_that_grow_are_refused() -> None:
    whole = io.BytesIO(as_workbook([["A", 1, "g"]]))
    evil = io.BytesIO()
    laughs = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;">]>'
    with zipfile.ZipFile(whole) as source, zipfile.ZipFile(evil, "w") as target:
        for name in source.namelist():
            text = source.read(name).decode()
            if name.endswith("sheet1.xml"):
                text = laughs + text.replace("<t>A</t>", "<t>&b;</t>")
            target.writestr(name, text)
    assert "cannot be read" in refused(evil.getvalue())


def test_a_million_empty_rows_cost_nothing() -> None:
    book = openpyxl.Workbook()
    book.active.append(list(COLUMNS))
    book.active.append(["A", 1, "g"])
    book.active.cell(row=1_048_576, column=1).number_format = "0.00"
    written = io.BytesIO()
    book.save(written)
    started = time.process_time()
    assert len(read_table(written.getvalue(), columns=COLUMNS)) == 1
    assert time.process_time() - started < 2
    assert len(read_table(as_csv([["A", "1", "g"]]) + b",,\n" * 1_000_000, columns=COLUMNS)) == 1


def test_after_a_thousand_empty_rows_the_table_has_ended() -> None:
    gap = b"\n" * (EMPTY_ROWS_END + 1)
    assert len(read_table(as_csv([["A", "1", "g"]]) + gap + b"B,1,g\n", columns=COLUMNS)) == 1


def test_more_rows_or_columns_than_allowed_are_refused() -> None:
    assert "more than 20000 rows" in refused(as_csv([["A", "1", "g"]] * (MOST_ROWS + 1)))
    assert "more than 100 columns" in refused(b"lot," * 101 + b"amount\n")


def test_an_empty_template_is_a_table_without_rows() -> None:
    for body in (empty_csv(COLUMNS), empty_workbook(COLUMNS, ["a", "b", "c"])):
        assert read_table(body, columns=COLUMNS, required=COLUMNS) == []
