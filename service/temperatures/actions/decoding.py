"""Readings from JSON, NDJSON or CSV: the good rows, and what is wrong with the others.

A body in which every row is well formed is decoded in one go; only one with a
bad row is gone through line by line.
"""

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from math import isfinite
from typing import Any

import msgspec

from service.errors import Invalid
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
_ROW = msgspec.json.Decoder(Row)
_RAW_ROWS = msgspec.json.Decoder(list[msgspec.Raw])


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
    _check_zones(decoded)
    if unit is not TemperatureUnit.C:
        for row in decoded.rows:
            row.temperature_c = to_celsius(row.temperature_c, unit)
    return decoded


def _check_zones(decoded: Decoded) -> None:
    if all(row.at.tzinfo is not None for row in decoded.rows):
        return
    kept = [(i, r) for i, r in zip(decoded.indices, decoded.rows, strict=True) if r.at.tzinfo]
    for index in set(decoded.indices) - {i for i, _ in kept}:
        decoded.rejected[index] = "at: the instant has no time zone"
    decoded.indices, decoded.rows = [i for i, _ in kept], [r for _, r in kept]


def _from_json(body: bytes) -> Decoded:
    try:
        rows = _ROWS.decode(body)
    except msgspec.DecodeError:
        return _json_row_by_row(body)
    return Decoded(list(range(len(rows))), rows)


def _json_row_by_row(body: bytes) -> Decoded:
    try:
        raw = _RAW_ROWS.decode(body)
    except msgspec.DecodeError as error:
        raise Invalid(f"this is not a JSON list of readings: {error}") from error
    return _each(enumerate(bytes(item) for item in raw))


def _from_lines(body: bytes) -> Decoded:
    try:
        rows = _ROWS.decode(b"[" + b",".join(body.splitlines()) + b"]")
        if len(rows) == len(body.splitlines()):
            return Decoded(list(range(len(rows))), rows)
    except msgspec.DecodeError:
        pass
    lines = (line for line in body.splitlines() if line.strip())
    return _each(enumerate(lines))


def _each(items: Iterator[tuple[int, bytes]]) -> Decoded:
    decoded = Decoded()
    for index, item in items:
        try:
            row = _ROW.decode(item)
        except msgspec.DecodeError as error:
            decoded.rejected[index] = _plain(error)
        else:
            decoded.indices.append(index)
            decoded.rows.append(row)
    return decoded


def _plain(error: Exception) -> str:
    return str(error).replace("`", "'").replace("Object", "the row")


def _from_csv(body: bytes) -> Decoded:
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise Invalid(f"the table is not UTF-8: byte {error.start}") from error
    lines = csv.reader(io.StringIO(text))
    header = [name.strip() for name in next(lines, [])]
    if header != COLUMNS:
        raise Invalid.at("header", f"the first line must be {','.join(COLUMNS)}")
    decoded = Decoded()
    try:
        for index, cells in enumerate(line for line in lines if line):
            _take_cells(decoded, index, cells)
    except csv.Error as error:
        raise Invalid(f"line {lines.line_num} is not CSV: {error}") from error
    return decoded


def _take_cells(decoded: Decoded, index: int, cells: list[str]) -> None:
    if len(cells) != len(COLUMNS):
        decoded.rejected[index] = f"{len(cells)} cells instead of {len(COLUMNS)}"
        return
    try:
        row = _convert(cells)
    except (ValueError, msgspec.ValidationError) as error:
        decoded.rejected[index] = _plain(error)
    else:
        decoded.indices.append(index)
        decoded.rows.append(row)


def _convert(cells: list[str]) -> Row:
    temperature = float(cells[2])
    if not isfinite(temperature):
        raise ValueError("temperature_c: not a finite number")
    at: Any = msgspec.convert(cells[1].strip(), datetime)
    return Row(cells[0].strip(), at, temperature)
