"""What an outage did to a lot: how warm it became, for how long, and what that suggests.

One body of fish is followed through its air as it most likely was, as cold and as
warm as it may have been, with the weakest and the strongest surface. Rules go by the
warm bound: what is not known is never taken for cold.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache, partial
from math import exp

import numpy as np

from service.science import heat
from service.science.arrays import Array, within
from service.science.estimate import Z10, Estimate
from service.science.exposure import DAY_S, HOUR_S, RateTable, seconds_above
from service.science.gaps import SOURCES as GAP_SOURCES
from service.science.gaps import AirSeries
from service.science.outage import Anchor, History, follow, octant
from service.science.properties import Composition, ice_fraction
from service.science.storage_life import SPOILAGE_FROM_C, LifeProfile, life_rate_per_day
from service.science.thawing import Body, Shape

MEAN_LIMITS_C = (-12.0, -9.0, -5.0)
SURFACE_LIMITS_C = (4.4, 21.1)
CHECK_ERROR_K = 0.5  # of a thermometer in the core, 10-90 % [memory, low]
OCTANT_FROM_C = -8.0  # peak mean from which three dimensions are followed
LIFE_LN_SD = 0.30  # of a storage-life table [science reference 4.1, memory, low]
WARM_LIFE_LN_SD = 0.50  # where spoilage and the table are joined [4.2, memory, low]

FOLLOWED = "product from air: implicit enthalpy scheme, our own, tried against others [D]"
LIMITS_SOURCE = "limits of an outage: our default, memory low"
COEFFICIENT_SOURCE = "surface heat transfer in still and moving air: textbook figures [D, M-m]"


class Packed(StrEnum):
    """How fish stands in a freezer, as its surface sees it."""

    CARTON = "carton"
    CARTON_IN_FAN = "carton in fan"
    STACK = "stack"
    BAG = "bag"
    SHELF = "shelf"


def _coefficient(value: float, low: float, high: float) -> Estimate:
    return Estimate(value, low, high, "W/m²K", sources=(COEFFICIENT_SOURCE,))


COEFFICIENTS: Mapping[Packed, Estimate] = {  # science reference 2.3 and 3.1
    Packed.CARTON: _coefficient(5.0, 3.5, 6.5),
    Packed.CARTON_IN_FAN: _coefficient(7.0, 5.5, 9.5),
    Packed.STACK: _coefficient(6.0, 4.0, 10.0),
    Packed.BAG: _coefficient(8.0, 6.0, 11.0),
    Packed.SHELF: _coefficient(8.0, 6.0, 11.0),
}


class Suggestion(StrEnum):
    """What an outage calls for, by the trade's words."""

    NO_ACTION = "no action"
    USE_FIRST = "use first, reassess storage life"
    HOLD = "hold, vet decides"
    EXPOSURE_RULES = "exposure rules"


class Model(StrEnum):
    """Which physics the temperatures of the event come from."""

    SCALED = "one dimension, scaled to the shape"
    OCTANT = "three dimensions"


@dataclass(frozen=True)
class Limits:
    """Temperatures at which an outage calls for something: our default, memory low.

    no_action_c : a core never warmer calls for nothing. hold_c : a core warmer than
    this is held. exposure_c : a surface ever warmer falls under the exposure rules.

    Raises ValueError unless no_action_c <= hold_c, and for a value outside -45 to 45.

    >>> Limits(no_action_c=-2)
    Traceback (most recent call last):
    ...
    ValueError: hold_c -5.0 must not be below no_action_c -2
    """

    no_action_c: float = -12.0
    hold_c: float = -5.0
    exposure_c: float = 4.4

    def __post_init__(self) -> None:
        within("limits", (self.no_action_c, self.hold_c, self.exposure_c), -45, 45)
        if self.hold_c < self.no_action_c:
            raise ValueError(
                f"hold_c {self.hold_c} must not be below no_action_c {self.no_action_c}"
            )


@dataclass(frozen=True)
class Bounds:
    """One body's temperatures as most likely, as cold and as warm as they may have been.

    All three share their instants; each of core, surface and mean is in order at
    every instant. model : of the event, from begin_s to end_s; outside it is SCALED.
    unknown_s : seconds of the event of which nobody knows the air. steps, sources :
    how they came about, for every figure that is read from them.
    """

    low: History
    central: History
    high: History
    model: Model
    begin_s: float
    end_s: float
    unknown_s: float
    steps: tuple[str, ...]
    sources: tuple[str, ...]

    def event(self) -> tuple[History, History, History]:
        """Low, central and high of the event alone.

        >>> from service.science.gaps import air_series
        >>> from service.science.properties import GROUPS
        >>> air = air_series(np.arange(7) * 300.0, np.full(7, -20.0))
        >>> carton = Body(Shape.BRICK, 0.1, 0.25, 0.5)
        >>> bounds = follow_bounds(GROUPS["lean"], carton, air, event_s=(300, 900))
        >>> bounds.event()[2].at_s.tolist()
        [300.0, 600.0, 900.0]
        """
        inside = _within(self.central.at_s, self.begin_s, self.end_s)
        return _part(self.low, inside), _part(self.central, inside), _part(self.high, inside)


@dataclass(frozen=True)
class Assessment:
    """What an event did to one body; rules go by what is worst for the fish in each range.

    Attributes
    ----------
    bounds : the temperatures it was judged by, and how much of the air is unknown.
    peak_core_c, peak_mean_c : °C, worst: high.
    hours_of_mean_above, hours_of_surface_above : h, by limit in °C, worst: high.
    life_share : of storage life used by the event, 1 is all, worst: high.
    frozen_water_share : lowest share of the water that was ice, worst: low.
    suggestions : by the core, and the exposure rules beside it where they apply.
    """

    bounds: Bounds
    peak_core_c: Estimate
    peak_mean_c: Estimate
    hours_of_mean_above: Mapping[float, Estimate]
    hours_of_surface_above: Mapping[float, Estimate]
    life_share: Estimate
    frozen_water_share: Estimate
    suggestions: tuple[Suggestion, ...]


def follow_bounds(
    food: Composition,
    body: Body,
    air: AirSeries,
    coefficient_w_m2k: Estimate = COEFFICIENTS[Packed.CARTON],
    *,
    start_c: Estimate | None = None,
    checks: Sequence[Anchor] = (),
    check_error_k: float = CHECK_ERROR_K,
    event_s: tuple[float, float] | None = None,
    octant_from_c: float = OCTANT_FROM_C,
) -> Bounds:
    """Core, surface and mean of a body in air of which not everything is known.

    Parameters
    ----------
    food, body : of the fish. A corner carton is a carton on its own: the worst case
        of a stack, and what rules go by.
    air : as `air_series` or `cabinet_series` makes it; beyond -45 to 45 °C counts as that.
    coefficient_w_m2k : surface heat transfer with its 10-90 % range, 0.5 to 2000.
    start_c : even temperature at the first instant, with its range, -45 to 45 °C;
        None: that of the air there. Better is a product reading, or the mean air of
        three days before: a cold first reading makes the fish too cold for a day.
    checks : cores measured by hand, in any order, within the air's time.
    check_error_k : 10-90 % error of the thermometer, K, 0 to 10.
    event_s : begin and end of the event within the air's time; None: all of it.
    octant_from_c : peak mean, by the warm bound, above which the event of a brick is
        followed in three dimensions.

    Returns
    -------
    Bounds, with points at every reading, check and end of the event. Directly after
    a check the cores are what was measured, and less and more by the error; what the
    shell was warmer than the core stays in the warm bound, colder in the cold one.

    Raises
    ------
    ValueError
        If a value is outside its range or time, naming it.

    Notes
    -----
    Up to five histories: central; cold air with the weakest and the strongest
    surface; warm air with both. Bounds are the least and the most of them at each
    instant. Leaves out errors of the model, of size, packing and conductivity: up to
    0.3 K cold in a slow warming, 0.6 K warm in a fast one; three dimensions 0.24 K.
    A body that is no brick stays in one dimension. In three, the warm bound of core
    and mean is not below what one dimension said, up to octant_from_c, so that a
    warmer event never seems colder by the change of model. Cost: O(n · cells) each,
    about 0.35 µs a point and history; the octant 0.1 s a history and week: say
    when the event was.

    Source
    ------
    Science reference 3.1-3.4 (derived there); defaults of the range [memory].

    Check
    -----
    Eight hours without power that nobody logged; a carton's core afterwards:

    >>> from service.science.gaps import air_series
    >>> from service.science.properties import GROUPS
    >>> at_s = np.delete(np.arange(289) * 300.0, range(100, 195))
    >>> air = air_series(at_s, np.full(at_s.size, -20.0))
    >>> carton = Body(Shape.BRICK, 0.1, 0.25, 0.5)
    >>> bounds = follow_bounds(GROUPS["lean"], carton, air)
    >>> [round(h.peak_core_c, 1) for h in (bounds.low, bounds.central, bounds.high)]
    [-20.0, -13.4, -7.5]
    """
    _check_inputs(coefficient_w_m2k, start_c, check_error_k, checks)
    within("octant_from_c", octant_from_c, heat.LOWEST_C, heat.HIGHEST_C)
    begin_s, end_s = _event(air, event_s)
    air = air.with_points([begin_s, end_s, *(check.at_s for check in checks)])
    runs = _runs(air, coefficient_w_m2k, start_c, checks, check_error_k)
    scaled = [run.scaled(food, body, air.at_s) for run in runs]
    low, high = _extremes(scaled)
    event = _within(air.at_s, begin_s, end_s)
    peak_c, model, central = float(high.mean_c[event].max()), Model.SCALED, scaled[0]
    if body.shape is Shape.BRICK and peak_c > octant_from_c:
        model = Model.OCTANT
        spatial = [run.spatial(food, body, h, event) for run, h in zip(runs, scaled, strict=True)]
        central = spatial[0]
        low, high = _joined(_extremes(spatial), (low, high), event, octant_from_c)
    unknown_s = air.unknown_s(begin_s, end_s)
    steps = (
        f"air unknown for {unknown_s / HOUR_S:.1f} of {(end_s - begin_s) / HOUR_S:.1f} h",
        f"surface {coefficient_w_m2k.value:g} W/m²K, {coefficient_w_m2k.low:g} to "
        f"{coefficient_w_m2k.high:g}; {len(checks)} cores measured by hand",
        f"followed in {model}, as one dimension gave a mean of at most {peak_c:.1f} °C",
    )
    sources = (FOLLOWED, *coefficient_w_m2k.sources, *GAP_SOURCES)
    return Bounds(low, central, high, model, begin_s, end_s, unknown_s, steps, sources)


def _check_inputs(
    coefficient: Estimate, start: Estimate | None, check_error_k: float, checks: Sequence[Anchor]
) -> None:
    within("coefficient_w_m2k", (coefficient.low, coefficient.high), 0.5, 2000)
    within("check_error_k", check_error_k, 0, 10)
    within("core_c of checks", [c.core_c for c in checks], heat.LOWEST_C, heat.HIGHEST_C)
    if start is not None:
        within("start_c", (start.low, start.high), heat.LOWEST_C, heat.HIGHEST_C)


def _event(air: AirSeries, event_s: tuple[float, float] | None) -> tuple[float, float]:
    first, final = float(air.at_s[0]), float(air.at_s[-1])
    begin_s, end_s = event_s or (first, final)
    within("event_s", (begin_s, end_s), first, final)
    if end_s < begin_s:
        raise ValueError("event_s must not end before it begins")
    return begin_s, end_s


def _within(at_s: Array, begin_s: float, end_s: float) -> slice:
    """The points from the event's begin to its end; both are points."""
    return slice(
        int(np.searchsorted(at_s, begin_s, side="left")),
        int(np.searchsorted(at_s, end_s, side="right")),
    )


def _part(history: History, points: slice) -> History:
    return History(
        history.at_s[points],
        history.core_c[points],
        history.surface_c[points],
        history.mean_c[points],
    )


@dataclass(frozen=True)
class _Run:
    """One way in which it may have been."""

    air_c: Array
    coefficient: float
    start_c: float | None
    anchors: tuple[Anchor, ...]
    warm: bool | None  # the warm bound's, the cold one's, or most likely

    def scaled(self, food: Composition, body: Body, at_s: Array) -> History:
        """In one dimension, from the first point to the last."""
        return follow(
            food,
            body,
            self.coefficient,
            at_s,
            self.air_c,
            start_c=self.start_c,
            anchors=self.anchors,
        )

    def spatial(self, food: Composition, body: Body, scaled: History, event: slice) -> History:
        """The same, its event in three dimensions, begun even throughout."""
        core, mean = float(scaled.core_c[event.start]), float(scaled.mean_c[event.start])
        begins = {None: mean, True: max(core, mean), False: min(core, mean)}
        at_s = scaled.at_s[event]
        inside = octant(
            food,
            body,
            self.coefficient,
            at_s,
            self.air_c[event],
            start_c=begins[self.warm],
            anchors=[a for a in self.anchors if at_s[0] < a.at_s <= at_s[-1]],
        )
        core_c, surface_c, mean_c = (
            c.copy() for c in (scaled.core_c, scaled.surface_c, scaled.mean_c)
        )
        core_c[event], surface_c[event], mean_c[event] = (
            inside.core_c,
            inside.surface_c,
            inside.mean_c,
        )
        return History(scaled.at_s, core_c, surface_c, mean_c)


def _runs(
    air: AirSeries,
    coefficient: Estimate,
    start: Estimate | None,
    checks: Sequence[Anchor],
    error_k: float,
) -> list[_Run]:
    """Most likely first; then both surfaces in cold and in warm air, as far as they differ."""
    starts = (None, None, None) if start is None else (start.value, start.low, start.high)
    both = dict.fromkeys((coefficient.low, coefficient.high))
    central = tuple(replace(c, kept_warmer=1.0, kept_colder=1.0) for c in checks)
    runs = [_Run(air.central_c, coefficient.value, starts[0], central, None)]
    if not checks and (air.low_c == air.high_c).all() and (not start or start.low == start.high):
        others = [h for h in both if h != coefficient.value]
        return runs + [replace(runs[0], coefficient=h, warm=True) for h in others]
    cold = tuple(_read(c, -error_k, kept_colder=1.0) for c in checks)
    warm = tuple(_read(c, error_k, kept_warmer=1.0) for c in checks)
    runs += [_Run(air.low_c, h, starts[1], cold, False) for h in both]
    return runs + [_Run(air.high_c, h, starts[2], warm, True) for h in both]


def _read(
    check: Anchor, error_k: float, *, kept_warmer: float = 0, kept_colder: float = 0
) -> Anchor:
    """The check if its thermometer was off by so much."""
    core_c = min(max(check.core_c + error_k, heat.LOWEST_C), heat.HIGHEST_C)
    return Anchor(check.at_s, core_c, kept_warmer, kept_colder)


def _extremes(histories: Sequence[History]) -> tuple[History, History]:
    """The least and the most of all at every instant."""
    columns = [
        [h.core_c for h in histories],
        [h.surface_c for h in histories],
        [h.mean_c for h in histories],
    ]
    at_s = histories[0].at_s
    low, high = (
        History(at_s, *(reduced(np.stack(c), axis=0) for c in columns))
        for reduced in (np.min, np.max)
    )
    return low, high


def _joined(
    spatial: tuple[History, History],
    scaled: tuple[History, History],
    event: slice,
    up_to_c: float,
) -> tuple[History, History]:
    """Bounds in three dimensions; surfaces by both, as one is a face and one a corner.

    The warm core and mean are at least what one dimension said up to the change of
    model: else a little more warmth could change the model and seem colder.
    """
    low, high = spatial
    low = replace(low, surface_c=np.minimum(low.surface_c, scaled[0].surface_c))
    core_c, mean_c = high.core_c.copy(), high.mean_c.copy()
    for line, said in ((core_c, scaled[1].core_c), (mean_c, scaled[1].mean_c)):
        line[event] = np.maximum(line[event], np.minimum(said[event], up_to_c))
    surface_c = np.maximum(high.surface_c, scaled[1].surface_c)
    return low, replace(high, core_c=core_c, mean_c=mean_c, surface_c=surface_c)


def assess(
    food: Composition,
    bounds: Bounds,
    profile: LifeProfile,
    *,
    limits: Limits | None = None,
    mean_limits_c: Sequence[float] = MEAN_LIMITS_C,
    surface_limits_c: Sequence[float] = SURFACE_LIMITS_C,
    life_ln_sd: float = LIFE_LN_SD,
    warm_life_ln_sd: float = WARM_LIFE_LN_SD,
) -> Assessment:
    """What an event did to a body of fish, with ranges, and what that suggests.

    Parameters
    ----------
    food, bounds : the fish, and its temperatures from `follow_bounds`.
    profile : storage life by temperature.
    limits : of the suggestion; None: the defaults.
    mean_limits_c, surface_limits_c : °C, above which hours are counted.
    life_ln_sd, warm_life_ln_sd : spread of the profile, >= 0; the second where the
        mean may have passed -10 °C.

    Returns
    -------
    Assessment of the event of `bounds`.

    Raises
    ------
    ValueError
        If a limit is not finite or a spread is not 0 to 3, naming it.

    Notes
    -----
    Straight lines between points. Ranges of temperatures and hours are those of the
    bounds; that of life is widened by the profile's spread, as if both were wrong in
    the same direction. Life goes by the mean, exposure by the surface: a thawed
    shell round a frozen core uses more than its mean says. It is information for
    who decides, never a permission. Cost: O(points of the event).

    Source
    ------
    Science reference 3.5, 4.1-4.3; limits: our default, memory low.

    Check
    -----
    A day at -9 °C, of a life of 30 days there:

    >>> from service.science.gaps import air_series
    >>> from service.science.properties import GROUPS
    >>> air = air_series(np.arange(289) * 300.0, np.full(289, -9.0))
    >>> bounds = follow_bounds(GROUPS["lean"], Body(Shape.BRICK, 0.1, 0.25, 0.5), air)
    >>> month = LifeProfile("month", (-20, -9), (3, 30 / 30.4375), 120)
    >>> found = assess(GROUPS["lean"], bounds, month)
    >>> round(found.life_share.value, 4), found.hours_of_mean_above[-12.0].value
    (0.0333, 24.0)
    >>> [str(s) for s in found.suggestions]
    ['use first, reassess storage life']
    """
    for name, sd in (("life_ln_sd", life_ln_sd), ("warm_life_ln_sd", warm_life_ln_sd)):
        within(name, sd, 0, 3)
    within("mean_limits_c and surface_limits_c", (*mean_limits_c, *surface_limits_c), -90, 90)
    limits = limits or Limits()
    low, central, high = bounds.event()
    of = _Figures(bounds, (low, central, high))
    passed = float(high.mean_c.max()) > SPOILAGE_FROM_C
    life = of.estimate(lambda h: _life_share(profile, h))
    spread = exp(Z10 * (max(life_ln_sd, warm_life_ln_sd) if passed else life_ln_sd))
    peak_core = of.estimate(lambda h: float(h.core_c.max()), "°C", sources=(LIMITS_SOURCE,))
    return Assessment(
        bounds=bounds,
        peak_core_c=peak_core,
        peak_mean_c=of.estimate(lambda h: float(h.mean_c.max()), "°C"),
        hours_of_mean_above=of.hours("mean_c", mean_limits_c),
        hours_of_surface_above=of.hours("surface_c", surface_limits_c),
        life_share=life.changed(
            life.value,
            life.low / spread,
            life.high * spread,
            steps=(f"storage life {profile.key!r}, as likely off by a factor {spread:.2f}",),
        ),
        frozen_water_share=of.estimate(lambda h: _frozen_water_share(food, h)),
        suggestions=suggest(peak_core.high, float(high.surface_c.max()), limits),
    )


@dataclass(frozen=True)
class _Figures:
    """Reads one figure from low, central and high, and says how it came about."""

    bounds: Bounds
    histories: tuple[History, History, History]

    def estimate(
        self, figure: Callable[[History], float], unit: str = "", sources: tuple[str, ...] = ()
    ) -> Estimate:
        """The figure of all three, in order."""
        low, value, high = (figure(history) for history in self.histories)
        return Estimate(
            value,
            min(low, value, high),
            max(low, value, high),
            unit,
            self.bounds.steps,
            (*self.bounds.sources, *sources),
        )

    def hours(self, line: str, limits_c: Sequence[float]) -> dict[float, Estimate]:
        """Hours in which a line was above each limit."""
        return {
            limit: self.estimate(partial(_hours_above, line=line, limit_c=limit), "h")
            for limit in limits_c
        }


def _hours_above(history: History, line: str, limit_c: float) -> float:
    temperature = getattr(history, line)
    above = seconds_above(np.diff(history.at_s), temperature[:-1], temperature[1:], limit_c)
    return float(above.sum()) / HOUR_S


@lru_cache(maxsize=16)
def _life_rate(profile: LifeProfile) -> RateTable:
    return RateTable(lambda c: life_rate_per_day(profile, c))


def _life_share(profile: LifeProfile, history: History) -> float:
    rate = _life_rate(profile).mean(history.mean_c[:-1], history.mean_c[1:])
    return float((np.diff(history.at_s) * rate).sum()) / DAY_S


def _frozen_water_share(food: Composition, history: History) -> float:
    """Lowest share of the water that was ice, over the whole body.

    Between core and surface the share is taken along the chord, not at the mean: ice
    melts ever faster towards the freezing point, so the mean alone would show too
    much of it.
    """
    top = food.freezing_point_c
    core, surface, mean = (
        np.clip(c, heat.LOWEST_C, top) for c in (history.core_c, history.surface_c, history.mean_c)
    )
    apart = surface - core
    flat = np.abs(apart) < 0.01
    place = np.clip((mean - core) / np.where(flat, 1.0, apart), 0.0, 1.0)
    inside, outside = ice_fraction(food, core), ice_fraction(food, surface)
    ice = np.where(flat, ice_fraction(food, mean), inside + (outside - inside) * place)
    return float(ice.min()) / food.water


def suggest(
    peak_core_c: float, peak_surface_c: float, limits: Limits | None = None
) -> tuple[Suggestion, ...]:
    """What an outage calls for, by the warmest that core and surface may have been.

    Raises ValueError for a temperature that is not finite or outside -90 to 90 °C.
    It is a suggestion by our default limits [memory, low]; a vet decides.

    >>> [str(s) for s in suggest(-4.0, 5.0)]
    ['hold, vet decides', 'exposure rules']
    """
    limits = limits or Limits()
    within("peak_core_c and peak_surface_c", (peak_core_c, peak_surface_c), -90, 90)
    by_core = Suggestion.HOLD if peak_core_c > limits.hold_c else Suggestion.USE_FIRST
    if peak_core_c <= limits.no_action_c:
        by_core = Suggestion.NO_ACTION
    exposed = (Suggestion.EXPOSURE_RULES,) if peak_surface_c > limits.exposure_c else ()
    if exposed and by_core is Suggestion.NO_ACTION:
        return exposed  # no action and a rule to be kept contradict each other
    return (by_core, *exposed)
