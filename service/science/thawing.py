"""How long fish takes to thaw: blocks, single fish, stages, with a range.

A slab is solved by the enthalpy method (`heat`); bricks and fish by their shape
factor (`shapes`). A thermometer in the fish overrules all of it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from math import ceil, copysign, exp, inf, log, sqrt

import numpy as np

from service.science import heat
from service.science.arrays import Array, within
from service.science.estimate import Estimate
from service.science.properties import (
    THAWED_AT_C,
    Composition,
    density_kg_m3,
    enthalpy_kj_kg,
    unfrozen_specific_heat_kj_kgk,
)
from service.science.shapes import brick_factor, ellipse_factor

LONGEST_H = 1000.0
COLDEST_C, WARMEST_C = -45.0, 40.0  # of a start and a medium
# One standard deviation of what goes in [science reference 2.8; memory, low].
LN_SD_THICKNESS, LN_SD_CONDUCTIVITY, LN_SD_DENSITY, LN_SD_MODEL = 0.04, 0.05, 0.05, 0.03
SD_MEDIUM_K, SD_START_K, SD_FREEZING_POINT_K = 0.5, 2.0, 0.1
LN_SD_COEFFICIENT = 0.25
DISAGREE = 0.20  # closed formula and solver, beyond which a warning is due
# The letter says how well a source is known: R read, M memory, D derived here.
SOURCES = (
    "properties of components: Choi & Okos 1986 [R2]",
    "enthalpy: Chen 1985; ice: Miles 1974 with bound water, Schwartzberg 1976 [M-h]",
    "conductivity: Levy 1981; compared by Fricke & Becker 2001 [M-h]",
    "shape factor of a brick: Hossain, Cleland & Cleland 1992 [M-h; D against three dimensions]",
    "closed formula: Cleland, Cleland, Earle & Byrne 1986 [M-m]",
    "spread of what goes in: our own figures [M-l]",
)


class Shape(StrEnum):
    """What is thawed, as the physics sees it."""

    SLAB = "slab"
    BRICK = "brick"
    CYLINDER = "cylinder"
    SPHERE = "sphere"
    FISH = "fish"


_GEOMETRY = {Shape.CYLINDER: heat.CYLINDER, Shape.SPHERE: heat.SPHERE}


@dataclass(frozen=True)
class Body:
    """One piece of fish: smallest dimension first, all in metres.

    A cylinder's or sphere's thickness is its diameter. packing: share of the
    volume that is fish. Raises ValueError for a side that is missing or impossible.

    >>> Body(Shape.BRICK, 0.1, 0.25)
    Traceback (most recent call last):
    ValueError: a brick needs width and length
    """

    shape: Shape
    thickness_m: float
    width_m: float | None = None
    length_m: float | None = None
    packing: float = 1.0

    def __post_init__(self) -> None:
        if not 0.002 <= self.thickness_m <= 1.0:
            raise ValueError("thickness must lie between 2 and 1000 mm")
        sides = [s for s in (self.width_m, self.length_m) if s is not None]
        if any(not self.thickness_m <= s <= 20.0 for s in sides):
            raise ValueError("width and length must be at least the thickness, and below 20 m")
        if self.shape is Shape.BRICK and len(sides) != 2:
            raise ValueError("a brick needs width and length")
        if self.shape is Shape.FISH and self.width_m is None:
            raise ValueError("a fish needs its width")


@dataclass(frozen=True)
class Stage:
    """A medium at one temperature for some hours; the last stage has no end.

    Raises ValueError outside -45 to 40 °C, 0.5 to 2 000 W/m²K, 1 000 h.

    >>> str(Stage(3, 15, hours=16))
    'for 16.0 h in 3.0 °C at 15 W/m²K'
    """

    medium_c: float
    coefficient_w_m2k: float
    hours: float | None = None

    def __post_init__(self) -> None:
        if not COLDEST_C <= self.medium_c <= WARMEST_C:
            raise ValueError("medium_c must lie between -45 and 40 °C")
        if not 0.5 <= self.coefficient_w_m2k <= 2000:
            raise ValueError("coefficient_w_m2k must lie between 0.5 and 2000 W/m²K")
        if self.hours is not None and not 0 < self.hours <= LONGEST_H:
            raise ValueError(f"hours must be more than zero, at most {LONGEST_H:g}")

    def __str__(self) -> str:
        stay = "until thawed" if self.hours is None else f"for {self.hours:.1f} h"
        return f"{stay} in {self.medium_c:.1f} °C at {self.coefficient_w_m2k:g} W/m²K"


@dataclass(frozen=True)
class ThawTime(Estimate):
    """Hours until the core passes its target; formula_h: what the closed formula says.

    >>> ThawTime(90.0, 70.0, 120.0, "h", formula_h=110.0).formula_disagrees
    True
    """

    formula_h: float | None = None

    @property
    def formula_disagrees(self) -> bool:
        """Whether the closed formula is more than 20 % off: then distrust both."""
        return self.formula_h is not None and abs(log(self.formula_h / self.value)) > log(
            1 + DISAGREE
        )


def thicker(body: Body, factor: float) -> Body:
    """The same body, its thickness times a factor; no side is thinner than that.

    >>> described(thicker(Body(Shape.BRICK, 0.1, 0.1, 0.5), 1.5))
    'brick 150 × 150 × 500 mm'
    """
    thickness = body.thickness_m * factor
    width, length = (
        None if side is None else max(side, thickness) for side in (body.width_m, body.length_m)
    )
    return replace(body, thickness_m=thickness, width_m=width, length_m=length)


def described(body: Body) -> str:
    """A body in words, sizes in millimetres.

    >>> described(Body(Shape.BRICK, 0.1, 0.25, 0.5, packing=0.9))
    'brick 100 × 250 × 500 mm, 90 % of it fish'
    """
    sides = [s for s in (body.thickness_m, body.width_m, body.length_m) if s is not None]
    loose = "" if body.packing == 1 else f", {100 * body.packing:.0f} % of it fish"
    return f"{body.shape} {' × '.join(f'{1000 * s:g}' for s in sides)} mm{loose}"


def fully_thawed_core_c(food: Composition) -> float:
    """The core temperature at which no ice is left: 0.4 K above the freezing point.

    >>> from service.science.properties import GROUPS
    >>> fully_thawed_core_c(GROUPS["lean"])
    -0.5
    """
    return round(food.freezing_point_c + 0.4, 6)


def earliest_thawed_core_c(food: Composition) -> float:
    """The core temperature from which it may count as thawed: the low end of the range.

    >>> from service.science.properties import GROUPS
    >>> earliest_thawed_core_c(GROUPS["fatty"])
    -1.2
    """
    return min(-1.0, round(food.freezing_point_c - 0.1, 6))


def shape_factor(body: Body, coefficient_w_m2k: float, conductivity_w_mk: float) -> float:
    """By what the body thaws faster than what the solver marches (slab, cylinder or sphere).

    >>> round(shape_factor(Body(Shape.BRICK, 0.1, 0.25, 0.5), 10, 0.5), 3)
    1.154
    """
    biot = coefficient_w_m2k * body.thickness_m / 2 / conductivity_w_mk
    if body.shape is Shape.BRICK:
        assert body.width_m is not None and body.length_m is not None
        small, large = sorted((body.width_m, body.length_m))
        return float(brick_factor(biot, small / body.thickness_m, large / body.thickness_m))
    if body.shape is Shape.FISH:
        assert body.width_m is not None
        return float(ellipse_factor(biot, body.width_m / body.thickness_m))
    return 1.0


def hours_to_core(
    food: Composition,
    body: Body,
    stages: Sequence[Stage],
    *,
    start_c: float,
    core_c: float,
    cells: int = heat.CELLS,
) -> float:
    """Hours until the core passes a temperature, stage after stage.

    Parameters
    ----------
    food, body : what thaws (or freezes, if the media are colder).
    stages : at least one; the last without an end.
    start_c : -45 to 40 °C, even throughout. core_c : between start and last medium.

    Returns
    -------
    float, hours.

    Raises
    ------
    ValueError
        If there is no stage, a stage before the last has no end, or the core
        does not get there in 1 000 h.

    Notes
    -----
    A shape factor E is recomputed each stage: conductivity and coefficient times
    E keep the Biot number and scale time by 1/E. Leaves out the change of shape
    when a block falls apart: restart as single fish.

    Source
    ------
    Enthalpy method with Kirchhoff transform, standard; checked against exact
    solutions, a stiff integrator and a 3-D solver (science reference 2.6).

    Check
    -----
    >>> from service.science.properties import GROUPS
    >>> slab = Body(Shape.SLAB, 0.1)
    >>> round(hours_to_core(GROUPS["lean"], slab, [Stage(3, 10)], start_c=-20, core_c=-0.5), 1)
    92.3
    """
    _check(stages, start_c, core_c)
    tables = heat.heat_tables(food, body.packing)
    cut = heat.cells_of(body.thickness_m / 2, _GEOMETRY.get(body.shape, heat.SLAB), cells)
    enthalpy = np.full(cells, float(heat.enthalpy_at(tables, start_c)))
    gone_s = 0.0
    for stage in stages:
        freezing = stage.medium_c < core_c
        conductivity = tables.k_frozen if freezing else tables.k_thawed
        factor = shape_factor(body, stage.coefficient_w_m2k, conductivity)
        length_s = (LONGEST_H if stage.hours is None else stage.hours) * 3600.0
        step = heat.largest_step_s(cut, tables, stage.coefficient_w_m2k)
        count = max(1, int(np.ceil(length_s * factor / step)))
        if stage.hours is not None:
            step = length_s * factor / count
        seconds, steps = heat.march(
            enthalpy,
            cut,
            tables,
            coefficient_w_m2k=stage.coefficient_w_m2k,
            medium_c=stage.medium_c,
            step_s=step,
            most_steps=count,
            target_core_c=core_c,
            warming=core_c > start_c,
        )
        gone_s += seconds / factor
        if steps < count:
            return gone_s / 3600.0
    raise ValueError(f"core_c {core_c:g} is not reached within {LONGEST_H:g} h")


def _check_stages(stages: Sequence[Stage]) -> None:
    if not stages:
        raise ValueError("stages must hold at least one")
    if any(stage.hours is None for stage in stages[:-1]) or stages[-1].hours is not None:
        raise ValueError("every stage but the last needs its hours")


def _check(stages: Sequence[Stage], start_c: float, core_c: float) -> None:
    _check_stages(stages)
    if not all(COLDEST_C <= c <= WARMEST_C for c in (start_c, core_c)):
        raise ValueError("start_c and core_c must lie between -45 and 40 °C")
    if not (core_c - start_c) * (stages[-1].medium_c - core_c) > 0:
        raise ValueError(
            f"core_c must lie between start_c {start_c:g} and the last medium "
            f"{stages[-1].medium_c:g} °C"
        )


@dataclass(frozen=True)
class ThawHistory:
    """Temperatures inside one body over time: arrays of one length, from the start on."""

    at_h: Array
    core_c: Array
    surface_c: Array
    mean_c: Array


def thaw_history(
    food: Composition,
    body: Body,
    stages: Sequence[Stage],
    *,
    start_c: float,
    hours: float,
    points: int = 200,
    cells: int = heat.CELLS,
) -> ThawHistory:
    """Core, surface and mean temperature of a body over time, stage after stage.

    Parameters
    ----------
    food, body, stages : as `hours_to_core`.
    start_c : -45 to 40 °C, even throughout.
    hours : how long to follow, more than 0, at most 1 000.
    points : instants to report beside the start, evenly spread; at least 1.

    Returns
    -------
    ThawHistory, shapes (points + 1,). Surface and mean are those of what the
    solver marches, a slab, cylinder or sphere: the corners of a brick are warmer.

    Raises
    ------
    ValueError
        As `hours_to_core`, and for hours or points outside their range.

    Notes
    -----
    The march of `hours_to_core`, broken off at each instant. Cost: one solve, and
    some 20 µs a point.

    Source
    ------
    Surface from the flow through the outer half cell: science reference 2.1.

    Check
    -----
    >>> from service.science.properties import GROUPS
    >>> slab = Body(Shape.SLAB, 0.1)
    >>> h = thaw_history(GROUPS["lean"], slab, [Stage(3, 10)], start_c=-20, hours=92.297, points=2)
    >>> [round(float(c), 1) for c in h.core_c], [round(float(c), 1) for c in h.surface_c]
    ([-20.0, -1.7, -0.5], [-19.6, -0.6, 0.9])

    By hand at the start: -20 + 23 · 0.0016/(0.1 + 0.0016) = -19.6 °C (2.5 mm of k 1.556).
    """
    _check_stages(stages)
    within("start_c", start_c, COLDEST_C, WARMEST_C)
    within("hours", hours, 1e-3, LONGEST_H)
    if points < 1:
        raise ValueError("points must be at least 1")
    tables = heat.heat_tables(food, body.packing)
    cut = heat.cells_of(body.thickness_m / 2, _GEOMETRY.get(body.shape, heat.SLAB), cells)
    enthalpy = np.full(cells, float(heat.enthalpy_at(tables, start_c)))
    legs = _legs(food, body, stages, tables)
    at_h = np.linspace(0.0, hours, points + 1)
    core, surface, mean = (np.empty(points + 1) for _ in range(3))
    before_h = 0.0
    for number, now_h in enumerate(at_h):
        _march_legs(enthalpy, cut, tables, legs, before_h, now_h)
        inside = heat.temperature_of(tables, enthalpy)
        stage = next(leg.stage for leg in legs if now_h <= leg.end_h)
        core[number] = inside[0]
        surface[number] = _surface_c(cut, tables, float(inside[-1]), stage)
        mean[number] = inside @ cut.volume / cut.volume.sum()
        before_h = now_h
    return ThawHistory(at_h, core, surface, mean)


@dataclass(frozen=True)
class _Leg:
    """A stage with its place in time and its shape factor."""

    stage: Stage
    begin_h: float
    end_h: float
    factor: float


def _legs(
    food: Composition, body: Body, stages: Sequence[Stage], tables: heat.HeatTables
) -> list[_Leg]:
    legs: list[_Leg] = []
    begin_h = 0.0
    for stage in stages:
        freezing = stage.medium_c < food.freezing_point_c
        conductivity = tables.k_frozen if freezing else tables.k_thawed
        end_h = inf if stage.hours is None else begin_h + stage.hours
        factor = shape_factor(body, stage.coefficient_w_m2k, conductivity)
        legs.append(_Leg(stage, begin_h, end_h, factor))
        begin_h = end_h
    return legs


def _march_legs(
    enthalpy: Array,
    cut: heat.Cells,
    tables: heat.HeatTables,
    legs: Sequence[_Leg],
    begin_h: float,
    end_h: float,
) -> None:
    """March from one instant to another, through each leg that lies between; in place."""
    for leg in legs:
        stay_s = 3600.0 * (min(end_h, leg.end_h) - max(begin_h, leg.begin_h)) * leg.factor
        if stay_s <= 0:
            continue
        count = ceil(stay_s / heat.largest_step_s(cut, tables, leg.stage.coefficient_w_m2k))
        heat.march(
            enthalpy,
            cut,
            tables,
            coefficient_w_m2k=leg.stage.coefficient_w_m2k,
            medium_c=leg.stage.medium_c,
            step_s=stay_s / count,
            most_steps=count,
            target_core_c=inf,
            warming=True,
        )


def _surface_c(cut: heat.Cells, tables: heat.HeatTables, edge_c: float, stage: Stage) -> float:
    """Where the flow from the medium meets that through the outer half cell.

    A shape factor multiplies both conductances, and so does not matter.
    """
    grid = np.linspace(heat.LOWEST_C, heat.HIGHEST_C, tables.k_at.size)
    conductivity = float(np.interp(edge_c, grid, tables.k_at))
    inside, outside = cut.width_m / 2 / conductivity, 1 / stage.coefficient_w_m2k
    return edge_c + (stage.medium_c - edge_c) * inside / (inside + outside)


def thaw_time(
    food: Composition,
    body: Body,
    stages: Sequence[Stage],
    *,
    start_c: float = -20.0,
    core_c: float | None = None,
    coefficient_ln_sd: float = LN_SD_COEFFICIENT,
) -> ThawTime:
    """Hours until fully thawed (or to `core_c`), with the spread of everything that goes in.

    The spread is log-normal, from one changed run for each uncertain input:
    thickness, coefficient, conductivity, density, medium, start, freezing point,
    and 3 % for the model itself (science reference 2.8). Cost: about eight solves.

    >>> from service.science.properties import GROUPS
    >>> t = thaw_time(GROUPS["lean"], Body(Shape.SLAB, 0.1), [Stage(3, 10)])
    >>> round(t.value, 1), round(t.low), round(t.high)
    (92.3, 69, 123)
    """
    target = fully_thawed_core_c(food) if core_c is None else core_c

    def hours(**changed: float) -> float:
        return _varied(food, body, stages, start_c, target, **changed)

    middle = hours()
    # Each input moves to the side on which the question stays one: start and medium
    # away from the target, the rest away from the end of its range.
    onward = copysign(1.0, target - start_c)
    thicker = LN_SD_THICKNESS if body.thickness_m <= 0.5 else -LN_SD_THICKNESS
    strongest = max(stage.coefficient_w_m2k for stage in stages)
    stronger = coefficient_ln_sd / 2 if strongest <= 500 else -coefficient_ln_sd / 2
    room = abs(target - start_c) > SD_FREEZING_POINT_K and food.freezing_point_c >= -2.8
    freezing = -SD_FREEZING_POINT_K if room else SD_FREEZING_POINT_K
    spreads = [
        log(hours(thickness=exp(thicker)) / middle),
        log(hours(coefficient=exp(stronger)) / middle) * 2,
        log(hours(time=exp(LN_SD_DENSITY)) / middle),
        _conductivity_effect(food, body, stages, start_c, target, middle),
        log(hours(medium=onward * SD_MEDIUM_K) / middle),
        log(hours(start=-onward * SD_START_K) / middle),
        log(hours(freezing=freezing) / middle),
        LN_SD_MODEL,
    ]
    sigma = sqrt(sum(s**2 for s in spreads))
    formula = None
    thawing = start_c < food.freezing_point_c < stages[0].medium_c
    if len(stages) == 1 and core_c is None and thawing:
        formula = formula_hours(food, body, stages[0], start_c=start_c)
    found = ThawTime.log_normal(
        middle,
        sigma,
        unit="h",
        steps=[described(body), *map(str, stages), f"core from {start_c:g} to {target:g} °C"],
        sources=SOURCES,
    )
    return replace(found, formula_h=formula)


def _conductivity_effect(
    food: Composition,
    body: Body,
    stages: Sequence[Stage],
    start_c: float,
    target: float,
    middle: float,
) -> float:
    """Conductivity up by a factor is time down by it with the coefficient down by it."""
    factor = exp(LN_SD_CONDUCTIVITY)
    return log(
        _varied(food, body, stages, start_c, target, coefficient=1 / factor, time=1 / factor)
        / middle
    )


def _varied(
    food: Composition,
    body: Body,
    stages: Sequence[Stage],
    start_c: float,
    target: float,
    *,
    thickness: float = 1.0,
    coefficient: float = 1.0,
    time: float = 1.0,
    medium: float = 0.0,
    start: float = 0.0,
    freezing: float = 0.0,
) -> float:
    """Hours with one input changed."""
    changed_body = thicker(body, thickness)
    changed_food = Composition(
        food.water,
        food.protein,
        food.fat,
        food.carbohydrate,
        food.ash,
        food.freezing_point_c + freezing,
    )
    changed_stages = [
        Stage(
            min(max(s.medium_c + medium, COLDEST_C), WARMEST_C),
            s.coefficient_w_m2k * coefficient,
            None if s.hours is None else s.hours / time,
        )
        for s in stages
    ]
    return time * hours_to_core(
        changed_food,
        changed_body,
        changed_stages,
        start_c=min(max(start_c + start, COLDEST_C), WARMEST_C),
        core_c=target + freezing,
    )


def formula_hours(food: Composition, body: Body, stage: Stage, *, start_c: float) -> float:
    """Hours to thaw by a closed formula: only a check on the solver.

    Source
    ------
    Cleland, Cleland, Earle & Byrne 1986 [memory, medium]. Against the solver for
    2 000 fish cases: mean 0.0, sd 3.9, at most 14.6 %.

    Raises
    ------
    ValueError
        If the medium is not warmer than the freezing point.

    Check
    -----
    >>> from service.science.properties import GROUPS
    >>> slab = Body(Shape.SLAB, 0.1)
    >>> round(formula_hours(GROUPS["lean"], slab, Stage(3, 10), start_c=-20), 1)
    83.1
    """
    tf = food.freezing_point_c
    if stage.medium_c <= tf or start_c >= tf:
        raise ValueError("medium_c must be above and start_c below the freezing point")
    tables = heat.heat_tables(food, body.packing)
    density = float(density_kg_m3(food, THAWED_AT_C)) * body.packing
    warm = 1000.0 * density * unfrozen_specific_heat_kj_kgk(food)
    cold = 1000.0 * density * (1.55 + 1.26 * food.solids)
    latent = 1000.0 * density * float(enthalpy_kj_kg(food, 0.0) - enthalpy_kj_kg(food, -10.0))
    biot = stage.coefficient_w_m2k * body.thickness_m / tables.k_thawed
    stefan = warm * (stage.medium_c - tf) / latent
    plank = cold * (tf - start_c) / latent
    x = 0.5 / (biot * stefan) + 0.125 / stefan
    dimensionless = 1.4291 * x**1.0248 * stefan**0.2712 * plank**0.0610
    factor = {Shape.CYLINDER: 2.0, Shape.SPHERE: 3.0}.get(
        body.shape, shape_factor(body, stage.coefficient_w_m2k, tables.k_thawed)
    )
    seconds = warm * body.thickness_m**2 / (tables.k_thawed * factor) * dimensionless
    return float(seconds / 3600.0)
