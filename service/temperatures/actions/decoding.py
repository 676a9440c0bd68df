"""Readings from JSON, NDJSON or CSV: the good rows, and what is wrong with the others.

A body in which every row is well formed is decoded in one go; only one with a
bad row is gone through line by line.
"""

import csv
import io
import json
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from math import inf, isfinite
from typing import Any

import msgspec

from service.errors import Invalid
from service.http.bodies import UNSTORABLE, storable
from service.quantities import TemperatureUnit, to_celsius

COLUMNS = ["probe", "at", "temperature_c"]


class Row(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """One reading as it is sent. The instant must carry its zone."""

    probe: str
    at: datetime
    temperature_c: float


@dataclass
class Decoded:
    """Rows that are well formed, by their index, and the reasons of the others."""

    indices: list[int] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    rejected: dict[int, str] = field(default_factory=dict)


_ROWS = msgspec.json.Decoder(list[Row])
# Bytes that are not UTF-8 and nesting deeper than Python's stack are no
# DecodeError to msgspec.
_UNREADABLE = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)
_NUMBER = re.compile(r"[+-]?\d+(\.\d*)?([eE][+-]?\d+)?", re.ASCII)
_LONGEST_REASON = 200


def decode(body: bytes, content_type: str, unit: TemperatureUnit) -> Decoded:
    """The rows of a body by its content type; temperatures in °C afterwards.

    Raises Invalid if the body as a whole cannot be read or its type is unknown.
    """
    kind = content_type.split(";", maxsplit=1)[0].strip().lower()
    readers = {
        "": _from_json,
        "application/json": _from_json,
        "application/x-ndjson": _from_lines,
        "application/ndjson": _from_lines,
        "text/csv": _from_csv,
    }
    if kind not in readers:
        raise Invalid.at("Content-Type", "send application/json, application/x-ndjson or text/csv")
    decoded = readers[kind](body)
    _reject(decoded, lambda row: row.at.tzinfo is not None, "at: the instant has no time zone")
    _reject(decoded, _is_storable(decoded), f"probe: {UNSTORABLE}")
    if unit is not TemperatureUnit.C:
        for row in decoded.rows:
            row.temperature_c = to_celsius(row.temperature_c, unit)
    return decoded


def _is_storable(decoded: Decoded) -> Callable[[Row], bool]:
    unfit = {probe for probe in {row.probe for row in decoded.rows} if not storable(probe)}
    return lambda row: row.probe not in unfit


def _reject(decoded: Decoded, fits: Callable[[Row], bool], reason: str) -> None:
    if all(map(fits, decoded.rows)):
        return
    pairs = list(zip(decoded.indices, decoded.rows, strict=True))
    decoded.rejected |= {index: reason for index, row in pairs if not fits(row)}
    kept = [(index, row) for index, row in pairs if fits(row)]
    decoded.indices, decoded.rows = [i for i, _ in kept], [r for _, r in kept]


def _from_json(body: bytes) -> Decoded:
    try:
        rows = _ROWS.decode(body)
    except _UNREADABLE:
        return _each(_json_items(body), _converted)
    return Decoded(list(range(len(rows))), rows)


def _json_items(body: bytes) -> list[Any]:
    """The rows of a JSON list, whatever they are.

    Python's own decoder: it takes NaN and Infinity, which are not JSON but which
    loggers send, so that one such row does not lose all the others.
    """
    try:
        items = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise Invalid.at("body", f"this is not a JSON list of readings: {error}") from error
    if not isinstance(items, list):
        raise Invalid.at("body", "this is not a JSON list of readings")
    return items


def _from_lines(body: bytes) -> Decoded:
    lines = [line for line in body.splitlines() if line.strip()]
    try:
        rows = _ROWS.decode(b"[" + b",".join(lines) + b"]")
        if len(rows) == len(lines):  # else one line held several
            return Decoded(list(range(len(rows))), rows)
    except _UNREADABLE:
        pass
    return _each(lines, lambda line: _converted(json.loads(line)))


def _each(items: Iterable[Any], read: Callable[[Any], Row]) -> Decoded:
    """The rows that can be read one by one, and why the others cannot."""
    decoded = Decoded()
    for index, item in enumerate(items):
        try:
            row = read(item)
        except (ValueError, RecursionError, csv.Error) as error:  # msgspec's own are ValueErrors
            decoded.rejected[index] = _plain(error)
        else:
            decoded.indices.append(index)
            decoded.rows.append(row)
    return decoded


def _converted(item: Any) -> Row:
    row = msgspec.convert(item, Row)
    if not isfinite(row.temperature_c):
        raise ValueError("temperature_c: not a finite number")
    return row


def _plain(error: Exception) -> str:
    said = str(error).replace("`", "'").replace("Object", "the row")
    return said[:_LONGEST_REASON] or "this cannot be read"


def _from_csv(body: bytes) -> Decoded:
    """One row a line. A line is read for itself: an open quote does not swallow those after it."""
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise Invalid.at("body", f"the table is not UTF-8: byte {error.start}") from error
    lines = [line for line in io.StringIO(text, newline=None) if line.strip()]
    header = [name.strip() for name in next(csv.reader(lines[:1]), [])]
    if header != COLUMNS:
        raise Invalid.at("header", f"the first line must be {','.join(COLUMNS)}")
    return _each(lines[1:], _row_of_line)


def _row_of_line(line: str) -> Row:
    cells = next(csv.reader([line], strict=True)) if '"' in line else line.split(",")
    if len(cells) != len(COLUMNS):
        raise ValueError(f"{len(cells)} cells instead of {len(COLUMNS)}")
    said = cells[2].strip()
    temperature_c = float(said) if _NUMBER.fullmatch(said) else inf
    if not isfinite(temperature_c):
        raise ValueError(f"temperature_c: {said!r} is not a finite number")
    at: Any = msgspec.convert(cells[1].strip(), datetime)
    return Row(cells[0].strip(), at, temperature_c)
