"""Tables that are sent to be stored: what is wrong is named by row and column."""

from collections.abc import Sequence
from typing import Any

from fastapi.responses import Response

from service.errors import FieldError, Invalid
from service.spreadsheets import (
    MOST_PROBLEMS,
    RowProblem,
    SheetRow,
    UnreadableTable,
    empty_csv,
    empty_workbook,
    read_table,
)

CSV = "text/csv"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

TABLE_BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            CSV: {"schema": {"type": "string"}},
            XLSX: {"schema": {"type": "string", "format": "binary"}},
        },
    }
}
"""What a route that takes a table says of its body."""

FILE_ANSWER: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The empty table.",
        "content": {
            CSV: {"schema": {"type": "string"}},
            XLSX: {"schema": {"type": "string", "format": "binary"}},
        },
    }
}
"""What a route that gives a template says of its answer."""


def table_of(
    body: bytes, *, columns: Sequence[str], required: Sequence[str] = ()
) -> list[SheetRow]:
    """The rows of a body, CSV or XLSX by its content. Raises Invalid naming rows and columns."""
    try:
        rows = read_table(body, columns=columns, required=required)
    except UnreadableTable as error:
        if error.problems:
            raise rows_at_fault(error.problems) from error
        raise Invalid.at("body", str(error)) from error
    if not rows:
        raise Invalid.at("body", "the table has no rows")
    return rows


def rows_at_fault(problems: Sequence[RowProblem]) -> Invalid:
    """The refusal of a table: every row at fault, with its column and the reason.

    More than a few hundred are counted and not listed.
    """
    shown = sorted(problems, key=lambda p: p.row)[:MOST_PROBLEMS]
    first = shown[0]
    more = f" and {len(problems) - 1} more" if len(problems) > 1 else ""
    return Invalid(
        f"row {first.row}, {first.column}: {first.reason}{more}; nothing was stored",
        errors=[FieldError(f"rows.{p.row}.{p.column}", p.reason) for p in shown],
        extra={
            "rows": [{"row": p.row, "column": p.column, "reason": p.reason} for p in shown],
            "rows_at_fault": len({p.row for p in problems}),
        },
    )


def template(name: str, kind: str, columns: Sequence[tuple[str, str]]) -> Response:
    """An empty table to fill in, "csv" or "xlsx"; columns with what each holds."""
    names = [column for column, _ in columns]
    if kind == "xlsx":
        content, media = empty_workbook(names, [meaning for _, meaning in columns]), XLSX
    else:
        content, media = empty_csv(names), CSV
    headers = {"Content-Disposition": f'attachment; filename="{name}.{kind}"'}
    return Response(content, headers=headers, media_type=media)
