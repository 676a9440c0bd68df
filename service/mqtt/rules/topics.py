"""Topic filters with named levels: `kitchen/{probe}/temperature`.

Filters and matching as in the MQTT standard (OASIS MQTT 5.0 and 3.1.1, section 4.7);
a level in braces is a `+` whose text is kept under that name.
"""

import re
from dataclasses import dataclass
from typing import Self

_NAME = re.compile(r"\{([a-z][a-z0-9_]*)\}", re.ASCII)
LONGEST_TOPIC = 65_535  # bytes of UTF-8


@dataclass(frozen=True)
class TopicFilter:
    """A filter by its levels; named ones in braces."""

    levels: tuple[str, ...]

    @classmethod
    def parse(cls, said: str) -> Self:
        """Read a filter. Raises ValueError with what is wrong with it."""
        if not said or "\0" in said or len(said.encode()) > LONGEST_TOPIC:
            raise ValueError("a topic filter has 1 to 65535 bytes and no null character")
        levels = tuple(said.split("/"))
        for position, level in enumerate(levels):
            named = _NAME.fullmatch(level)
            if named is None and ("{" in level or "}" in level):
                raise ValueError(f"{level!r}: a named level is a whole level, such as {{probe}}")
            if "+" in level and level != "+":
                raise ValueError(f"{level!r}: + stands for a whole level")
            if "#" in level and (level != "#" or position != len(levels) - 1):
                raise ValueError(f"{level!r}: # stands alone, as the last level")
        names = [level for level in levels if _NAME.fullmatch(level)]
        if len(set(names)) != len(names):
            raise ValueError("two levels have the same name")
        return cls(levels)

    @property
    def names(self) -> frozenset[str]:
        """The names of its levels."""
        return frozenset(m.group(1) for level in self.levels if (m := _NAME.fullmatch(level)))

    @property
    def subscription(self) -> str:
        """The filter as the broker knows it."""
        return "/".join("+" if _NAME.fullmatch(level) else level for level in self.levels)

    def match(self, topic: str) -> dict[str, str] | None:
        """What the named levels are in this topic; None where it does not match.

        >>> TopicFilter.parse("kitchen/{probe}/temperature").match("kitchen/F1/temperature")
        {'probe': 'F1'}
        """
        given = topic.split("/")
        if given[0].startswith("$") and given[0] != self.levels[0]:
            return None  # a wildcard does not stand for the broker's own topics
        found: dict[str, str] = {}
        for position, level in enumerate(self.levels):
            if level == "#":
                return found
            if position >= len(given):
                return None
            named = _NAME.fullmatch(level)
            if named is not None:
                found[named.group(1)] = given[position]
            elif level not in ("+", given[position]):
                return None
        return found if len(given) == len(self.levels) else None
