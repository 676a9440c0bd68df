"""Kinds of checks, and what each of them must say."""

from collections.abc import Iterator
from enum import StrEnum


class CheckKind(StrEnum):
    """What was measured or done."""

    CORE = "core"  # a thermometer in the fish
    AIR = "air"  # a thermometer held in the place
    ICE_POINT = "ice_point"  # a probe in melting ice


class Position(StrEnum):
    """Where in its stack a carton stands."""

    CORNER = "corner"
    MIDDLE = "middle"

    @property
    def words(self) -> str:
        """As somebody with a thermometer is told."""
        return {
            Position.CORNER: "an outer corner carton of the top layer",
            Position.MIDDLE: "a carton from the middle of the same stack",
        }[self]


NEEDED: dict[CheckKind, tuple[str, ...]] = {
    CheckKind.CORE: ("lot", "place", "temperature"),
    CheckKind.AIR: ("place", "temperature"),
    CheckKind.ICE_POINT: ("probe", "measured"),
}
POSSIBLE: dict[CheckKind, tuple[str, ...]] = {
    CheckKind.CORE: (*NEEDED[CheckKind.CORE], "parcel", "position", "carton", "excursion"),
    CheckKind.AIR: (*NEEDED[CheckKind.AIR], "excursion"),
    CheckKind.ICE_POINT: NEEDED[CheckKind.ICE_POINT],
}
ABOUT = tuple(dict.fromkeys(name for names in POSSIBLE.values() for name in names))


def complaints(kind: CheckKind, said: frozenset[str]) -> Iterator[str]:
    """What is missing of a check, and what does not belong to it.

    >>> list(complaints(CheckKind.AIR, frozenset({"place", "lot"})))
    ['an air check needs temperature', 'an air check has no lot']
    """
    name = f"{'a' if kind is CheckKind.CORE else 'an'} {kind.replace('_', ' ')} check"
    for field in NEEDED[kind]:
        if field not in said:
            yield f"{name} needs {field}"
    for field in ABOUT:
        if field in said and field not in POSSIBLE[kind]:
            yield f"{name} has no {field}"
