"""One-dimensional heat flow in freezing and thawing fish: tables and the explicit kernel.

Enthalpy method in Kirchhoff form: enthalpy per volume is what is stored in each
cell, temperature and the conductivity integral are looked up from it, so the
latent heat needs no special case and energy is conserved to rounding. The kernel
is compiled where numba is installed and runs through NumPy otherwise, with the
same arithmetic.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, cast

import numpy as np

from service.science.arrays import Array
from service.science.properties import (
    THAWED_AT_C,
    Composition,
    conductivity_w_mk,
    density_kg_m3,
    enthalpy_kj_kg,
)

LOWEST_C, HIGHEST_C = -45.0, 45.0
TEMPERATURE_POINTS = 9001
ENTHALPY_POINTS = 20001
CELLS = 10  # of a half thickness: at most 0.16 % off 60 cells in 2 000 random cases
STEP_SHARE = 0.9  # of the largest stable step
SLAB, CYLINDER, SPHERE = 0, 1, 2


@dataclass(frozen=True)
class HeatTables:
    """A food's enthalpy per volume, temperature, conductivity and its integral, on even grids.

    enthalpy_j_m3 and k_at : shape (9001,), over -45 to 45 °C. temperature_c,
    k_w_mk and kirchhoff_w_m : shape (20001,), over the enthalpies between.
    """

    enthalpy_j_m3: Array
    k_at: Array
    temperature_c: Array
    k_w_mk: Array
    kirchhoff_w_m: Array
    enthalpy_step: float
    largest_diffusivity_m2_s: float
    k_thawed: float
    k_frozen: float


@lru_cache(maxsize=64)
def heat_tables(food: Composition, packing: float = 1.0) -> HeatTables:
    """The tables of a food between -45 and 45 °C.

    Parameters
    ----------
    packing : net mass over the volume of the block, divided by the fish's own
        density; 1 for a solid block, loosely frozen fish 0.5 to 0.9.

    Returns
    -------
    HeatTables: J/m³, °C, W/mK and W/m over even grids.

    Raises
    ------
    ValueError
        For a packing outside 0.3 to 1.

    Notes
    -----
    One density, that of the thawed fish, so that mass is conserved: frozen blocks
    come out 5 to 6 % heavy, on the slow side. Voids hold heat and conduct like fish.
    Cost: about 0.15 s, once a food and packing.

    Source
    ------
    Science reference 1.6 and 2.1; properties as in `properties`.

    Check
    -----
    To thaw a litre of lean fish from -20 to 0 °C, in kJ: 270.8 kJ/kg × 1.0504 kg.

    >>> from service.science.properties import GROUPS
    >>> tables = heat_tables(GROUPS["lean"])
    >>> round(float(enthalpy_at(tables, 0) - enthalpy_at(tables, -20)) / 1e6, 1)
    284.5
    """
    if not 0.3 <= packing <= 1.0:
        raise ValueError("packing must lie between 0.3 and 1")
    at = np.linspace(LOWEST_C, HIGHEST_C, TEMPERATURE_POINTS)
    density = float(density_kg_m3(food, THAWED_AT_C)) * packing
    enthalpy = 1000.0 * density * enthalpy_kj_kg(food, at)
    k_at = conductivity_w_mk(food, at)
    even = np.linspace(enthalpy[0], enthalpy[-1], ENTHALPY_POINTS)
    temperature = np.interp(even, enthalpy, at)
    fine = np.linspace(LOWEST_C, HIGHEST_C, 400_001)
    k_fine = np.interp(fine, at, k_at)
    integral = np.concatenate(([0.0], np.cumsum((k_fine[1:] + k_fine[:-1]) / 2 * np.diff(fine))))
    slope = np.gradient(enthalpy, at)
    return HeatTables(
        enthalpy_j_m3=enthalpy,
        k_at=k_at,
        temperature_c=temperature,
        k_w_mk=np.interp(temperature, at, k_at),
        kirchhoff_w_m=np.interp(temperature, fine, integral),
        enthalpy_step=float(even[1] - even[0]),
        largest_diffusivity_m2_s=float((k_at / slope).max()),
        k_thawed=float(conductivity_w_mk(food, THAWED_AT_C)),
        k_frozen=float(conductivity_w_mk(food, -20.0)),
    )


def enthalpy_at(tables: HeatTables, temperature_c: float | Array) -> Array:
    """Enthalpy per volume at temperatures.

    temperature_c : shape (...), °C; colder than -45 or warmer than 45 counts as that.
    Returns J/m³, shape (...), rising with temperature, linear between points of
    0.01 K. Cost O(1) a value, some 50 µs a call.

    >>> from service.science.properties import GROUPS
    >>> tables = heat_tables(GROUPS["lean"])
    >>> bool(enthalpy_at(tables, 60.0) == enthalpy_at(tables, 45.0))
    True
    """
    grid = np.linspace(LOWEST_C, HIGHEST_C, tables.enthalpy_j_m3.size)
    value: Array = np.interp(np.asarray(temperature_c, float), grid, tables.enthalpy_j_m3)
    return value


def temperature_of(tables: HeatTables, enthalpy_j_m3: Array) -> Array:
    """Temperature of enthalpies per volume: `enthalpy_at` turned round.

    enthalpy_j_m3 : shape (...), J/m³; beyond the tables counts as their end. Returns
    °C, shape (...), between -45 and 45, within 1 mK. Cost O(1) a value.

    >>> from service.science.properties import GROUPS
    >>> tables = heat_tables(GROUPS["lean"])
    >>> temperature_of(tables, enthalpy_at(tables, np.array([-20.0, 3.0]))).round(2).tolist()
    [-20.0, 3.0]
    """
    last = tables.temperature_c.size - 1
    place = np.clip((enthalpy_j_m3 - tables.enthalpy_j_m3[0]) / tables.enthalpy_step, 0.0, last)
    cell = np.minimum(place.astype(np.int64), last - 1)
    below, above = tables.temperature_c[cell], tables.temperature_c[cell + 1]
    value: Array = below + (above - below) * (place - cell)
    return value


@dataclass(frozen=True)
class Cells:
    """Faces and volumes of the cells of one body, per unit solid angle."""

    area: Array
    volume: Array
    width_m: float


def cells_of(radius_m: float, geometry: int, count: int = CELLS) -> Cells:
    """Equal cells from the middle (or axis, or centre) to the surface.

    radius_m : half thickness or radius, > 0. geometry : SLAB, CYLINDER or SPHERE.
    Returns faces' areas, shape (count + 1,), and volumes, shape (count,), per unit
    solid angle: of a slab per m², of a cylinder per metre and radian.

    Raises ValueError for fewer than two cells.

    Source: geometry. Volumes add up to the body's:

    >>> [round(float(cells_of(0.3, g, 5).volume.sum()), 6) for g in (SLAB, CYLINDER, SPHERE)]
    [0.3, 0.045, 0.009]
    """
    if count < 2:
        raise ValueError("cells must be at least 2")
    width = radius_m / count
    faces: Array = width * np.arange(count + 1, dtype=np.float64)
    power = geometry + 1
    area: Array = faces**geometry
    volume: Array = (faces[1:] ** power - faces[:-1] ** power) / power
    return Cells(area, volume, width)


def largest_step_s(cells: Cells, tables: HeatTables, coefficient_w_m2k: float) -> float:
    """The largest stable explicit step in seconds, by the most tightly coupled cell.

    coefficient_w_m2k : surface heat transfer, > 0 W/m²K. Nine tenths of the limit, at
    the largest diffusivity of the food, that of its coldest. Cost O(cells).

    Source: positive weights of the explicit scheme, textbook; science reference 2.1.
    Cells half as wide allow a quarter of the step, where the surface hardly counts:

    >>> from service.science.properties import GROUPS
    >>> tables = heat_tables(GROUPS["lean"])
    >>> coarse, fine = (largest_step_s(cells_of(0.05, SLAB, n), tables, 10) for n in (10, 20))
    >>> round(coarse / fine, 2), round(coarse, 1)
    (4.0, 13.3)
    """
    conductance = cells.area / cells.width_m
    outer = cells.area[-1] / (cells.width_m / 2 + tables.k_thawed / coefficient_w_m2k)
    coupled = np.concatenate((conductance[1:-1], [outer])) + np.concatenate(
        ([0.0], conductance[1:-1])
    )
    return float(STEP_SHARE * (cells.volume / coupled).min() / tables.largest_diffusivity_m2_s)


def march(
    enthalpy: Array,
    cells: Cells,
    tables: HeatTables,
    *,
    coefficient_w_m2k: float,
    medium_c: float,
    step_s: float,
    most_steps: int,
    target_core_c: float,
    warming: bool,
) -> tuple[float, int]:
    """Step a body forward until its core passes a temperature, or the steps are used up.

    Parameters
    ----------
    enthalpy : ndarray, shape (cells,), J/m³; changed in place.
    target_core_c : stop when the core passes it.
    warming : whether the core rises to its target or falls to it; a medium on the
        wrong side (fish tempered below its freezing point) only uses up the steps.

    Returns
    -------
    Seconds gone (interpolated inside the last step when the target was passed)
    and steps made.

    Notes
    -----
    Energy is conserved to rounding as long as no cell leaves the tables (-45 to 45 °C).
    A step above `largest_step_s` is not refused and oscillates. Leaves out evaporation
    and drip. Cost: O(steps · cells); compiled 0.1 µs a cell and step.

    Source
    ------
    Enthalpy method with Kirchhoff transform, standard; science reference 2.1.

    Check
    -----
    A 100 mm block of lean fish at -20 °C in air of 3 °C, until its core is at -0.5 °C:

    >>> from service.science.properties import GROUPS
    >>> tables, cells = heat_tables(GROUPS["lean"]), cells_of(0.05, SLAB)
    >>> seconds, _ = march(
    ...     np.full(CELLS, float(enthalpy_at(tables, -20))), cells, tables,
    ...     coefficient_w_m2k=10, medium_c=3, step_s=largest_step_s(cells, tables, 10),
    ...     most_steps=10**6, target_core_c=-0.5, warming=True,
    ... )
    >>> round(seconds / 3600, 1)
    92.3
    """
    kernel = _compiled() or march_plain
    seconds, steps = kernel(
        enthalpy,
        cells.area,
        cells.volume,
        cells.width_m,
        tables.enthalpy_j_m3[0],
        tables.enthalpy_step,
        tables.temperature_c,
        tables.k_w_mk,
        tables.kirchhoff_w_m,
        coefficient_w_m2k,
        medium_c,
        step_s,
        most_steps,
        target_core_c,
        warming,
    )
    return float(seconds), int(steps)


def march_plain(
    enthalpy: Any,
    area: Any,
    volume: Any,
    width: float,
    h_low: float,
    h_step: float,
    t_table: Any,
    k_table: Any,
    u_table: Any,
    coefficient: float,
    medium: float,
    step: float,
    most_steps: int,
    target: float,
    warming: bool,
) -> tuple[float, int]:
    """The kernel, one body, in plain loops: what numba compiles, and what runs without it.

    Cells are carried as places on the even grid of enthalpies, in one sweep from the
    core to the surface: the look-ups, and divisions above all, are what it costs.
    """
    n = enthalpy.shape[0]
    highest = (t_table.shape[0] - 1) * (1.0 - 1e-12)
    place = np.minimum(np.maximum((enthalpy - h_low) / h_step, 0.0), highest)
    flow, gain = area[1:] / width, step / volume / h_step
    climb = np.diff(u_table)
    inside, outside = width / 2.0, 1.0 / coefficient
    seconds = most_steps * step
    number = 0
    before = 0.0
    while True:
        at = place[0]
        cell = np.int32(at)
        share = at - cell
        here = u_table[cell] + climb[cell] * share
        core = t_table[cell] + (t_table[cell + 1] - t_table[cell]) * share
        if (core >= target) == warming:
            seconds = 0.0
            if number > 0:
                seconds = (number - 1 + (target - before) / (core - before)) * step
            break
        if number == most_steps:
            break
        before = core
        inflow = 0.0
        for i in range(n - 1):
            further = place[i + 1]
            cell = np.int32(further)
            there = u_table[cell] + climb[cell] * (further - cell)
            outflow = flow[i] * (there - here)
            place[i] = min(max(at + gain[i] * (outflow - inflow), 0.0), highest)
            at, here, inflow = further, there, outflow
        cell = np.int32(at)
        share = at - cell
        edge = t_table[cell] + (t_table[cell + 1] - t_table[cell]) * share
        edge_k = k_table[cell] + (k_table[cell + 1] - k_table[cell]) * share
        outflow = area[n] * (medium - edge) * edge_k / (outside * edge_k + inside)
        place[n - 1] = min(max(at + gain[n - 1] * (outflow - inflow), 0.0), highest)
        number += 1
    enthalpy[:] = h_low + place * h_step
    return seconds, number


Kernel = Callable[..., tuple[float, int]]


@lru_cache(maxsize=1)
def _compiled() -> Kernel | None:
    """The kernel compiled by numba and cached on disk; None where numba is not installed."""
    try:
        import numba  # noqa: PLC0415 - where used: it costs half a second and 65 MB
    except ImportError:
        return None
    # NumPy's model of errors: no test for division by zero at every division
    return cast(Kernel, numba.njit(cache=True, error_model="numpy")(march_plain))
