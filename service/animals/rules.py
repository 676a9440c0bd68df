"""Groups, sexes and stages of animals."""

from enum import StrEnum


class Group(StrEnum):
    """What kind of fish-eating animal it is."""

    PINNIPED = "pinniped"
    CETACEAN = "cetacean"
    PENGUIN = "penguin"
    OTTER = "otter"
    SEABIRD = "seabird"
    OTHER = "other"


class Water(StrEnum):
    """What water an animal is kept in."""

    SEA = "sea"
    FRESH = "fresh"


class Sex(StrEnum):
    """Of an animal, as far as known."""

    FEMALE = "female"
    MALE = "male"
    UNKNOWN = "unknown"


class Stage(StrEnum):
    """Stages of life in which an animal eats otherwise than usual.

    Rutting: a male that holds a territory. Nesting: courtship to the end of
    incubation. Convalescent: on its way back from an illness.
    """

    NURSING = "nursing"
    WEANING = "weaning"
    PREGNANT = "pregnant"
    BIRTHING = "birthing"
    LACTATING = "lactating"
    MOULTING = "moulting"
    RUTTING = "rutting"
    NESTING = "nesting"
    CONVALESCENT = "convalescent"


NO_FISH = frozenset({Stage.NURSING})
"""A pup that is only nursed gets no fish; from weaning on it does."""
