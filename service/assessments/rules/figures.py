"""The figures of an excursion: what went in, what comes out, and how it is kept."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
from pydantic import BaseModel, ConfigDict

from service.assessments.rules.bodies import CORNER, INSIDE, Packing, Stack
from service.assessments.rules.judging import (
    SURFACE_LIMITS_C,
    Choice,
    commissary_may_release,
    is_past,
    passed,
    suggested,
)
from service.assessments.rules.narrowing import bounds_with_checks
from service.assessments.rules.probing import Unsettled, straddles
from service.catalogue.rules import SpeciesFacts
from service.checks.rules import Position
from service.science.arrays import Array
from service.science.assessment import Assessment, Bounds, assess
from service.science.estimate import Estimate
from service.science.gaps import AirSeries
from service.science.outage import Anchor
from service.science.properties import GROUPS
from service.science.thawing import Body
from service.site.rules import Policy

VERSION = 1
FOLLOWED_S = 48 * 3600.0  # after the end: cores go on warming while shells cool
AFTER_MOVING_S, AFTER_MOVING_C = 12 * 3600.0, -18.0  # in the next freezer, at its limit
MOST_POINTS = 120  # of a line that is kept for a chart
LONGEST_IN_THREE_DIMENSIONS_S = 14 * 86400.0


class Range(BaseModel):
    """A figure with its 10-90 % range."""

    model_config = ConfigDict(frozen=True)

    value: float
    range: tuple[float, float]
    unit: str = ""

    @classmethod
    def of(cls, found: Estimate, digits: int = 2) -> "Range":
        """An estimate, rounded for keeping."""
        low, value, high = (round(x, digits) for x in (found.low, found.value, found.high))
        return cls(value=value, range=(low, high), unit=found.unit)

    @property
    def estimate(self) -> Estimate:
        """As the science takes it."""
        return Estimate(self.value, *self.range, self.unit)


class Line(BaseModel):
    """A temperature over time: as it most likely was, and between what."""

    at: list[datetime]
    value: list[float]
    low: list[float]
    high: list[float]

    @classmethod
    def of(cls, at_s: Array, value: Array, low: Array, high: Array) -> "Line":
        """At most so many points, the warmest among them."""
        spread = np.linspace(0, at_s.size - 1, MOST_POINTS - 1)
        kept = np.unique(np.append(np.round(spread).astype(np.int64), int(high.argmax())))
        return cls(
            at=[datetime.fromtimestamp(round(s), UTC) for s in at_s[kept]],
            value=[round(float(c), 2) for c in value[kept]],
            low=[round(float(c), 2) for c in low[kept]],
            high=[round(float(c), 2) for c in high[kept]],
        )


class Member(BaseModel):
    """What happened to one member of a lot: its worst carton, or the core of its stack."""

    body: str
    core_now: Range
    peak_core: Range
    peak_mean: Range
    hours_of_mean_above: dict[str, Range]
    hours_of_surface_above: dict[str, Range]
    life_used: Range
    water_thawed: Range
    model: str
    steps: list[str]
    sources: list[str]


class Fish(BaseModel):
    """What an excursion did to fish of one lot that shares its history."""

    version: int = VERSION
    from_at: datetime
    until_at: datetime
    worst: Member
    typical: Member
    limits_passed: list[str]
    limits_perhaps_passed: list[str]
    past_limit: bool
    commissary_may_release: bool
    suggestion: Choice
    rule: str
    because: str
    source: str
    measured: list[Position]
    outer_share: float
    supposed: list[str]
    core: Line


class Air(BaseModel):
    """The air of the place: as it most likely was, and between what."""

    version: int = VERSION
    line: Line
    hours_unknown: float
    source: str


@dataclass(frozen=True)
class Look:
    """A core that somebody measured. position None: nobody said where the carton stood."""

    number: int
    at_s: float
    core_c: float
    position: Position | None


@dataclass(frozen=True)
class Group:
    """Fish of one lot that came to the place together and left it together.

    from_s, until_s : of the excursion, as far as this fish was there.
    moved : it left while the place was warm. there_g, on_hand_g : of it then and now.
    """

    lot_id: int
    lot: str
    species: SpeciesFacts
    packing: Packing
    stack: Stack
    start_c: Estimate
    from_s: float
    until_s: float
    moved: bool
    parcels: tuple[int, ...]
    there_g: int
    on_hand_g: int
    looks: tuple[Look, ...] = ()


@dataclass
class Histories:
    """Histories that were followed: fish that shares one shares the work."""

    air: AirSeries
    _known: dict[object, Bounds] = field(default_factory=dict)

    def of(self, group: Group, body: Body, coefficient: Estimate, looks: Sequence[Look]) -> Bounds:
        """Bounds of a body of a group's fish, with what was measured of it."""
        checks = tuple(Anchor(look.at_s, look.core_c) for look in looks)
        thermal = group.species.thermal_group
        start = (group.start_c.value, group.start_c.low, group.start_c.high)
        key = (thermal, body, coefficient.high, start, group.from_s, group.until_s, group.moved)
        if (key, checks) not in self._known:
            air = cut(self.air, group.from_s, group.until_s, moved=group.moved)
            first, last = float(air.at_s[0]), float(air.at_s[-1])
            long = last - first > LONGEST_IN_THREE_DIMENSIONS_S
            self._known[key, checks] = bounds_with_checks(
                GROUPS[thermal],
                body,
                air,
                coefficient,
                start_c=group.start_c,
                checks=checks,
                event_s=(first, last),
                in_three_dimensions=not long,
            )
        return self._known[key, checks]


def cut(air: AirSeries, from_s: float, until_s: float, *, moved: bool = False) -> AirSeries:
    """The air of a part of the time; then, of fish that was moved away, that of a freezer at
    its limit, in which what its shell took up still goes inwards."""
    air = air.with_points([from_s, until_s])
    inside = slice(
        int(np.searchsorted(air.at_s, from_s)), int(np.searchsorted(air.at_s, until_s)) + 1
    )
    part = AirSeries(
        air.at_s[inside],
        air.low_c[inside],
        air.central_c[inside],
        air.high_c[inside],
        air.unknown[inside.start : inside.stop - 1],
    )
    if not moved:
        return part
    after = np.array([until_s + 1.0, until_s + AFTER_MOVING_S])
    cold = np.full(2, AFTER_MOVING_C)
    low, central, high = (
        np.concatenate((line, cold)) for line in (part.low_c, part.central_c, part.high_c)
    )
    at_s = np.concatenate((part.at_s, after))
    unknown = np.concatenate((part.unknown, np.zeros(2, dtype=bool)))
    return AirSeries(at_s, low, central, high, unknown)


def fish_of(group: Group, histories: Histories, policy: Policy) -> Fish:
    """Everything that is known of a group's fish. Cost: two histories with their bounds."""
    corners = [look for look in group.looks if look.position is Position.CORNER]
    others = [look for look in group.looks if look.position is not Position.CORNER]
    worst = histories.of(group, group.packing.carton, CORNER, corners)
    # What no one knows the place of, or a middle, speaks for the corner only if it is warmer.
    warmer = [look for look in others if look.core_c > _at(worst.high.core_c, worst, look.at_s)]
    if warmer:
        worst = histories.of(group, group.packing.carton, CORNER, [*corners, *warmer])
    typical = histories.of(group, group.stack.body, INSIDE, others)
    return _figures(group, worst, typical, [look.core_c for look in corners], policy)


def _at(line: Array, bounds: Bounds, at_s: float) -> float:
    return float(np.interp(at_s, bounds.central.at_s, line))


def _figures(
    group: Group, worst: Bounds, typical: Bounds, corners_c: Sequence[float], policy: Policy
) -> Fish:
    food, profile = GROUPS[group.species.thermal_group], group.species.life_profile
    judged = assess(food, worst, profile, surface_limits_c=SURFACE_LIMITS_C)
    inside = assess(food, typical, profile, surface_limits_c=SURFACE_LIMITS_C)
    advice, limits = suggested(judged, policy), passed(judged, policy)
    limit, worst_c = policy.excursion_core_limit, judged.peak_core_c.high
    history = worst.central
    return Fish(
        from_at=datetime.fromtimestamp(round(group.from_s), UTC),
        until_at=datetime.fromtimestamp(round(group.until_s), UTC),
        worst=_member(judged, f"a carton at the corner, {group.packing.assumed}"),
        typical=_member(
            inside, f"the core of {group.stack.cartons} cartons, {group.stack.assumed}"
        ),
        limits_passed=[each.limit for each in limits if each.surely],
        limits_perhaps_passed=[each.limit for each in limits if not each.surely],
        past_limit=is_past(worst_c, limit),
        commissary_may_release=commissary_may_release(worst_c, corners_c, limit),
        suggestion=advice.choice,
        rule=advice.rule,
        because=advice.because,
        source=advice.source,
        measured=sorted({look.position for look in group.looks if look.position is not None}),
        outer_share=group.stack.outer_share,
        supposed=[group.packing.assumed, group.stack.assumed, *group.start_c.steps],
        core=Line.of(history.at_s, history.core_c, worst.low.core_c, worst.high.core_c),
    )


def _member(found: Assessment, body: str) -> Member:
    bounds = found.bounds
    ends = sorted(float(h.core_c[-1]) for h in (bounds.low, bounds.central, bounds.high))
    frozen = found.frozen_water_share
    thawed = Estimate(1 - frozen.value, 1 - frozen.high, 1 - frozen.low)
    return Member(
        body=body,
        core_now=Range.of(Estimate(ends[1], ends[0], ends[2], "°C")),
        peak_core=Range.of(found.peak_core_c),
        peak_mean=Range.of(found.peak_mean_c),
        hours_of_mean_above=_hours(found.hours_of_mean_above),
        hours_of_surface_above=_hours(found.hours_of_surface_above),
        life_used=Range.of(found.life_share, 5),
        water_thawed=Range.of(thawed, 3),
        model=found.bounds.model,
        steps=list(dict.fromkeys((*bounds.steps, *found.life_share.steps))),
        sources=list(dict.fromkeys((*bounds.sources, *found.peak_core_c.sources))),
    )


def _hours(found: Mapping[float, Estimate]) -> dict[str, Range]:
    return {f"{limit:g}": Range.of(hours) for limit, hours in sorted(found.items())}


def air_of(air: AirSeries, from_s: float, until_s: float, source: str) -> Air:
    """The air of the place during the event, as it is kept."""
    part = cut(air, from_s, until_s)
    return Air(
        line=Line.of(part.at_s, part.central_c, part.low_c, part.high_c),
        hours_unknown=round(part.unknown_s(from_s, until_s) / 3600, 2),
        source=source,
    )


def unsettled_of(lot: str, place: str, grams: int, fish: Fish, limit_c: float) -> Unsettled | None:
    """Fish that a thermometer could tell more of; None where nothing is open, or none is left.

    It can tell of now. Fish that has become cold again tells nothing of how warm it was.
    """
    corner, middle = fish.worst.core_now.estimate, fish.typical.core_now.estimate
    if grams <= 0 or not fish.past_limit or corner.high <= limit_c:
        return None
    known = set(fish.measured)
    known |= {
        position
        for position, core in ((Position.CORNER, corner), (Position.MIDDLE, middle))
        if core.low > limit_c
    }
    open_ = straddles(corner, limit_c) or not known >= set(Position)
    if not open_:
        return None
    return Unsettled(lot, place, grams, corner, middle, fish.outer_share, frozenset(known))
