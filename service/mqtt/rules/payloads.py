"""Readings out of a message, and what is wrong with those that cannot be read."""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import Any

from service.mqtt.rules.mapping import Entry, MessageUnit, TimeFormat
from service.quantities import TemperatureUnit, to_celsius

LONGEST_PAYLOAD = 262_144  # bytes
LONGEST_PROBE = 200
KELVIN = 273.15
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NUMBER = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*", re.ASCII)
_SURROGATE = re.compile("[\ud800-\udfff\0]")


@dataclass(frozen=True)
class Sample:
    """One reading as a message says it."""

    probe: str
    at: datetime
    temperature_c: float


@dataclass
class Readout:
    """The readings of one message, and why others are none."""

    samples: list[Sample] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


def read_out(
    entry: Entry, levels: Mapping[str, str], payload: bytes, *, arrived_at: datetime | None
) -> Readout:
    """The readings of a message. Never raises, whatever the payload holds.

    arrived_at : when it came; None if it may be of any age, as a retained message is.
    """
    out = Readout()
    if len(payload) > LONGEST_PAYLOAD:
        out.problems.append(f"{len(payload)} bytes; at most {LONGEST_PAYLOAD} are read")
        return out
    try:
        document, items = _items(entry, payload)
    except (ValueError, RecursionError) as error:
        out.problems.append(_plain(error))
        return out
    for item in items:
        try:
            out.samples.append(_sample(entry, levels, document, item, arrived_at))
        except (ValueError, OverflowError, RecursionError) as error:
            out.problems.append(_plain(error))
    return out


def _items(entry: Entry, payload: bytes) -> tuple[Any, list[Any]]:
    """The payload, and what in it is one reading each."""
    if entry.temperature is None:
        return None, [payload.decode("ascii", errors="replace")]
    document = json.loads(payload)
    if entry.samples is None:
        return document, [document]
    items = _at(document, entry.samples)
    if not isinstance(items, list):
        raise ValueError(f"{entry.samples or 'the payload'} is no list of samples")
    return document, items


def _sample(
    entry: Entry,
    levels: Mapping[str, str],
    document: Any,
    item: Any,
    arrived_at: datetime | None,
) -> Sample:
    if entry.temperature is None:
        value = _number(item, "the payload")
    else:
        value = _number(_found(document, item, entry.temperature), entry.temperature)
    at = arrived_at
    if entry.time is not None:
        at = _instant(_found(document, item, entry.time), entry)
    if at is None:
        raise ValueError("a retained message without an instant may be of any age")
    return Sample(_probe(entry, levels, document, item), at, _celsius(value, entry.unit))


def _probe(entry: Entry, levels: Mapping[str, str], document: Any, item: Any) -> str:
    if entry.probe_field is None:
        said = entry.probe
        for name, text in levels.items():
            said = said.replace(f"{{{name}}}", text)
    else:
        found = _found(document, item, entry.probe_field)
        if isinstance(found, bool) or not isinstance(found, str | int):
            raise ValueError(f"{entry.probe_field}: no name of a probe")
        said = str(found)
    code = entry.probes.get(said, said).strip()
    if not 0 < len(code) <= LONGEST_PROBE or _SURROGATE.search(code):
        raise ValueError("the name of the probe cannot be stored")
    return code


_MISSING = object()


def _found(document: Any, item: Any, path: str) -> Any:
    """What a sample says at a path; what it lacks is taken from the message around it."""
    for where in (item, document):
        found = _at(where, path, _MISSING)
        if found is not _MISSING:
            return found
    raise ValueError(f"{path}: not in the message")


def _at(document: Any, path: str, default: Any = None) -> Any:
    for step in _steps(path):
        if isinstance(document, dict) and step in document:
            document = document[step]
        elif isinstance(document, list) and step.isdecimal() and int(step) < len(document):
            document = document[int(step)]
        else:
            return default
    return document


def _steps(path: str) -> Iterator[str]:
    return iter(path.split(".") if path else ())


def _number(said: Any, where: str) -> float:
    """A finite number, or text that is one."""
    if isinstance(said, str) and _NUMBER.fullmatch(said):
        said = float(said)
    if isinstance(said, bool) or not isinstance(said, int | float) or not isfinite(said):
        raise ValueError(f"{where}: {str(said)[:40]!r} is not a finite number")
    return float(said)


def _instant(said: Any, entry: Entry) -> datetime:
    where = entry.time or "time"
    if entry.time_format in (TimeFormat.EPOCH_S, TimeFormat.EPOCH_MS):
        seconds = _number(said, where)
        if entry.time_format is TimeFormat.EPOCH_MS:
            seconds /= 1000
        return EPOCH + timedelta(seconds=seconds)
    if not isinstance(said, str):
        raise ValueError(f"{where}: {str(said)[:40]!r} is no ISO 8601 instant")
    at = datetime.fromisoformat(said.strip())
    if at.tzinfo is None:
        if entry.time_format is not TimeFormat.ISO_UTC:
            raise ValueError(f"{where}: the instant has no time zone")
        at = at.replace(tzinfo=UTC)
    return at.astimezone(UTC)


def _celsius(value: float, unit: MessageUnit) -> float:
    if unit is MessageUnit.K:
        return value - KELVIN
    return to_celsius(value, TemperatureUnit(unit.value))


def _plain(error: Exception) -> str:
    return str(error)[:200] or "this cannot be read"
