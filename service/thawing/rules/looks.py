"""What somebody saw or measured of a thaw batch, and what follows from it."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from service.decisions import Finding
from service.science.properties import GROUPS
from service.science.thaw_table import SEPARABLE_CORE_C, Until, core_c
from service.site.rules import PlaceKind, Policy, finding


class Thaw(StrEnum):
    """How far fish was when somebody looked."""

    FROZEN = "frozen"
    PART_THAWED = "part_thawed"  # it can be taken apart, and is frozen inside
    THAWED = "thawed"


class Method(StrEnum):
    """How somebody found out."""

    THERMOMETER = "thermometer"
    TOUCH = "touch"


class Part(StrEnum):
    """What a thermometer was held in."""

    CORE = "core"
    SURFACE = "surface"
    WATER = "water"
    AIR = "air"


@dataclass(frozen=True)
class Look:
    """One look at a thaw batch. kind: of the place it was in, if known."""

    seen_at: datetime
    found: Thaw | None = None
    method: Method | None = None
    part: Part | None = None
    measured_c: float | None = None
    not_yet_at: datetime | None = None
    kind: PlaceKind | None = None


def thawed_core_c(thermal_group: str) -> float:
    """The core from which fish of a thermal group is thawed through, °C.

    >>> thawed_core_c("fatty")
    -0.7
    """
    return core_c(GROUPS[thermal_group], Until.THAWED)


def found_by_core(measured_c: float, thermal_group: str) -> Thaw:
    """How far fish with such a core is.

    >>> [str(found_by_core(c, "fatty")) for c in (-12.0, -3.0, -0.7)]
    ['frozen', 'part_thawed', 'thawed']
    """
    if measured_c >= thawed_core_c(thermal_group):
        return Thaw.THAWED
    return Thaw.PART_THAWED if measured_c >= SEPARABLE_CORE_C else Thaw.FROZEN


def thawed_at(looks: Iterable[Look]) -> datetime | None:
    """When fish was first found thawed."""
    return min((look.seen_at for look in looks if look.found is Thaw.THAWED), default=None)


def frozen_inside_at(looks: Sequence[Look]) -> datetime | None:
    """When a thermometer last found it not thawed, before anybody found it thawed.

    Touch says so too, but a clock is not put off because of it.
    """
    thawed = thawed_at(looks)
    return max(
        (
            look.seen_at
            for look in looks
            if look.found in (Thaw.FROZEN, Thaw.PART_THAWED)
            and look.method is Method.THERMOMETER
            and (thawed is None or look.seen_at < thawed)
        ),
        default=None,
    )


def part_thawed_at(looks: Iterable[Look]) -> datetime | None:
    """When fish was first found to be thawing: soft outside, or warmer inside than hard frozen."""
    return min((look.seen_at for look in looks if look.found is Thaw.PART_THAWED), default=None)


def warmth_of(look: Look, policy: Policy) -> Iterator[Finding]:
    """Whether what was measured is too warm for fish that is eaten raw."""
    if look.part is None or look.measured_c is None:
        return
    if look.part is Part.WATER:
        limit, most = policy.thaw_water_warn, policy.thaw_water_max
    elif look.part is Part.AIR:
        cold = look.kind in (PlaceKind.REFRIGERATOR, PlaceKind.ICE)
        limit, most = policy.refrigerator_max if cold else policy.thaw_air_max, None
    else:
        limit, most = policy.thaw_surface_max_rte, None
    yield _judged(look, look.part, look.measured_c, limit, most)


def _judged(look: Look, part: Part, measured_c: float, limit: float, most: float | None) -> Finding:
    outcome = "pass" if measured_c <= limit else "warn"
    said = f"{limit:g} °C"
    if most is not None and measured_c > most:
        outcome, said = "block", f"{most:g} °C"
    word = "at most" if outcome == "pass" else "warmer than"
    return finding(
        "thaw-too-warm",
        outcome,
        f"{part} {measured_c:.1f} °C at {look.seen_at:%Y-%m-%d %H:%M} UTC: {word} {said}",
        numbers={"measured_c": round(measured_c, 2), "limit_c": limit, "block_c": most},
    )


def too_warm(looks: Iterable[Look], policy: Policy) -> list[Finding]:
    """Every measurement of a batch that was too warm, oldest first."""
    return [
        found
        for look in sorted(looks, key=lambda each: each.seen_at)
        for found in warmth_of(look, policy)
        if found.outcome != "pass"
    ]
