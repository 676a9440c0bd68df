"""How many cartons are opened, and which.

How many. Routine: the policy's number of cartons (three), doubled for each failed
inspection (held or rejected) among the supplier's last ones that the policy looks back
at, but not beyond the sample of CXS 233 at level I. A new supplier: level I. A dispute:
level II. Never more than there are.

Accepted is the standard's number of defectives only where the standard's sample is opened
in full; of any smaller sample no carton may be defective. That is our own rule, on the
safe side: three clean cartons say little (1 - 0.05^(1/3): up to 63 % defectives are left
open at 95 % confidence).

Which. Drawn by hash, so that anybody can draw them again: number k = 0, 1, 2 … of the
drawing is SHA-256 of the text "{key}/{k}" in UTF-8, its first 8 bytes read as a whole
number, most significant byte first. A number u serves to choose one of m cartons if it is
below the largest multiple of m that is not above 2^64, and chooses u mod m; else the next
is taken. Chosen cartons are taken out by the shuffle of Fisher and Yates: in step i
(from 0) the carton at i + (u mod (n - i)) changes places with the one at i. The key holds
delivery, inspection, lot and a secret drawn when the inspection was opened: the supplier
cannot know it, and afterwards it is shown.
"""

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from itertools import count
from math import inf

from service.figures import number, table
from service.inspections.rules.checklist import Purpose
from service.science.sampling import PlanRow, plan_for
from service.site.rules import Policy

STANDARD = "cxs233"
LEVEL = {Purpose.ROUTINE: "I", Purpose.NEW_SUPPLIER: "I", Purpose.DISPUTE: "II"}
_SPAN = 2**64


class Third(StrEnum):
    """Where in a load a carton stands, counted from the front."""

    FRONT = "front"
    MIDDLE = "middle"
    BACK = "back"


@dataclass(frozen=True)
class Load:
    """Cartons of one lot, numbered from 1 at the front of the load."""

    cartons: int
    carton_g: int


@dataclass(frozen=True)
class Sample:
    """So many cartons are opened; accepted with at most so many defective ones.

    level: of the standard whose sample is opened in full; None of our own, smaller one.
    """

    size: int
    accept: int
    level: str | None


@lru_cache(maxsize=1)
def plan_rows() -> tuple[PlanRow, ...]:
    """The rows of CXS 233; an empty bound is open."""
    return tuple(
        PlanRow(
            level=row["inspection_level"],
            unit_above_kg=number(row["unit_mass_above_kg"]) or 0.0,
            unit_up_to_kg=number(row["unit_mass_up_to_kg"]) or inf,
            lot_from=int(row["lot_units_from"]),
            lot_to=int(row["lot_units_to"] or 10**12),
            sample=int(row["n"]),
            accept=int(row["c"]),
        )
        for row in table("sampling_plans")
        if row["plan_id"] == STANDARD
    )


def sample_of(load: Load, purpose: Purpose, *, policy: Policy, failures: int) -> Sample:
    """How many cartons of a load are opened, and how many may be defective.

    failures: failed inspections among the supplier's last ones.
    """
    row = plan_for(
        plan_rows(),
        cartons=load.cartons,
        carton_kg=load.carton_g / 1000,
        level=LEVEL[purpose],
    )
    size = row.sample
    if purpose is Purpose.ROUTINE:
        few = int(policy.receive_cartons_core_n)
        size = max(few, min(row.sample, few * 2**failures))
    if min(size, load.cartons) < row.sample:
        return Sample(min(size, load.cartons), 0, None)
    return Sample(min(size, load.cartons), row.accept, row.level)


def drawn(load: Load, sample: Sample, *, key: str, spread: bool) -> tuple[int, ...]:
    """The numbers of the cartons to open, ascending.

    spread: as evenly as can be over front, middle and back of the load (routine), each
    third drawn by itself with the key "{key}/front" and so on; else at random over the
    whole load, as the standard asks. Cost: one hash a carton of the sample, about.
    """
    if not spread:
        return tuple(sorted(_taken(range(1, load.cartons + 1), sample.size, key)))
    chosen: list[int] = []
    shares = _shares(load.cartons, sample.size)
    for third, share in shares.items():
        chosen += _taken(_cartons_of(third, load.cartons), share, f"{key}/{third}")
    return tuple(sorted(chosen))


def third_of(carton: int, cartons: int) -> Third:
    """Where in the load a carton stands; of one carton: the front."""
    return next(third for third in Third if carton in _cartons_of(third, cartons))


def _cartons_of(third: Third, cartons: int) -> range:
    place = tuple(Third).index(third)
    return range(-(-cartons * place // 3) + 1, -(-cartons * (place + 1) // 3) + 1)


def _shares(cartons: int, size: int) -> dict[Third, int]:
    """How many of a sample come from each third: equal, but not more than it holds."""
    room = {third: len(_cartons_of(third, cartons)) for third in Third}
    shares = dict.fromkeys(Third, 0)
    for _ in range(size):
        least = min((t for t in Third if shares[t] < room[t]), key=lambda t: shares[t])
        shares[least] += 1
    return shares


def _taken(cartons: Sequence[int], size: int, key: str) -> list[int]:
    """The first cartons of a shuffle, kept as the places that were changed only."""
    choose = _chooser(key)
    moved: dict[int, int] = {}
    chosen = []
    for step in range(size):
        place = step + choose(len(cartons) - step)
        chosen.append(cartons[moved.get(place, place)])
        moved[place] = moved.get(step, step)
    return chosen


def _chooser(key: str) -> Callable[[int], int]:
    numbers = _numbers(key)

    def choose(among: int) -> int:
        below = _SPAN - _SPAN % among
        return next(number for number in numbers if number < below) % among

    return choose


def _numbers(key: str) -> Iterator[int]:
    for k in count():
        yield int.from_bytes(hashlib.sha256(f"{key}/{k}".encode()).digest()[:8], "big")
