"""What a warming freezer does to a carton, a pallet or a bag: temperatures inside the fish.

An implicit one-dimensional model, scaled to the shape, follows months of
readings; a three-dimensional one follows the hours that matter. Both estimate;
a probe in the fish anchors them and overrules them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import inf
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from service.science import heat
from service.science.arrays import Array, finite, within
from service.science.properties import (
    THAWED_AT_C,
    Composition,
    density_kg_m3,
    enthalpy_kj_kg,
)
from service.science.thawing import Body, Shape, shape_factor

LONGEST_STEP_S = 300.0  # readings further apart are walked in sub-steps of five minutes
OCTANT_CELLS = 6


@dataclass(frozen=True)
class History:
    """Temperatures inside one body at each reading: arrays of one length.

    >>> at_s, warm, cold = np.arange(2.0), np.array([-20.0, -9.5]), np.array([-20.0, -12.0])
    >>> History(at_s, core_c=cold, surface_c=warm, mean_c=cold).peak_core_c
    -12.0
    """

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
    """A core measured by hand at an instant: the estimate starts again from it.

    kept_warmer, kept_colder : 0 to 1, which share of what the rest of the body was
        warmer or colder than its core stays; 0 and 0 make it even throughout. Even
        is the warm side while fish is cooled down and the cold side while it warms.

    Raises ValueError for a share outside 0 to 1.

    >>> Anchor(3600.0, -12.0, kept_warmer=2.0)
    Traceback (most recent call last):
    ValueError: kept_warmer and kept_colder must lie between 0 and 1
    """

    at_s: float
    core_c: float
    kept_warmer: float = 0.0
    kept_colder: float = 0.0

    def __post_init__(self) -> None:
        within("kept_warmer and kept_colder", (self.kept_warmer, self.kept_colder), 0, 1)


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
    at_s, air_c : shape (n,), seconds strictly ascending, °C; air beyond -45 to 45
        counts as that.
    start_c : even temperature at the first reading; None: the first reading.
    anchors : cores measured by hand, in any order; from each, at the first reading
        not before it, the body starts again.

    Returns
    -------
    History, shapes (n,).

    Raises
    ------
    ValueError
        If there is no reading, instants do not ascend, or a value is not finite or
        outside its range, naming it.

    Notes
    -----
    One implicit step a reading, sub-steps of five minutes. While the core is
    frozen within 0.1 K of a fine grid; the shape factor makes peaks up to 0.6 K
    warm in an outage of hours, up to 0.3 K cold in a warming over a day. When a
    carton thaws through, use `octant`. Cost: O(n · cells).

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
    times, air = _series(at_s, air_c)
    _check(coefficient_w_m2k, [float(air[0]) if start_c is None else start_c])
    _check(coefficient_w_m2k, [anchor.core_c for anchor in anchors])
    finite("anchors", [anchor.at_s for anchor in anchors])
    tables = heat.heat_tables(food, body.packing)
    geometry = {Shape.CYLINDER: heat.CYLINDER, Shape.SPHERE: heat.SPHERE}.get(body.shape, heat.SLAB)
    cut = heat.cells_of(body.thickness_m / 2, geometry, cells)
    factor = shape_factor(body, coefficient_w_m2k, tables.k_frozen)
    first = float(air[0]) if start_c is None else start_c
    ordered = sorted(anchors, key=lambda anchor: anchor.at_s)
    kernel = _compiled_walk() or walk_plain
    core, surface, mean = (np.empty(times.size) for _ in range(3))
    kernel(
        times,
        air,
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
        np.array([a.at_s for a in ordered], dtype=np.float64),
        np.array([(a.core_c, a.kept_warmer, a.kept_colder) for a in ordered]).reshape(-1, 3),
        core,
        surface,
        mean,
    )
    return History(times, core, surface, mean)


def _series(at_s: npt.ArrayLike, air_c: npt.ArrayLike) -> tuple[Array, Array]:
    """Instants and air, checked; air beyond the tables counts as their end."""
    times, air = finite("at_s", at_s), finite("air_c", air_c)
    if times.ndim != 1 or times.size == 0 or times.shape != air.shape:
        raise ValueError("at_s and air_c must have the same length, at least one")
    if (np.diff(times) <= 0).any():
        raise ValueError("at_s must ascend")
    return times, np.clip(air, heat.LOWEST_C, heat.HIGHEST_C)


def _check(coefficient_w_m2k: float, temperatures_c: Sequence[float]) -> None:
    within("coefficient_w_m2k", coefficient_w_m2k, 0.5, 2000)
    within("start_c and core_c", temperatures_c, heat.LOWEST_C, heat.HIGHEST_C)


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
    anchor: Any,
    core: Any,
    surface: Any,
    mean: Any,
) -> None:
    """The implicit walk in plain loops: compiled where numba is, run as it is otherwise."""
    n = temperature.shape[0]
    grid_low, grid_step = -45.0, 90.0 / (h_of_t.shape[0] - 1)
    per_t, per_h, per_width = 1.0 / grid_step, 1.0 / h_step, 2.0 / width
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
        place = min(max((temperature[i] - grid_low) * per_t, 0.0), last_t + 1.0)
        cell = min(int(place), last_t)
        enthalpy[i] = h_of_t[cell] + (h_of_t[cell + 1] - h_of_t[cell]) * (place - cell)
    next_anchor = 0
    for reading in range(at_s.shape[0]):
        if reading > 0:
            gone = at_s[reading] - at_s[reading - 1]
            # within a microsecond nothing flows, and a step so short would divide to infinity
            count = max(1, int(np.ceil(gone / longest - 1e-9))) if gone > 1e-6 else 0
            dt = gone / max(count, 1)
            for sub in range(count):
                share = (sub + 1.0) / count
                medium = air_c[reading - 1] + (air_c[reading] - air_c[reading - 1]) * share
                for i in range(n):
                    place = min(max((temperature[i] - grid_low) * per_t, 0.0), last_t + 1.0)
                    cell = min(int(place), last_t)
                    conductivity[i] = factor * (
                        k_of_t[cell] + (k_of_t[cell + 1] - k_of_t[cell]) * (place - cell)
                    )
                    high = min((temperature[i] + 0.02 - grid_low) * per_t, last_t + 1.0)
                    low = max((temperature[i] - 0.02 - grid_low) * per_t, 0.0)
                    a, b = min(int(high), last_t), min(int(low), last_t)
                    h_high = h_of_t[a] + (h_of_t[a + 1] - h_of_t[a]) * (high - a)
                    h_under = h_of_t[b] + (h_of_t[b + 1] - h_of_t[b]) * (low - b)
                    slope[i] = (h_high - h_under) / ((high - low) * grid_step)
                inner = 0.0
                for i in range(n):
                    if i < n - 1:
                        both = conductivity[i] + conductivity[i + 1]
                        outer = conductivity[i] * conductivity[i + 1] / both
                        outer *= area[i + 1] * per_width
                    else:
                        outer = area[n] / (1.0 / coefficient + width / (2.0 * conductivity[i]))
                    storage = volume[i] * slope[i] / dt
                    lower[i], diagonal[i], upper[i] = -inner, storage + inner + outer, -outer
                    right[i] = storage * temperature[i]
                    inner = outer
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
                    place = min(max((enthalpy[i] - h_low) * per_h, 0.0), last_h + 1.0)
                    cell = min(int(place), last_h)
                    temperature[i] = t_of_h[cell] + (t_of_h[cell + 1] - t_of_h[cell]) * (
                        place - cell
                    )
        while next_anchor < anchor_at.shape[0] and anchor_at[next_anchor] <= at_s[reading]:
            core_before = temperature[0]
            for i in range(n):
                apart = temperature[i] - core_before
                kept = anchor[next_anchor, 1] if apart > 0 else anchor[next_anchor, 2]
                again = anchor[next_anchor, 0] + kept * apart
                temperature[i] = min(max(again, grid_low), -grid_low)
                place = min(max((temperature[i] - grid_low) * per_t, 0.0), last_t + 1.0)
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
    return cast(Callable[..., None], numba.njit(cache=True, error_model="numpy")(walk_plain))


def octant(
    food: Composition,
    body: Body,
    coefficient_w_m2k: float,
    at_s: npt.ArrayLike,
    air_c: npt.ArrayLike,
    *,
    start_c: float,
    anchors: Sequence[Anchor] = (),
    cells: int = OCTANT_CELLS,
) -> History:
    """As `follow`, for a brick in three dimensions: for the hours of an event.

    One eighth of the brick, cells × cells × cells, explicit. Within 0.24 K of a
    finer grid at the peak. The surface is the outermost corner cell. Cost:
    O(event · cells³); compiled, a week of five-minute readings of a 10 cm carton
    takes about 0.1 s; without numba it runs through NumPy, some forty times slower.

    Raises ValueError unless the body is a brick, and as `follow`.

    >>> from service.science.properties import GROUPS
    >>> carton, hours = Body(Shape.BRICK, 0.1, 0.25, 0.4), np.arange(7) * 3600.0
    >>> h = octant(GROUPS["lean"], carton, 5, hours, np.full(7, 5.0), start_c=-20)
    >>> round(float(h.core_c[-1]), 1)
    -7.6
    """
    if body.shape is not Shape.BRICK or body.width_m is None or body.length_m is None:
        raise ValueError("octant needs a brick")
    times, air = _series(at_s, air_c)
    _check(coefficient_w_m2k, [start_c, *(anchor.core_c for anchor in anchors)])
    finite("anchors", [anchor.at_s for anchor in anchors])
    if cells < 2:
        raise ValueError("cells must be at least 2")
    tables = heat.heat_tables(food, body.packing)
    widths = np.array([body.thickness_m, body.width_m, body.length_m]) / 2 / cells
    longest = _octant_step_s(widths, tables, coefficient_w_m2k)
    enthalpy = np.full((cells,) * 3, float(heat.enthalpy_at(tables, start_c)))
    core, surface, mean = (np.empty(times.size) for _ in range(3))
    kernel = _compiled_octant() or octant_vectorised
    waiting = sorted(anchors, key=lambda anchor: anchor.at_s)
    for number in range(times.size):
        if number:
            gone = times[number] - times[number - 1]
            count = max(1, int(np.ceil(gone / longest)))
            kernel(
                enthalpy,
                widths,
                tables.enthalpy_j_m3[0],
                tables.enthalpy_step,
                tables.temperature_c,
                tables.k_w_mk,
                tables.kirchhoff_w_m,
                coefficient_w_m2k,
                air[number - 1],
                air[number],
                gone / count,
                count,
            )
        temperature = heat.temperature_of(tables, enthalpy)
        while waiting and waiting[0].at_s <= times[number]:
            temperature = _restarted(temperature, waiting.pop(0))
            enthalpy = np.ascontiguousarray(heat.enthalpy_at(tables, temperature))
        core[number], mean[number] = temperature[0, 0, 0], temperature.mean()
        surface[number] = temperature[-1, -1, -1]
    return History(times, core, surface, mean)


def _restarted(temperature: Array, anchor: Anchor) -> Array:
    """The octant's cells after its core was measured by hand."""
    apart = temperature - temperature[0, 0, 0]
    kept = np.where(apart > 0, anchor.kept_warmer, anchor.kept_colder)
    again: Array = np.clip(anchor.core_c + kept * apart, heat.LOWEST_C, heat.HIGHEST_C)
    return again


def _octant_step_s(widths: Array, tables: heat.HeatTables, coefficient: float) -> float:
    """The largest stable explicit step, by the corner cell or the innermost ones."""
    inner = 1 / widths**2
    outer = 1 / (widths * (widths / 2 + tables.k_thawed / coefficient))
    coupled = float((inner + np.maximum(inner, outer)).sum())
    return float(heat.STEP_SHARE / (tables.largest_diffusivity_m2_s * coupled))


def octant_vectorised(
    enthalpy: Array,
    widths: Array,
    h_low: float,
    h_step: float,
    t_table: Array,
    k_table: Array,
    u_table: Array,
    coefficient: float,
    air_before: float,
    air_after: float,
    dt: float,
    count: int,
) -> None:
    """`count` steps of the octant between two readings, through NumPy: where numba is not."""
    last = t_table.shape[0] - 2
    for number in range(count):
        medium = air_before + (air_after - air_before) * (number + 1.0) / count
        place = np.clip((enthalpy - h_low) / h_step, 0.0, last + 1.0)
        cell = np.minimum(place.astype(np.int64), last)
        share = place - cell
        kirchhoff = u_table[cell] + (u_table[cell + 1] - u_table[cell]) * share
        temperature = t_table[cell] + (t_table[cell + 1] - t_table[cell]) * share
        conductivity = k_table[cell] + (k_table[cell + 1] - k_table[cell]) * share
        gain = np.zeros_like(enthalpy)
        for axis, width in enumerate(widths):
            flux = np.diff(kirchhoff, axis=axis) / width**2
            inner, outer, edge = ([slice(None)] * 3 for _ in range(3))
            inner[axis], outer[axis] = slice(None, -1), slice(1, None)
            edge[axis] = slice(-1, None)
            gain[tuple(inner)] += flux
            gain[tuple(outer)] -= flux
            resistance = 1.0 / coefficient + width / (2.0 * conductivity[tuple(edge)])
            gain[tuple(edge)] += (medium - temperature[tuple(edge)]) / resistance / width
        enthalpy += dt * gain


def octant_plain(  # noqa: PLR0912 - one kernel, compiled whole
    enthalpy: Any,
    widths: Any,
    h_low: float,
    h_step: float,
    t_table: Any,
    k_table: Any,
    u_table: Any,
    coefficient: float,
    air_before: float,
    air_after: float,
    dt: float,
    count: int,
) -> None:
    """As `octant_vectorised` in plain loops: what numba compiles."""
    n = enthalpy.shape[0]
    last = t_table.shape[0] - 2
    kirchhoff = np.empty((n, n, n))
    w0, w1, w2 = widths[0], widths[1], widths[2]
    for number in range(count):
        medium = air_before + (air_after - air_before) * (number + 1.0) / count
        for i in range(n):
            for j in range(n):
                for k in range(n):
                    place = min(max((enthalpy[i, j, k] - h_low) / h_step, 0.0), last + 1.0)
                    cell = min(int(place), last)
                    kirchhoff[i, j, k] = u_table[cell] + (u_table[cell + 1] - u_table[cell]) * (
                        place - cell
                    )
        for i in range(n):
            for j in range(n):
                for k in range(n):
                    here = kirchhoff[i, j, k]
                    gain = 0.0
                    if i > 0:
                        gain += (kirchhoff[i - 1, j, k] - here) / w0**2
                    if i < n - 1:
                        gain += (kirchhoff[i + 1, j, k] - here) / w0**2
                    if j > 0:
                        gain += (kirchhoff[i, j - 1, k] - here) / w1**2
                    if j < n - 1:
                        gain += (kirchhoff[i, j + 1, k] - here) / w1**2
                    if k > 0:
                        gain += (kirchhoff[i, j, k - 1] - here) / w2**2
                    if k < n - 1:
                        gain += (kirchhoff[i, j, k + 1] - here) / w2**2
                    if n - 1 in (i, j, k):
                        place = min(max((enthalpy[i, j, k] - h_low) / h_step, 0.0), last + 1.0)
                        cell = min(int(place), last)
                        share = place - cell
                        at = t_table[cell] + (t_table[cell + 1] - t_table[cell]) * share
                        half = 2.0 * (k_table[cell] + (k_table[cell + 1] - k_table[cell]) * share)
                        if i == n - 1:
                            gain += (medium - at) / (1.0 / coefficient + w0 / half) / w0
                        if j == n - 1:
                            gain += (medium - at) / (1.0 / coefficient + w1 / half) / w1
                        if k == n - 1:
                            gain += (medium - at) / (1.0 / coefficient + w2 / half) / w2
                    enthalpy[i, j, k] += dt * gain


@lru_cache(maxsize=1)
def _compiled_octant() -> Callable[..., None] | None:
    try:
        import numba  # noqa: PLC0415 - where used: it costs half a second and 65 MB
    except ImportError:
        return None
    return cast(Callable[..., None], numba.njit(cache=True)(octant_plain))


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
    16.7
    """
    if not (start_c < end_c < ambient_c < inf and 0 < mass_kg < inf and 0 < conductance_w_k < inf):
        raise ValueError("start_c < end_c < ambient_c, and mass and conductance more than zero")
    at = np.linspace(start_c, end_c, steps + 1)
    heat_j = 1000.0 * mass_kg * np.diff(enthalpy_kj_kg(food, at))
    middle = (at[1:] + at[:-1]) / 2
    return float((heat_j / (conductance_w_k * (ambient_c - middle))).sum() / 3600.0)


def load_kg(food: Composition, body: Body) -> float:
    """Mass of a brick of fish, kg. Raises ValueError for another shape.

    >>> from service.science.properties import GROUPS
    >>> round(load_kg(GROUPS["lean"], Body(Shape.BRICK, 0.1, 0.25, 0.4)), 1)
    10.5
    """
    if body.shape is not Shape.BRICK or body.width_m is None or body.length_m is None:
        raise ValueError("load_kg needs a brick")
    volume = body.thickness_m * body.width_m * body.length_m
    return volume * float(density_kg_m3(food, THAWED_AT_C)) * body.packing
