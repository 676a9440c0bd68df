"""The rates that are integrated over every hour."""

from functools import lru_cache, partial

from service.catalogue.rules import life_profiles
from service.science.exposure import RateTable
from service.science.kinetics import arrhenius_factor
from service.science.storage_life import LifeProfile, life_rate_per_day

KINETICS_VERSION = 1  # of the list of rates below; a change rebuilds the hours


@lru_cache(maxsize=1)
def rate_tables() -> tuple[RateTable, ...]:
    """The rates integrated over every hour: life used per profile, then vitamin loss."""
    lives = [RateTable(partial(life_rate_per_day, profile)) for profile in life_profiles()]
    return (*lives, RateTable(arrhenius_factor))


def life_column(profile: LifeProfile) -> int:
    """Which of the rates is this profile's."""
    return life_profiles().index(profile)


def vitamin_column() -> int:
    """Which of the rates is the loss of vitamins."""
    return len(life_profiles())
