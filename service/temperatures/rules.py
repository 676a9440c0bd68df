"""Probes, the rates that are integrated, and what counts as an excursion."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache, partial

import numpy as np

from service.catalogue.rules import life_profiles
from service.science.arrays import Array, Indices
from service.science.exposure import RateTable
from service.science.kinetics import arrhenius_factor
from service.science.storage_life import LifeProfile, life_rate_per_day

KINETICS_VERSION = 1  # of the list of rates below; a change rebuilds the hours
MEASURES_AIR_FIRST = ("air", "water", "product", "core")


class ProbeKind(StrEnum):
    """What a thermometer is in."""

    AIR = "air"
    PRODUCT = "product"
    CORE = "core"
    WATER = "water"


class ExcursionKind(StrEnum):
    """Why a place counts as not known to be cold."""

    WARM = "warm"
    SILENT = "silent"


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


@dataclass(frozen=True)
class WarmRun:
    """A time in which every reading was warmer than the limit. `ended_at_s` None: still warm."""

    from_s: int
    ended_at_s: int | None
    peak_c: float


def warm_runs(at_s: Indices, temperature_c: Array, limit_c: float) -> Sequence[WarmRun]:
    """Runs of readings warmer than a limit, each until the first reading that is not.

    >>> warm_runs(np.array([0, 60, 120]), np.array([-20.0, -10.0, -19.0]), -18.0)
    [WarmRun(from_s=60, ended_at_s=120, peak_c=-10.0)]
    """
    # A reading is stored in hundredths of a degree: compare at that precision, so
    # that 0 °F (-17.777… °C) passes a limit of 0 °F.
    warm = np.round(temperature_c * 100) > np.round(limit_c * 100 + 1e-9)
    change = np.diff(warm.astype(np.int8), prepend=0)
    runs = []
    for start in np.flatnonzero(change == 1):
        after = np.flatnonzero(change[start:] == -1)
        end = start + int(after[0]) if after.size else None
        peak = float(temperature_c[start:end].max())
        runs.append(WarmRun(int(at_s[start]), None if end is None else int(at_s[end]), peak))
    return runs
