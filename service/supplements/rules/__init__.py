"""What requirements and plans are made of."""

from enum import StrEnum

CAUTIONS = (
    "The attending veterinarian decides; this calculates, a person signs.",
    "Give each piece by hand to the named animal and watch it swallowed; a spat piece is recorded "
    "as not given and never given again by itself.",
)


class Mode(StrEnum):
    """On top of the fish, or fish and supplement together."""

    ADDED = "added"
    TOTAL = "total"


class Per(StrEnum):
    """What a requirement is per."""

    KG_FOOD = "kg_food"
    ANIMAL_DAY = "animal_day"
    KG_BODY_MASS = "kg_body_mass"


class Scope(StrEnum):
    """Whom a requirement is for; the later the more specific."""

    CATALOGUE = "catalogue"
    SITE = "site"
    GROUP = "group"
    ANIMAL = "animal"


class LimitOn(StrEnum):
    """What a limit counts."""

    TOTAL = "total"
    ADDED = "added"


class PlanBasis(StrEnum):
    """Whether a plan is for what an animal is to get, or for what it ate."""

    DIET = "diet"
    FEEDS = "feeds"


class PlanStatus(StrEnum):
    """Where a plan stands."""

    PROPOSED = "proposed"
    SIGNED = "signed"
