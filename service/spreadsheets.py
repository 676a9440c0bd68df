"""Tables that people send: CSV or XLSX, told apart by content, never by name.

Only text comes out: a number as it was written, a date as YYYY-MM-DD. Formulas
are refused, because what they show is somebody else's arithmetic at some other
time. A table is read within limits of bytes, rows and columns; a workbook's
unpacked size is looked up before anything of it is opened. openpyxl (with
defusedxml) is opened only for workbooks.
"""

import csv
import io
import re
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

MOST_ROWS = 20_000
MOST_COLUMNS = 100
MOST_BYTES = 16 * 1024 * 1024
MOST_UNPACKED_BYTES = 64 * 1024 * 1024  # twenty thousand rows of twenty columns need a third
MOST_PARTS = 1_000  # files inside a workbook
EMPTY_ROWS_END = 1_000  # so many empty rows in a row: the table has ended
MOST_PROBLEMS = 200  # rows at fault that are named; the rest is counted
LONGEST_CELL = 10_000

_ZIP, _OLD_WORKBOOK, _PDF = b"PK\x03\x04", b"\xd0\xcf\x11\xe0", b"%PDF"
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
_DELIMITERS = (",", ";", "\t")
_ERRORS = frozenset(
    {"#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A", "#SPILL!", "#CALC!"}
)
_COMMA_NUMBER = re.compile(r"[<>]?\s*[+-]?\d+,\d+", re.ASCII)
_THOUSANDS = re.compile(r"[<>]?\s*[+-]?\d{1,3}(\.\d{3})+", re.ASCII)


@dataclass(frozen=True)
class RowProblem:
    """What is wrong in a row as a spreadsheet numbers it (the header is 1), and in which column."""

    row: int
    column: str
    reason: str


class UnreadableTable(ValueError):
    """A body that is no table of ours; every problem that was found, the first in words."""

    def __init__(self, reason: str, problems: Sequence[RowProblem] = ()) -> None:
        super().__init__(reason)
        self.problems = tuple(problems)


@dataclass(frozen=True)
class SheetRow:
    """One row: its number as a spreadsheet shows it, and its cells by column, without spaces."""

    number: int
    cells: dict[str, str]
    decimal_comma: bool = False

    def text(self, column: str) -> str | None:
        """What a cell says; None where it is empty or the column is not there.

        >>> SheetRow(2, {"lot": "A77", "note": ""}).text("note") is None
        True
        """
        return self.cells.get(column) or None

    def figure(self, column: str) -> str | None:
        """What a cell says as a number with a decimal point, if it is written with a comma.

        Only in tables that are separated by semicolons; "1.234" there could be a thousand
        and more, and raises ValueError.

        >>> SheetRow(2, {"amount": "<0,1"}, decimal_comma=True).figure("amount")
        '<0.1'
        """
        said = self.text(column)
        if said is None or not self.decimal_comma:
            return said
        if _THOUSANDS.fullmatch(said):
            raise ValueError(f"{said!r} can be read in two ways: write 1234 or 1,234")
        return said.replace(",", ".") if _COMMA_NUMBER.fullmatch(said) else said


def read_table(
    body: bytes, *, columns: Sequence[str], required: Sequence[str] = ()
) -> list[SheetRow]:
    """The rows of a CSV or XLSX body; empty rows are left out, numbers count them.

    columns : names that the header may have, in any order. required : those it must have.
    Raises UnreadableTable naming what is wrong: the kind of file, its size, unknown,
    missing or repeated columns, formulas by their cell, cells beyond the header.
    Cost: O(bytes); a workbook at most `MOST_UNPACKED_BYTES`.
    """
    if len(body) > MOST_BYTES:
        raise UnreadableTable(f"the table is larger than {MOST_BYTES // 2**20} MiB")
    if body.startswith(_ZIP):
        return _rows(
            _workbook_lines(body, len(columns) + 1), columns, required, decimal_comma=False
        )
    if body.startswith(_PDF):
        raise UnreadableTable("this is a PDF, whatever its name: send CSV or XLSX")
    if body.startswith(_OLD_WORKBOOK):
        raise UnreadableTable("this is an old or a locked workbook: save it as XLSX")
    if body.startswith(_UTF_16):
        raise UnreadableTable("this is UTF-16: save the table as CSV in UTF-8")
    text = _decoded(body)
    delimiter = _delimiter(text, columns)
    lines = _csv_lines(text, delimiter)
    return _rows(lines, columns, required, decimal_comma=delimiter == ";")


def _decoded(body: bytes) -> str:
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UnreadableTable(f"the table is not UTF-8: byte {error.start}") from error
    if "\0" in text:
        raise UnreadableTable("this is neither CSV nor XLSX")
    return text


def _delimiter(text: str, columns: Sequence[str]) -> str:
    """The delimiter by which the header shows most of the names that are known."""
    header = io.StringIO(text, newline="").readline()
    known = set(columns)

    def found(delimiter: str) -> tuple[int, int]:
        try:
            cells = next(csv.reader([header], delimiter=delimiter), [])
        except csv.Error:
            return (0, 0)
        return (len(known & {_name(cell) for cell in cells}), len(cells))

    return max(_DELIMITERS, key=found)


def _csv_lines(text: str, delimiter: str) -> Iterator[list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    number = 0
    try:
        for number, line in enumerate(reader, start=1):  # noqa: B007 - said in the error
            yield line
    except csv.Error as error:
        raise UnreadableTable(f"row {number + 1} cannot be read: {error}") from error


def _workbook_lines(body: bytes, widest: int) -> Iterator[list[str]]:
    _check_parts(body)
    # openpyxl answers a broken workbook with whatever its parts happen to raise.
    try:
        yield from _sheet_lines(body, widest)
    except UnreadableTable:
        raise
    except Exception as error:
        raise UnreadableTable(f"this workbook cannot be read ({type(error).__name__})") from error


def _check_parts(body: bytes) -> None:
    """What a workbook says that it unpacks to; zipfile never unpacks more than that."""
    try:
        with zipfile.ZipFile(io.BytesIO(body)) as archive:
            parts = archive.infolist()
    except (zipfile.BadZipFile, ValueError, NotImplementedError, OSError) as error:
        raise UnreadableTable("this workbook is damaged") from error
    if len(parts) > MOST_PARTS:
        raise UnreadableTable(f"this workbook has more than {MOST_PARTS} parts")
    if sum(part.file_size for part in parts) > MOST_UNPACKED_BYTES:
        raise UnreadableTable(
            f"this workbook unpacks to more than {MOST_UNPACKED_BYTES // 2**20} MiB: "
            "take out what is not the table"
        )
    if "[Content_Types].xml" not in {part.filename for part in parts}:
        raise UnreadableTable("this is an archive, not a workbook: send CSV or XLSX")


def _sheet_lines(body: bytes, widest: int) -> Iterator[list[str]]:
    """The first sheet, row by row, up to a column beyond which every header is at fault."""
    import openpyxl  # noqa: PLC0415 - heavy, and most bodies are no workbooks

    book = openpyxl.load_workbook(io.BytesIO(body), read_only=True, keep_links=False)
    try:
        if not book.worksheets:
            raise UnreadableTable("this workbook has no sheet")
        sheet = book.worksheets[0]
        sheet.reset_dimensions()  # a million empty rows may be declared, and are not there
        # Values only: making an object of every cell costs as much as reading the sheet.
        rows = sheet.iter_rows(max_col=widest, values_only=True)
        for number, row in enumerate(rows, start=1):
            yield [_cell_text(value, index, number) for index, value in enumerate(row)]
    finally:
        book.close()


def _cell_text(value: Any, index: int, row: int) -> str:
    """What a cell says. Array formulas and tables of what-if come as objects of their own."""
    if value is None:
        return ""
    if isinstance(value, str):
        if value in _ERRORS:
            raise UnreadableTable(f"cell {cell_name(index, row)} shows the error {value}")
        return value
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return str(int(value))
    if isinstance(value, datetime) and value.time() == time():
        value = value.date()
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, int | float | timedelta):
        raise UnreadableTable(f"cell {cell_name(index, row)} is a formula: paste its value")
    return str(value)


def _rows(
    lines: Iterable[list[str]],
    columns: Sequence[str],
    required: Sequence[str],
    *,
    decimal_comma: bool,
) -> list[SheetRow]:
    found: list[SheetRow] = []
    header: list[str] | None = None
    empty = 0
    for number, line in enumerate(lines, start=1):
        cells = _stripped(line)
        if header is None:
            header = _checked_header(cells, columns, required)
        elif not cells:
            empty += 1
            if empty > EMPTY_ROWS_END:
                break
        else:
            empty = 0
            _check_row(cells, number, header)
            if len(found) == MOST_ROWS:
                raise UnreadableTable(f"the table has more than {MOST_ROWS} rows: send it in parts")
            found.append(SheetRow(number, dict(zip(header, cells, strict=False)), decimal_comma))
    if header is None:
        raise UnreadableTable("the table is empty")
    return found


def _stripped(line: list[str]) -> list[str]:
    """Cells without spaces around them, and without the empty ones at the end."""
    cells = [cell.strip() for cell in line]
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _name(cell: str) -> str:
    return "_".join(cell.strip().lower().split())


def _checked_header(cells: list[str], columns: Sequence[str], required: Sequence[str]) -> list[str]:
    names = [_name(cell) for cell in cells]
    if len(names) > MOST_COLUMNS:
        raise UnreadableTable(f"the header has more than {MOST_COLUMNS} columns")
    problems = [
        *(RowProblem(1, n[:40], "no column has this name") for n in names if n not in columns),
        *(RowProblem(1, n, "this column is missing") for n in required if n not in names),
        *(
            RowProblem(1, n, "this column is there twice")
            for n in dict.fromkeys(names)
            if n in columns and names.count(n) > 1
        ),
    ]
    if problems:
        first = problems[0]
        raise UnreadableTable(
            f"{first.column or 'a column without name'}: {first.reason}", problems
        )
    return names


def _check_row(cells: list[str], number: int, header: list[str]) -> None:
    if len(cells) > len(header):
        raise UnreadableTable(
            f"row {number} has {len(cells)} cells, the header {len(header)}",
            [RowProblem(number, cell_name(len(header), number), "stands beyond the header")],
        )
    for index, cell in enumerate(cells):
        if cell[:1] == "=":
            why = f"cell {cell_name(index, number)} is a formula: paste its value"
            raise UnreadableTable(why, [RowProblem(number, header[index], why)])
        if len(cell) > LONGEST_CELL:
            at = cell_name(index, number)
            raise UnreadableTable(f"cell {at} is longer than {LONGEST_CELL} characters")


def cell_name(index: int, row: int) -> str:
    """A cell as spreadsheets call it, from a column's index from 0 and a row from 1.

    >>> cell_name(0, 5), cell_name(27, 5)
    ('A5', 'AB5')
    """
    letters = ""
    index += 1
    while index:
        index, letter = divmod(index - 1, 26)
        letters = chr(65 + letter) + letters
    return f"{letters}{row}"


def empty_csv(columns: Sequence[str]) -> bytes:
    """A template: the header alone, with the mark by which spreadsheets know UTF-8."""
    return ("\ufeff" + ",".join(columns) + "\r\n").encode()


def empty_workbook(columns: Sequence[str], meanings: Sequence[str]) -> bytes:
    """A template as a workbook: the header on the first sheet, what it means on the second."""
    from openpyxl import Workbook  # noqa: PLC0415 - heavy, and seldom asked for
    from openpyxl.styles import Font  # noqa: PLC0415

    book = Workbook()
    sheet = book.active
    sheet.title = "Table"
    sheet.append(list(columns))
    sheet.freeze_panes = "A2"
    for cell in sheet[1]:
        cell.font = Font(bold=True)
        sheet.column_dimensions[cell.column_letter].width = max(12, len(str(cell.value)) + 3)
    about = book.create_sheet("Columns")
    about.append(["column", "what it holds"])
    for name, meaning in zip(columns, meanings, strict=True):
        about.append([name, meaning])
    about.column_dimensions["A"].width, about.column_dimensions["B"].width = 18, 90
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()
