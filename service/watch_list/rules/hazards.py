"""What a bad lot may do to those who ate of it, how long they are watched, and what shows it.

The figures are from common practice and from memory: each row says so.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from service.figures import number, table
from service.site.rules import Policy


class Hazard(StrEnum):
    """What is wrong with the fish."""

    HISTAMINE = "histamine"
    SPOILAGE = "spoilage"
    INFECTION = "infection"
    CLOSTRIDIUM = "clostridium"
    RANCIDITY = "rancidity"
    THIAMINE = "thiamine"
    VITAMIN_EXCESS = "vitamin_excess"
    RESIDUE = "residue"
    UNKNOWN = "unknown"


class Sign(StrEnum):
    """What somebody may see."""

    VOMITING = "vomiting"
    DIARRHOEA = "diarrhoea"
    OFF_FOOD = "off_food"
    LETHARGY = "lethargy"
    SKIN = "skin"
    BREATHING = "breathing"
    WEAKNESS = "weakness"
    INCOORDINATION = "incoordination"
    TREMOR = "tremor"
    SEIZURES = "seizures"
    THIRST = "thirst"
    DEAD = "dead"


CAUTIONS = (
    "The attending veterinarian decides: call at the first sign, do not wait for the next round.",
    "Animals hide being ill; no sign seen does not mean that an animal is well.",
    "Keep what is left of the lot, frozen and marked, for the laboratory; feed nothing of it.",
    "Signs and times are from common practice and memory, most of them seen in other species.",
)


@dataclass(frozen=True)
class HazardFacts:
    """One row of the table of hazards. hours, round_h: None where the site's own figure counts."""

    hazard: Hazard
    says: str
    tests: frozenset[str]
    hours: float | None
    round_h: float | None
    source: str
    note: str


@dataclass(frozen=True)
class SignFacts:
    """A sign of a hazard, when it shows as a rule, and where that is from."""

    hazard: Hazard
    sign: Sign
    says: str
    onset: str
    source: str
    note: str


@dataclass(frozen=True)
class Span:
    """How long after its last feed an animal is watched, and how often it is looked at.

    hours: 0 where no watch of days would show anything.
    """

    hours: float
    round_h: float


@lru_cache(maxsize=1)
def hazards() -> Mapping[Hazard, HazardFacts]:
    """The table of hazards."""
    return {
        Hazard(row["hazard"]): HazardFacts(
            Hazard(row["hazard"]),
            row["says"],
            frozenset(row["tests"].split(";")) - {""},
            number(row["hours"]),
            number(row["round_h"]),
            f"{row['source']} [{row['flag']}]",
            row["note"],
        )
        for row in table("watch_hazards")
    }


def hazard_of_test(test: str) -> Hazard:
    """What a failed test of a laboratory points at.

    >>> hazard_of_test("histamine"), hazard_of_test("mercury_total"), hazard_of_test("radium")
    (<Hazard.HISTAMINE: 'histamine'>, <Hazard.RESIDUE: 'residue'>, <Hazard.UNKNOWN: 'unknown'>)
    """
    found = (facts.hazard for facts in hazards().values() if test in facts.tests)
    return next(found, Hazard.UNKNOWN)


def signs_of(found: Iterable[Hazard]) -> list[SignFacts]:
    """What to look for after these hazards, in the table's order."""
    wanted = set(found)
    return [
        SignFacts(
            Hazard(row["hazard"]),
            Sign(row["sign"]),
            row["says"],
            row["onset"],
            f"{row['source']} [{row['flag']}]",
            row["note"],
        )
        for row in table("watch_signs")
        if row["hazard"] in wanted
    ]


def span_of(found: Iterable[Hazard], policy: Policy) -> Span:
    """The longest watch and the shortest rounds that any of these hazards asks for."""
    facts = [hazards()[hazard] for hazard in found]
    hours = [policy.watch_h if f.hours is None else f.hours for f in facts]
    rounds = [
        policy.watch_round_h if f.round_h is None else f.round_h
        for f, long in zip(facts, hours, strict=True)
        if long > 0
    ]
    return Span(max(hours), min(rounds, default=policy.watch_round_h))
