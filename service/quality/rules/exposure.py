"""What a history says about fish: findings on life used, warmth and excursions."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import exp

import numpy as np

from service.decisions import Finding
from service.science.arrays import Array
from service.science.estimate import Z10, Estimate
from service.science.exposure import DAY_S, THRESHOLDS_C
from service.site.rules import PlaceKind, Policy, finding

PROFILE_LN_SD = 0.30  # spread of a storage-life table [science reference 4.1, memory, low]

# What a place that was never measured is taken to have been, °C: value, low, high.
# Ours, on the safe side of the limit that such a place should keep.
NEVER_MEASURED_C: dict[PlaceKind, tuple[float, float, float]] = {
    PlaceKind.FREEZER: (-18.0, -25.0, -15.0),
    PlaceKind.REFRIGERATOR: (4.0, 0.0, 6.0),
    PlaceKind.ICE: (0.0, 0.0, 4.0),
    PlaceKind.THAW_ROOM: (10.0, 4.0, 20.0),
    PlaceKind.THAW_TANK: (10.0, 5.0, 20.0),
    PlaceKind.KITCHEN: (18.0, 10.0, 20.0),
}
# Before it arrived, nobody here measured: contract of the main job.
FROZEN_BEFORE_ARRIVAL_C = (-18.0, -25.0, -15.0)
CHILLED_BEFORE_ARRIVAL_C = (0.0, 0.0, 4.0)


@dataclass(frozen=True)
class Exposure:
    """What time at temperature has done: value, low and high of each integrated rate.

    value, low, high : shape (rates,), rate-seconds. above_s : shape
    (thresholds,), by the warmest that it may have been.
    """

    known_s: float
    unknown_s: float
    value: Array
    low: Array
    high: Array
    above_s: Array
    max_c: float | None

    def __add__(self, other: "Exposure") -> "Exposure":
        warmest = [c for c in (self.max_c, other.max_c) if c is not None]
        return Exposure(
            self.known_s + other.known_s,
            self.unknown_s + other.unknown_s,
            self.value + other.value,
            self.low + other.low,
            self.high + other.high,
            self.above_s + other.above_s,
            max(warmest) if warmest else None,
        )


def worst_of(pasts: Sequence[Exposure]) -> Exposure:
    """The worst of several pasts, number by number: nobody knows which one it was."""
    warmest = [past.max_c for past in pasts if past.max_c is not None]
    return Exposure(
        known_s=min(past.known_s for past in pasts),
        unknown_s=max(past.unknown_s for past in pasts),
        value=np.max([past.value for past in pasts], axis=0),
        low=np.max([past.low for past in pasts], axis=0),
        high=np.max([past.high for past in pasts], axis=0),
        above_s=np.max([past.above_s for past in pasts], axis=0),
        max_c=max(warmest) if warmest else None,
    )


@dataclass(frozen=True)
class LifeUsed(Estimate):
    """Share of storage life used, and days left as it is kept."""

    left_days: float = 0.0


@dataclass(frozen=True)
class ParcelState:
    """One parcel of a lot: where it is, what it has been through, what is left of it."""

    parcel_id: int
    place: str
    thaw_batch: str | None
    grams: int
    exposure: Exposure
    life: LifeUsed
    places: tuple[tuple[int, datetime, datetime], ...] = field(default=())


@dataclass(frozen=True)
class Planned:
    """How fish is to be kept until a later instant: at a temperature, else as a place is kept
    (None: each parcel's own)."""

    at_s: float
    temperature_c: float | None = None
    place_id: int | None = None


SPREAD = exp(Z10 * PROFILE_LN_SD)  # of a table of storage life, 10-90 %


def life_of(exposure: Exposure, column: int, life_here_d: float) -> LifeUsed:
    """Life used by an exposure; the table's own spread and the unknown hours in the range."""
    used, fewest, most = (
        float(x[column]) / DAY_S for x in (exposure.value, exposure.low, exposure.high)
    )
    return LifeUsed(
        used,
        fewest / SPREAD,
        most * SPREAD,
        steps=(
            f"{exposure.known_s / 3600:.0f} h measured, {exposure.unknown_s / 3600:.0f} h not",
            f"{fewest:.3g} to {most:.3g} used as warm as it may have been, table × ÷ {SPREAD:.2f}",
        ),
        sources=("sum of time over practical storage life, Van Arsdel / IIR [M-h]",),
        left_days=max(0.0, 1.0 - used) * life_here_d,
    )


def life_findings(used: float, policy: Policy) -> Iterator[Finding]:
    """Storage life used: a warning to inspect, blocking only where the site says so."""
    numbers = {
        "used_percent": round(100 * used, 1),
        "warn_percent": policy.life_used_warn,
        "limit_percent": policy.life_used_block,
    }
    if 100 * used >= policy.life_used_block:
        outcome = "block" if policy.life_used_blocks else "warn"
        yield finding(
            "life-used-up",
            outcome,
            f"{100 * used:.0f} % of storage life is used: inspect before use",
            numbers=numbers,
        )
    elif 100 * used >= policy.life_used_warn:
        yield finding(
            "life-used-up", "warn", f"{100 * used:.0f} % of storage life is used", numbers=numbers
        )
    else:
        yield finding(
            "life-used-up", "pass", f"{100 * used:.0f} % of storage life is used", numbers=numbers
        )


def silence_findings(silent: Sequence[tuple[str, datetime]], most_used: float) -> Iterator[Finding]:
    """Places of this fish that nobody measures any more: (place, since when)."""
    for place, since in silent:
        yield finding(
            "not-measured",
            "warn",
            f"nobody has measured {place} since {since:%Y-%m-%d %H:%M} UTC: had its cooling been "
            f"off, up to {100 * most_used:.0f} % of storage life would be used; measure the fish",
            numbers={"place": place, "most_used_percent": round(100 * most_used, 1)},
        )


def warmth_findings(above_s: Array, policy: Policy) -> Iterator[Finding]:
    """Hours too warm since leaving the freezer, summed over all stages, never reset.

    Blocks on the one row that was read in its source (above 10 °C for more than
    2 h with any time above 21.1 °C); the rows from memory warn. No
    interpolation between them, as the guidance says.
    """
    hours = dict(zip(THRESHOLDS_C, above_s / 3600.0, strict=True))
    above_4, above_10, hot = hours[4.4], hours[10.0], hours[21.1]
    numbers = {
        "above_4_4_h": round(above_4, 2),
        "above_10_h": round(above_10, 2),
        "above_21_1_h": round(hot, 2),
    }
    if hot > 0 and above_10 > policy.exposure_pathogen_hot_h:
        yield finding(
            "warm-too-long",
            "block",
            f"{above_10:.1f} h above 10 °C with time above "
            f"21.1 °C: {policy.exposure_pathogen_hot_h:g} h are allowed",
            numbers=numbers,
        )
        return
    cool_limit = policy.exposure_pathogen_cool_h
    histamine = (
        policy.exposure_prev_frozen_hot_h if hot > 0 else policy.exposure_prev_frozen_never_hot_h
    )
    if above_10 > cool_limit or above_4 > histamine:
        yield finding(
            "warm-too-long",
            "warn",
            f"{above_10:.1f} h above 10 °C and {above_4:.1f} h above 4.4 °C",
            numbers=numbers,
            source="FDA Hazards and Controls Guidance, from memory: warns until adopted",
        )
    else:
        yield finding("warm-too-long", "pass", "not too long too warm", numbers=numbers)


def excursion_findings(
    excursions: Sequence[tuple[str, str, datetime, datetime | None, float | None]],
) -> Iterator[Finding]:
    """Excursions that the fish was in: (place, kind, from, ended, peak)."""
    for place, kind, begun, ended, peak in excursions:
        until = "still open" if ended is None else f"until {ended:%Y-%m-%d %H:%M} UTC"
        how = f"up to {peak:.1f} °C" if peak is not None else "not measured"
        yield finding(
            "excursion-open",
            "warn",
            f"{place} was {'too warm' if kind == 'warm' else 'silent'} from "
            f"{begun:%Y-%m-%d %H:%M} UTC, {until}, {how}",
            numbers={"peak_c": peak, "place": place},
        )
