"""Groups and sexes of animals."""

from enum import StrEnum


class Group(StrEnum):
    """What kind of fish-eating animal it is."""

    PINNIPED = "pinniped"
    CETACEAN = "cetacean"
    PENGUIN = "penguin"
    OTTER = "otter"
    SEABIRD = "seabird"
    OTHER = "other"


class Sex(StrEnum):
    """Of an animal, as far as known."""

    FEMALE = "female"
    MALE = "male"
    UNKNOWN = "unknown"
