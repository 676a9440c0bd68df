"""What a warming freezer does to a carton, a pallet or a bag: temperatures inside the fish.

An implicit one-dimensional model, scaled to the shape, follows months of
readings; a three-dimensional one follows the hours that matter. Both estimate;
a probe in the fish anchors them and overrules them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from service.science import heat
from service.science.arrays import Array, finite
from service.science.properties import (
    THAWED_AT_C,
    Composition,
    density_kg_m3,
    enthalpy_kj_kg,
)
from service.science.thawing import Body, Shape, shape_factor

LONGEST_STEP_S = 300.0  # readings further apart are walked in sub-steps of five minutes
CHORD_K = 0.02  # half width over which the slope of enthalpy is taken
OCTANT_CELLS = 6


@dataclass(frozen=True)
class History:
    """Temperatures inside one body at each reading: arrays of one length."""

    at_s: Array
    core_c: Array
    surface_c: Array
    mean_c: Array

    @property
    def peak_core_c(self) -> float:
        """The warmest that the core became."""
        return float(self.core_c.max())


@dataclass(frozen=True)
class Anchor:
    """A core measured by hand at an instant: the estimate starts again from it."""

    at_s: float
    core_c: float


def follow(
    food: Composition,
    body: Body,
    coefficient_w_m2k: float,
    at_s: npt.ArrayLike,
    air_c: npt.ArrayLike,
    *,
    start_c: float | None = None,
    anchors: Sequence[Anchor] = (),
    cells: int = heat.CELLS,
) -> History:
    """Core, surface and mean temperature of a body from an air series.

    Parameters
    ----------
    food, body : of the fish; a carton's outer block, a stack's outer brick.
    coefficient_w_m2k : surface heat transfer, packaging included.
    at_s, air_c : shape (n,), seconds strictly ascending, °C, -45 to 45.
    start_c : even temperature at the first reading; None: the first reading.
    anchors : cores measured by hand; from each the body starts again, even
        throughout at what was measured: the warm side, as the surface was warmer.

    Returns
    -------
    History, shapes (n,).

    Raises
    ------
    ValueError
        If there is no reading, instants do not ascend, or a value is not finite.

    Notes
    -----
    One implicit step a reading, sub-steps of five minutes. While the core is
    frozen within 0.1 K of a fine grid; the shape factor makes peaks 0.1-0.5 K
    warm. When a carton thaws through, use `octant`. Cost: O(n · cells).

    Source
    ------
    Science reference 3.2 (derived there, checked against a dense re-implementation).

    Check
    -----
    >>> from service.science.properties import GROUPS
    >>> h = follow(GROUPS["lean"], Body(Shape.SLAB, 0.1), 6, np.arange(145) * 300.0,
    ...            np.full(145, 5.0), start_c=-20)
    >>> round(float(h.core_c[-1]), 1)
    -4.9
    """
    times, air = finite("at_s", at_s), finite("air_c", air_c)
    if times.size == 0 or times.shape != air.shape:
        raise ValueError("at_s and air_c must have the same length, at least one")
    if (np.diff(times) <= 0).any():
        raise ValueError("at_s must ascend")
    tables = heat.heat_tables(food, body.packing)
    geometry = {Shape.CYLINDER: heat.CYLINDER, Shape.SPHERE: heat.SPHERE}.get(body.shape, heat.SLAB)
    cut = heat.cells_of(body.thickness_m / 2, geometry, cells)
    factor = shape_factor(body, coefficient_w_m2k, tables.k_frozen)
    first = float(air[0]) if start_c is None else start_c
    anchor_at = np.array([a.at_s for a in anchors], dtype=np.float64)
    anchor_c = np.array([a.core_c for a in anchors], dtype=np.float64)
    order = np.argsort(anchor_at, kind="stable")
    kernel = _compiled_walk() or walk_plain
    core, surface, mean = (np.empty(times.size) for _ in range(3))
    kernel(
        times,
        np.clip(air, heat.LOWEST_C, heat.HIGHEST_C),
        np.full(cells, float(first)),
        cut.area,
        cut.volume,
        cut.width_m,
        tables.enthalpy_j_m3,
        tables.k_at,
        tables.temperature_c,
        tables.enthalpy_step,
        coefficient_w_m2k * factor,
        factor,
        LONGEST_STEP_S,
        anchor_at[order],
        anchor_c[order],
        core,
        surface,
        mean,
    )
    return History(times, core, surface, mean)


def walk_plain(  # noqa: PLR0912, PLR0915 - one kernel, compiled whole
    at_s: Any,
    air_c: Any,
    temperature: Any,
    area: Any,
    volume: Any,
    width: float,
    h_of_t: Any,
    k_of_t: Any,
    t_of_h: Any,
    h_step: float,
    coefficient: float,
    factor: float,
    longest: float,
    anchor_at: Any,
    anchor_c: Any,
    core: Any,
    surface: Any,
    mean: Any,
) -> None:
    """The implicit walk in plain loops: compiled where numba is, run as it is otherwise."""
    n = temperature.shape[0]
    grid_low, grid_step = -45.0, 90.0 / (h_of_t.shape[0] - 1)
    h_low, last_t, last_h = h_of_t[0], h_of_t.shape[0] - 2, t_of_h.shape[0] - 2
    enthalpy, slope, lower, diagonal, upper, right = (
        np.empty(n),
        np.empty(n),
        np.empty(n),
        np.empty(n),
        np.empty(n),
        np.empty(n),
    )
    conductivity = np.empty(n)
    total = 0.0
    for i in range(n):
        total += volume[i]
        place = min(max((temperature[i] - grid_low) / grid_step, 0.0), last_t + 1.0)
        cell = min(int(place), last_t)
        enthalpy[i] = h_of_t[cell] + (h_of_t[cell + 1] - h_of_t[cell]) * (place - cell)
    next_anchor = 0
    for reading in range(at_s.shape[0]):
        if reading > 0:
            gone = at_s[reading] - at_s[reading - 1]
            count = max(1, int(np.ceil(gone / longest - 1e-9)))
            dt = gone / count
            for sub in range(count):
                share = (sub + 1.0) / count
                medium = air_c[reading - 1] + (air_c[reading] - air_c[reading - 1]) * share
                for i in range(n):
                    place = min(max((temperature[i] - grid_low) / grid_step, 0.0), last_t + 1.0)
                    cell = min(int(place), last_t)
                    conductivity[i] = factor * (
                        k_of_t[cell] + (k_of_t[cell + 1] - k_of_t[cell]) * (place - cell)
                    )
                    high = min((temperature[i] + 0.02 - grid_low) / grid_step, last_t + 1.0)
                    low = max((temperature[i] - 0.02 - grid_low) / grid_step, 0.0)
                    a, b = min(int(high), last_t), min(int(low), last_t)
                    h_high = h_of_t[a] + (h_of_t[a + 1] - h_of_t[a]) * (high - a)
                    h_under = h_of_t[b] + (h_of_t[b + 1] - h_of_t[b]) * (low - b)
                    slope[i] = (h_high - h_under) / ((high - low) * grid_step)
                for i in range(n):
                    inner = 0.0
                    if i > 0:
                        inner = (
                            area[i]
                            * 2.0
                            * conductivity[i - 1]
                            * conductivity[i]
                            / (conductivity[i - 1] + conductivity[i])
                            / width
                        )
                    if i < n - 1:
                        outer = (
                            area[i + 1]
                            * 2.0
                            * conductivity[i]
                            * conductivity[i + 1]
                            / (conductivity[i] + conductivity[i + 1])
                            / width
                        )
                    else:
                        outer = area[n] / (1.0 / coefficient + width / (2.0 * conductivity[i]))
                    storage = volume[i] * slope[i] / dt
                    lower[i], diagonal[i], upper[i] = -inner, storage + inner + outer, -outer
                    right[i] = storage * temperature[i]
                right[n - 1] -= upper[n - 1] * medium
                for i in range(1, n):
                    weight = lower[i] / diagonal[i - 1]
                    diagonal[i] -= weight * upper[i - 1]
                    right[i] -= weight * right[i - 1]
                solved = right[n - 1] / diagonal[n - 1]
                for i in range(n - 1, -1, -1):
                    if i < n - 1:
                        solved = (right[i] - upper[i] * solved) / diagonal[i]
                    enthalpy[i] += slope[i] * (solved - temperature[i])
                    right[i] = solved
                for i in range(n):
                    place = min(max((enthalpy[i] - h_low) / h_step, 0.0), last_h + 1.0)
                    cell = min(int(place), last_h)
                    temperature[i] = t_of_h[cell] + (t_of_h[cell + 1] - t_of_h[cell]) * (
                        place - cell
                    )
        while next_anchor < anchor_at.shape[0] and anchor_at[next_anchor] <= at_s[reading]:
            for i in range(n):
                temperature[i] = anchor_c[next_anchor]
                place = min(max((temperature[i] - grid_low) / grid_step, 0.0), last_t + 1.0)
                cell = min(int(place), last_t)
                enthalpy[i] = h_of_t[cell] + (h_of_t[cell + 1] - h_of_t[cell]) * (place - cell)
            next_anchor += 1
        summed = 0.0
        for i in range(n):
            summed += volume[i] * temperature[i]
        place = min(max((temperature[n - 1] - grid_low) / grid_step, 0.0), last_t + 1.0)
        cell = min(int(place), last_t)
        k_outer = factor * (k_of_t[cell] + (k_of_t[cell + 1] - k_of_t[cell]) * (place - cell))
        inside, outside = width / (2.0 * k_outer), 1.0 / coefficient
        core[reading], mean[reading] = temperature[0], summed / total
        surface[reading] = temperature[n - 1] + (air_c[reading] - temperature[n - 1]) * inside / (
            inside + outside
        )


@lru_cache(maxsize=1)
def _compiled_walk() -> Callable[..., None] | None:
    try:
        import numba  # noqa: PLC0415 - where used: it costs half a second and 65 MB
    except ImportError:
        return None
    return cast(Callable[..., None], numba.njit(cache=True)(walk_plain))


def octant(
    food: Composition,
    body: Body,
    coefficient_w_m2k: float,
    at_s: npt.ArrayLike,
    air_c: npt.ArrayLike,
    *,
    start_c: float,
    cells: int = OCTANT_CELLS,
) -> History:
    """As `follow`, for a brick in three dimensions: for the hours of an event.

    One eighth of the brick, cells × cells × cells, explicit. Within 0.24 K of a
    finer grid at the peak. Cost: O(event · cells³), a week of readings about 50 ms
    compiled; without numba it runs vectorised, slower.

    Raises ValueError unless the body is a brick, and as `follow`.
    """
    if body.shape is not Shape.BRICK or body.width_m is None or body.length_m is None:
        raise ValueError("octant needs a brick")
    times, air = finite("at_s", at_s), finite("air_c", air_c)
    if times.size < 2 or times.shape != air.shape or (np.diff(times) <= 0).any():
        raise ValueError("at_s must ascend and have at least two readings beside air_c")
    tables = heat.heat_tables(food, body.packing)
    widths = np.array([body.thickness_m, body.width_m, body.length_m]) / 2 / cells
    largest = 0.9 / (2 * tables.largest_diffusivity_m2_s * float((1 / widths**2).sum()))
    enthalpy = np.full((cells,) * 3, float(heat.enthalpy_at(tables, start_c)))
    core, surface, mean = (np.empty(times.size) for _ in range(3))
    low = tables.enthalpy_j_m3[0]
    previous = times[0]
    for number, (now, medium) in enumerate(zip(times, air, strict=True)):
        count = max(1, int(np.ceil((now - previous) / largest))) if number else 0
        for _ in range(count):
            _octant_step(
                enthalpy,
                tables,
                low,
                widths,
                coefficient_w_m2k,
                float(medium),
                (now - previous) / count,
            )
        temperature = heat.temperature_of(tables, enthalpy)
        core[number], mean[number] = temperature[0, 0, 0], temperature.mean()
        surface[number] = temperature[-1, -1, -1]
        previous = now
    return History(times, core, surface, mean)


def _octant_step(
    enthalpy: Array,
    tables: heat.HeatTables,
    low: float,
    widths: Array,
    coefficient: float,
    medium: float,
    dt: float,
) -> None:
    place = np.clip((enthalpy - low) / tables.enthalpy_step, 0.0, heat.ENTHALPY_POINTS - 1.0)
    cell = np.minimum(place.astype(np.int64), heat.ENTHALPY_POINTS - 2)
    share = place - cell
    kirchhoff = tables.kirchhoff_w_m[cell] * (1 - share) + tables.kirchhoff_w_m[cell + 1] * share
    gain = np.zeros_like(enthalpy)
    for axis, width in enumerate(widths):
        flux = np.diff(kirchhoff, axis=axis) / width**2
        inner = [slice(None)] * 3
        inner[axis] = slice(None, -1)
        outer = [slice(None)] * 3
        outer[axis] = slice(1, None)
        gain[tuple(inner)] += flux
        gain[tuple(outer)] -= flux
        edge: list[slice | int] = [slice(None)] * 3
        edge[axis] = -1
        t_edge = (
            tables.temperature_c[cell] * (1 - share) + tables.temperature_c[cell + 1] * share
        )[tuple(edge)]
        k_edge = (tables.k_w_mk[cell] * (1 - share) + tables.k_w_mk[cell + 1] * share)[tuple(edge)]
        gain[tuple(edge)] += (medium - t_edge) / (1 / coefficient + width / (2 * k_edge)) / width
    enthalpy += dt * gain


def hours_to_warm(
    food: Composition,
    mass_kg: float,
    conductance_w_k: float,
    ambient_c: float,
    *,
    start_c: float,
    end_c: float,
    steps: int = 2000,
) -> float:
    """Hours in which the whole load of a closed, unpowered freezer warms up.

    dt = m · dH / (UA · (ambient − T)), the load even throughout: an estimate of
    order only.

    Raises ValueError unless start < end < ambient and mass and conductance > 0.

    Source
    ------
    Science reference 3.3 (energy balance).

    Check
    -----
    >>> from service.science.properties import GROUPS
    >>> round(hours_to_warm(GROUPS["lean"], 200, 2.5, 25, start_c=-18, end_c=-9), 1)
    16.6
    """
    if not (start_c < end_c < ambient_c and mass_kg > 0 and conductance_w_k > 0):
        raise ValueError("start_c < end_c < ambient_c, and mass and conductance more than zero")
    at = np.linspace(start_c, end_c, steps + 1)
    heat_j = 1000.0 * mass_kg * np.diff(enthalpy_kj_kg(food, at))
    middle = (at[1:] + at[:-1]) / 2
    return float((heat_j / (conductance_w_k * (ambient_c - middle))).sum() / 3600.0)


def load_kg(food: Composition, body: Body) -> float:
    """Mass of a brick of fish, kg. Raises ValueError for another shape."""
    if body.shape is not Shape.BRICK or body.width_m is None or body.length_m is None:
        raise ValueError("load_kg needs a brick")
    volume = body.thickness_m * body.width_m * body.length_m
    return volume * float(density_kg_m3(food, THAWED_AT_C)) * body.packing
