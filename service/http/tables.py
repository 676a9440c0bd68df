"""The same rows as CSV, for `Accept: text/csv`."""

import csv
import io
import json
from typing import Any

from fastapi.responses import Response

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def wants_csv(accept: str) -> bool:
    """Whether the first choice of an Accept header is a table."""
    return accept.split(",", maxsplit=1)[0].split(";", maxsplit=1)[0].strip().lower() == "text/csv"


def as_csv(answer: Response) -> Response:
    """A list answer as a table; nested values become columns `mass.g`.

    Any other answer is given back unchanged.
    """
    if not answer.headers.get("content-type", "").startswith("application/json"):
        return answer  # a file already
    if answer.media_type != "application/json":
        return answer
    document = json.loads(bytes(answer.body))
    if not isinstance(document, dict) or not isinstance(document.get("items"), list):
        return answer
    rows = [_flat(item) for item in document["items"]]
    columns = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, restval="", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    headers = {"X-Next-Cursor": document["next"]} if document.get("next") else None
    return Response(text.getvalue(), answer.status_code, headers, "text/csv; charset=utf-8")


def _flat(item: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    row: dict[str, Any] = {}
    for name, value in item.items():
        if isinstance(value, dict):
            row |= _flat(value, f"{prefix}{name}.")
        else:
            row[prefix + name] = _cell(value)
    return row


def _cell(value: Any) -> Any:
    if isinstance(value, list):
        return json.dumps(value)
    if isinstance(value, str) and value.startswith(FORMULA_STARTS):
        return "'" + value  # a spreadsheet must not run what somebody typed as a name
    return value
