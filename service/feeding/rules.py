"""How an animal ate."""

from enum import StrEnum


class Appetite(StrEnum):
    """As the keeper saw it."""

    NORMAL = "normal"
    REDUCED = "reduced"
    NONE = "none"
