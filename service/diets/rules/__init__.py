"""How much fish a diet comes to, when it is fed, what may stand in for it, what is unusual."""

from enum import StrEnum


class AmountBy(StrEnum):
    """What the amount of a diet says.

    Mass: grams a day. Percent: of body mass a day. Energy: kcal a day. Basal: times
    Kleiber's basal rate. Share: mass share of the diet's total.
    """

    MASS = "mass"
    PERCENT = "percent_of_body_mass"
    ENERGY = "energy_kcal"
    BASAL = "times_basal"
    SHARE = "share"


class AmountsFor(StrEnum):
    """Whether the amounts of a group's diet are for each animal present, or for all together."""

    ANIMAL = "animal"
    GROUP = "group"


class DietStatus(StrEnum):
    """Whether a diet counts: a proposal waits for somebody who may decide."""

    PROPOSED = "proposed"
    APPROVED = "approved"
    REFUSED = "refused"


class FeedKind(StrEnum):
    """What a feed is for. All of them count in the day's ration."""

    MEAL = "meal"
    TRAINING = "training"
    MEDICAL = "medical"
    ENRICHMENT = "enrichment"
    PUBLIC = "public"
