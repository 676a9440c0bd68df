"""Which messages are readings, and where in them what stands: the mapping file.

A file in TOML or JSON with one entry for each kind of message. What cannot be meant
is refused at the start, by entry and field; unknown fields are refused too.
"""

import json
import re
import tomllib
from enum import StrEnum
from functools import cached_property
from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from service.mqtt.rules.topics import TopicFilter

Path = Annotated[str, Field(pattern=r"^[^.]+(\.[^.]+)*$|^$")]


class MessageUnit(StrEnum):
    """What a temperature is measured in."""

    C = "c"
    F = "f"
    K = "k"


class TimeFormat(StrEnum):
    """How an instant is written."""

    ISO = "iso"  # ISO 8601 with its zone
    ISO_UTC = "iso-utc"  # ISO 8601; without zone it is UTC
    EPOCH_S = "epoch-s"
    EPOCH_MS = "epoch-ms"


class Entry(BaseModel):
    """One kind of message. Paths name fields within JSON: `values.temp`, `samples.0.t`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    topic: str
    temperature: Path | None = None  # none: the payload is the number
    unit: MessageUnit = MessageUnit.C
    samples: Path | None = None  # a list; the other paths are then within each of its items
    time: Path | None = None  # none: the instant of arrival
    time_format: TimeFormat = TimeFormat.ISO
    probe: str = "{probe}"
    probe_field: Path | None = None
    probes: dict[str, str] = Field(default_factory=dict)  # what the message says: our code

    @cached_property
    def filter(self) -> TopicFilter:
        """The topics that it is about."""
        return TopicFilter.parse(self.topic)

    @property
    def quality(self) -> int:
        """1, at least once. 0 where a message does not say when it was measured: one that waited
        in the broker's queue would be taken for a reading of now."""
        return 0 if self.time is None else 1

    @model_validator(mode="before")
    @classmethod
    def _topic_is_a_filter(cls, given: Any) -> Any:
        if isinstance(given, dict) and isinstance(given.get("topic"), str):
            TopicFilter.parse(given["topic"])
        return given

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        for name in ("samples", "time", "probe_field"):
            if self.temperature is None and getattr(self, name) is not None:
                raise ValueError(f"{name}: needs `temperature`, the path of the value in JSON")
        if "time_format" in self.model_fields_set and self.time is None:
            raise ValueError("time_format: needs `time`, the path of the instant in JSON")
        if self.probe_field is not None and "probe" in self.model_fields_set:
            raise ValueError("probe: give `probe` or `probe_field`, not both")
        unknown = set(re.findall(r"\{([^}]*)\}", self.probe)) - self.filter.names
        if self.probe_field is None and unknown:
            raise ValueError(f"probe: the topic has no level named {{{sorted(unknown)[0]}}}")
        return self


class Mapping(BaseModel):
    """All kinds of messages; the first whose topic matches is taken."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    entries: tuple[Entry, ...] = Field(min_length=1)

    def entry_for(self, topic: str) -> tuple[Entry, dict[str, str]] | None:
        """The entry for a topic, and what its named levels are."""
        for entry in self.entries:
            found = entry.filter.match(topic)
            if found is not None:
                return entry, found
        return None

    def subscriptions(self) -> list[tuple[str, int]]:
        """Filters and qualities of service, as the broker is asked for them."""
        wanted: dict[str, int] = {}
        for entry in self.entries:
            wanted.setdefault(entry.filter.subscription, entry.quality)
        return list(wanted.items())


def parse_mapping(text: str, *, toml: bool) -> Mapping:
    """A mapping from the text of its file. Raises ValueError naming entry and field."""
    try:
        given = tomllib.loads(text) if toml else json.loads(text)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"this is not {'TOML' if toml else 'JSON'}: {error}") from error
    try:
        return Mapping.model_validate(given)
    except ValidationError as error:
        raise ValueError("; ".join(_sentence(e, given) for e in error.errors())) from error


def _sentence(error: Any, given: Any) -> str:
    """`entry 2 (kitchen/{probe}): unit: input should be 'c', 'f' or 'k'`."""
    place, message = error["loc"], error["msg"].removeprefix("Value error, ")
    if len(place) < 2 or place[0] != "entries":
        return ": ".join([*(str(part) for part in place), message])
    entry = given["entries"][place[1]]
    topic = entry.get("topic") if isinstance(entry, dict) else None
    named = f"entry {place[1] + 1}" + (f" ({topic})" if isinstance(topic, str) else "")
    return ": ".join([named, *(str(part) for part in place[2:]), message])
