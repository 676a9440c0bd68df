"""A record on paper and as a table: words come in as data, never as source."""

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

from service.http.tables import FORMULA_STARTS
from service.supplement_sheets.rules import breakable

MOST_ROWS = 1500  # twenty to forty pages, and half a second to draw


@dataclass(frozen=True)
class Column:
    """A column of a record. wide: it takes what the others leave. number: set to the right."""

    name: str
    wide: bool = False
    number: bool = False


@dataclass(frozen=True)
class Row:
    """A line of a record. marked: something in it was not as it should be, and it says so."""

    cells: Sequence[str]
    marked: bool = False


@dataclass(frozen=True)
class Record:
    """A record: what it is of, its lines, and what is to be known to read it."""

    title: str
    about: Sequence[str]
    columns: Sequence[Column]
    rows: Sequence[Row]
    notes: Sequence[str] = field(default_factory=tuple)


def paper(record: Record, made: str) -> bytes:
    """The record as a PDF; `made` says who made it and when. Cost: a third of a millisecond
    a line."""
    import typst  # noqa: PLC0415 - heavy, and only for paper

    source = files("service").joinpath("pages", "data", "record.typ").read_bytes()
    drawn: bytes | list[bytes] = typst.compile(
        source,
        format="pdf",
        ignore_system_fonts=True,
        pdf_tags=False,  # it is printed; whoever has it read aloud takes the table
        sys_inputs={"record": json.dumps(_words(record, made))},
    )
    return drawn[0] if isinstance(drawn, list) else drawn


def _words(record: Record, made: str) -> dict[str, Any]:
    return {
        "title": record.title,
        "about": [breakable(line) for line in record.about],
        "made": breakable(made),
        "nothing": "Nothing was recorded in this time.",
        "columns": [
            {"name": each.name, "wide": each.wide, "number": each.number} for each in record.columns
        ],
        "rows": [
            {"cells": [breakable(cell) for cell in row.cells], "marked": row.marked}
            for row in record.rows
        ],
        "notes": [breakable(note) for note in record.notes],
    }


def table(record: Record) -> str:
    """The same lines as CSV. No cell is run by a spreadsheet as a formula."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow([each.name for each in record.columns])
    for row in record.rows:
        writer.writerow(
            [_cell(cell, each) for cell, each in zip(row.cells, record.columns, strict=True)]
        )
    return text.getvalue()


def _cell(cell: str, column: Column) -> str:
    """Numbers stay numbers: theirs is the only minus sign that is left alone."""
    if column.number:
        return cell.replace("−", "-")
    return f"'{cell}" if cell.startswith(FORMULA_STARTS) else cell
