"""Codes of our own labels: their shapes, and whether they were read right."""

import re
from enum import StrEnum

from service.lots.rules import check_character, check_holds


class OwnKind(StrEnum):
    """What a label of our own is on."""

    LOT = "lot"
    THAW_BATCH = "thaw_batch"
    BUCKET = "bucket"
    SHEET = "fallback_sheet"


# Species, day of receipt, two letters; T, day of the pull, three letters; B, day of the feed,
# three letters; S, day of the feeds, two letters; each with its check character.
_SHAPES = {
    OwnKind.LOT: re.compile(r"[A-Z]{3}\d{6}[A-Z]{2}[0-9A-Z]", re.ASCII),
    OwnKind.THAW_BATCH: re.compile(r"T\d{6}[A-Z]{3}[0-9A-Z]", re.ASCII),
    OwnKind.BUCKET: re.compile(r"B\d{6}[A-Z]{3}[0-9A-Z]", re.ASCII),
    OwnKind.SHEET: re.compile(r"S\d{6}[A-Z]{2}[0-9A-Z]", re.ASCII),
}


def own_kind(code: str) -> OwnKind | None:
    """What a code in upper case would be on, by its shape; None: not one of ours.

    >>> own_kind("HER261125AAN"), own_kind("T261125AAAU"), own_kind("A77")
    (<OwnKind.LOT: 'lot'>, <OwnKind.THAW_BATCH: 'thaw_batch'>, None)
    """
    return next((kind for kind, shape in _SHAPES.items() if shape.fullmatch(code)), None)


def check_own(code: str) -> None:
    """Raise ValueError for a code of ours in which a character was read wrong."""
    if not check_holds(code):
        right = check_character(code[:-1])
        raise ValueError(
            f"{code} looks like one of our codes, but a character was read wrong: "
            f"{code[:-1]} would end in {right}"
        )
