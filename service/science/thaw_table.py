"""Thaw times without solving: a table per food group, interpolated.

For one food the time to thaw a slab depends on Biot number, start and medium
only, times the half thickness squared. The table holds a smooth logarithm of
it; a brick or a fish divides by its shape factor. `python -m
service.science.thaw_table` makes the files again after a change of the physics.
"""

from collections.abc import Sequence
from enum import StrEnum
from functools import lru_cache
from importlib.resources import as_file, files
from math import exp, hypot, log
from pathlib import Path

import numpy as np
import numpy.typing as npt

from service.science import heat
from service.science.arrays import Array, Indices, within
from service.science.estimate import Estimate
from service.science.properties import GROUPS, Composition, enthalpy_kj_kg
from service.science.thawing import (
    LN_SD_COEFFICIENT,
    LN_SD_CONDUCTIVITY,
    LN_SD_DENSITY,
    LN_SD_MODEL,
    LN_SD_THICKNESS,
    SD_FREEZING_POINT_K,
    SD_MEDIUM_K,
    SD_START_K,
    SOURCES,
    Body,
    Shape,
    Stage,
    described,
    fully_thawed_core_c,
    hours_to_core,
    shape_factor,
    thicker,
)


class Until(StrEnum):
    """How far fish is thawed."""

    THAWED = "thawed"
    SEPARABLE = "separable"


SEPARABLE_CORE_C = -3.0  # of a block that can be taken apart [science reference 2.2: M-l]
COLDEST_START_C = -33.0
WARMEST_START_C = {Until.THAWED: SEPARABLE_CORE_C, Until.SEPARABLE: -6.0}
COLDEST_MEDIUM_C, WARMEST_MEDIUM_C = 0.0, 24.0
LEAST_BIOT, MOST_BIOT = 0.04, 80.0
SHAPE = (24, 12, 24)  # of Biot number, start, medium
_BLOCK = 32_768  # cases at once: what they need stays in the processor's cache


def axes(food: Composition, until: Until) -> tuple[Array, Array, Array]:
    """Biot numbers, starts (°C) and media (°C) of a table.

    Even in the logarithm of the Biot number, in the enthalpy of the start and in the
    logarithm of the medium above -1 °C: there the time is smoothest.

    >>> _, start, medium = axes(GROUPS["lean"], Until.SEPARABLE)
    >>> start[[0, -1]].tolist(), medium[[0, -1]].round(9).tolist()
    ([-33.0, -6.0], [0.0, 24.0])
    """
    biot = np.geomspace(LEAST_BIOT, MOST_BIOT, SHAPE[0])
    ends = (COLDEST_START_C, WARMEST_START_C[until])
    fine = np.linspace(*ends, 20_001)
    enthalpy = enthalpy_kj_kg(food, fine)
    start = np.interp(np.linspace(enthalpy[0], enthalpy[-1], SHAPE[1]), enthalpy, fine)
    start[[0, -1]] = ends
    medium = np.geomspace(COLDEST_MEDIUM_C + 1, WARMEST_MEDIUM_C + 1, SHAPE[2]) - 1.0
    return biot, start, medium


def core_c(food: Composition, until: Until) -> float:
    """The core at which fish has come so far.

    >>> core_c(GROUPS["fatty"], Until.THAWED), core_c(GROUPS["fatty"], Until.SEPARABLE)
    (-0.7, -3.0)
    """
    return fully_thawed_core_c(food) if until is Until.THAWED else SEPARABLE_CORE_C


def build(food: Composition, until: Until = Until.THAWED) -> Array:
    """The table of a food, shape (24, 12, 24): 6 912 solves, about a minute compiled.

    Value: ln( t·(Ta + 1) / (R²·(1 + 2/Bi)) ), t in s, R in m.
    """
    table = np.empty(SHAPE)
    every = axes(food, until)
    for place in np.ndindex(SHAPE):
        biot, start, medium = (float(axis[i]) for axis, i in zip(every, place, strict=True))
        table[place] = _solved(food, until, biot, start, medium)
    return table


def _solved(food: Composition, until: Until, biot: float, start: float, medium: float) -> float:
    """One value. The radius is any, as time scales with its square: one that ends in time."""
    radius_m = 0.005 if biot < 1 else 0.03
    stage = Stage(medium, biot * heat.heat_tables(food).k_thawed / radius_m)
    body = Body(Shape.SLAB, 2 * radius_m)
    hours = hours_to_core(food, body, [stage], start_c=start, core_c=core_c(food, until))
    return log(hours * 3600 * (medium + 1) / (radius_m**2 * (1 + 2 / biot)))


@lru_cache(maxsize=16)
def load(group: str, until: Until = Until.THAWED) -> Array:
    """The table that ships for a food group. Raises KeyError for an unknown group.

    >>> load("lean").shape
    (24, 12, 24)
    """
    if group not in GROUPS:
        raise KeyError(group)
    with as_file(files("service.science").joinpath("data", _file(group, until))) as path:
        table: Array = np.load(path).astype(np.float64)
    return table


def _file(group: str, until: Until) -> str:
    return f"{until}_{group}.npy"


def slab_hours(
    group: str,
    thickness_m: npt.ArrayLike,
    coefficient_w_m2k: npt.ArrayLike,
    start_c: npt.ArrayLike,
    medium_c: npt.ArrayLike,
    *,
    until: Until = Until.THAWED,
) -> Array:
    """Hours until a slab of a food group is thawed, for any number of cases.

    Parameters
    ----------
    group : lean, medium, fatty, very_fatty, squid.
    thickness_m : full thickness, broadcast with the others, 0.005 to 0.5 m.
    coefficient_w_m2k : so that the Biot number lies between 0.04 and 80.
    start_c : -33 to -3 °C; -33 to -6 °C until separable. medium_c : 0 to 24 °C.
    until : fully thawed, or only so far that a block can be taken apart.

    Returns
    -------
    ndarray, broadcast shape, hours.

    Raises
    ------
    ValueError
        Outside these ranges, naming the argument.

    Notes
    -----
    Cubic interpolation; against the solver at most 0.5 % off in 2 000 random cases.
    Cost: about 0.5 µs a case.

    Check
    -----
    >>> round(float(slab_hours("lean", 0.1, 10, -20, 3)), 1)
    92.3
    """
    food = GROUPS[group]
    thickness, coefficient, start, medium = np.broadcast_arrays(
        within("thickness_m", thickness_m, 0.005, 0.5),
        within("coefficient_w_m2k", coefficient_w_m2k, 0.5, 2000),
        within("start_c", start_c, COLDEST_START_C, WARMEST_START_C[until]),
        within("medium_c", medium_c, COLDEST_MEDIUM_C, WARMEST_MEDIUM_C),
    )
    half = thickness / 2
    conductivity = heat.heat_tables(food).k_thawed
    biot = within("Biot number", coefficient * half / conductivity, LEAST_BIOT, MOST_BIOT)
    table, spans = load(group, until), _spans(group, until)
    at = (np.log(biot).ravel(), enthalpy_kj_kg(food, start).ravel(), np.log(medium + 1).ravel())
    scaled = np.empty(biot.size)
    for begin in range(0, biot.size, _BLOCK):
        block = slice(begin, begin + _BLOCK)
        scaled[block] = _interpolate(table, spans, (at[0][block], at[1][block], at[2][block]))
    hours: Array = (
        np.exp(scaled.reshape(biot.shape)) * half**2 * (1 + 2 / biot) / (medium + 1) / 3600.0
    )
    return hours


@lru_cache(maxsize=16)
def _spans(group: str, until: Until) -> tuple[tuple[float, float], ...]:
    """First and last coordinate of each axis."""
    food = GROUPS[group]
    ends = enthalpy_kj_kg(food, [COLDEST_START_C, WARMEST_START_C[until]])
    return (
        (log(LEAST_BIOT), log(MOST_BIOT)),
        (float(ends[0]), float(ends[1])),
        (log(COLDEST_MEDIUM_C + 1), log(WARMEST_MEDIUM_C + 1)),
    )


def _interpolate(table: Array, spans: Sequence[tuple[float, float]], at: Sequence[Array]) -> Array:
    """Cubic Lagrange interpolation on the even grid of the three axes."""
    places: list[Indices] = []
    weights: list[list[Array]] = []
    for values, (low, high), count in zip(at, spans, SHAPE, strict=True):
        position = (values - low) / (high - low) * (count - 1)
        first = np.clip(np.floor(position).astype(np.int64) - 1, 0, count - 4)
        u = position - first
        places.append(first)
        weights.append(
            [
                -(u - 1) * (u - 2) * (u - 3) / 6,
                u * (u - 2) * (u - 3) / 2,
                -u * (u - 1) * (u - 3) / 2,
                u * (u - 1) * (u - 2) / 6,
            ]
        )
    flat = table.ravel()
    _, second, third = table.shape
    total = np.zeros_like(at[0], dtype=np.float64)
    for i in range(4):
        row = (places[0] + i) * second
        for j in range(4):
            column = (row + places[1] + j) * third
            both = weights[0][i] * weights[1][j]
            for k in range(4):
                total += both * weights[2][k] * flat[column + places[2] + k]
    return total


def body_hours(
    group: str,
    body: Body,
    medium_c: float,
    coefficient_w_m2k: float,
    *,
    start_c: float = -20.0,
    until: Until = Until.THAWED,
) -> float:
    """Hours until a slab, brick or single fish is thawed: a slab's by its shape factor.

    Parameters
    ----------
    group, medium_c, coefficient_w_m2k, start_c, until : as `slab_hours`.
    body : a slab, brick or fish 5 to 500 mm thick; what is loosely packed holds less
        to thaw.

    Returns
    -------
    float, hours.

    Raises
    ------
    ValueError
        As `slab_hours`, and for another shape.

    Check
    -----
    >>> carton = Body(Shape.BRICK, 0.1, 0.25, 0.5)
    >>> round(body_hours("lean", carton, 3, 15), 1)
    61.9
    """
    if body.shape not in (Shape.SLAB, Shape.BRICK, Shape.FISH):
        raise ValueError("body must be a slab, a brick or a fish")
    slab = slab_hours(group, body.thickness_m, coefficient_w_m2k, start_c, medium_c, until=until)
    conductivity = heat.heat_tables(GROUPS[group]).k_thawed
    return float(slab) * body.packing / shape_factor(body, coefficient_w_m2k, conductivity)


@lru_cache(maxsize=4096)
def thaw_time(
    group: str,
    body: Body,
    medium_c: float,
    coefficient_w_m2k: float,
    *,
    start_c: float = -20.0,
    until: Until = Until.THAWED,
    coefficient_ln_sd: float = LN_SD_COEFFICIENT,
) -> Estimate:
    """Hours until thawed, with the spread of everything that goes in, without solving.

    Parameters and errors as `body_hours`. coefficient_ln_sd : logarithmic spread of
    the surface heat transfer.

    Returns
    -------
    Estimate, hours.

    Notes
    -----
    The spread as in `thawing.thaw_time`, from the table; only that of the freezing
    point is by a rule: 0.39 per K at 3 °C and less the warmer the medium, at least
    0.22. Cost: about half a millisecond, then kept.

    Source
    ------
    Science reference 2.7 and 2.8 (derived there).

    Check
    -----
    >>> t = thaw_time("lean", Body(Shape.SLAB, 0.1), 3, 10)
    >>> round(t.value, 1), round(t.low), round(t.high)
    (92.3, 69, 123)
    """

    def hours(
        thickness: float = 1.0, stronger: float = 1.0, warmer: float = 0.0, colder: float = 0.0
    ) -> float:
        return body_hours(
            group,
            thicker(body, thickness),
            medium_c + warmer,
            coefficient_w_m2k * stronger,
            start_c=start_c - colder,
            until=until,
        )

    middle = hours()
    # each input moves to the side on which the table goes on
    more = exp(LN_SD_THICKNESS if body.thickness_m <= 0.4 else -LN_SD_THICKNESS)
    warmer = SD_MEDIUM_K if medium_c + SD_MEDIUM_K <= WARMEST_MEDIUM_C else -SD_MEDIUM_K
    colder = SD_START_K if start_c - SD_START_K >= COLDEST_START_C else -SD_START_K
    biot = coefficient_w_m2k * body.thickness_m / 2 / heat.heat_tables(GROUPS[group]).k_thawed
    weaker = 1.0 if biot > 1 else -1.0
    spread = hypot(
        log(hours(thickness=more) / middle),
        2 * log(hours(stronger=exp(-weaker * coefficient_ln_sd / 2)) / middle),
        log(hours(stronger=exp(-weaker * LN_SD_CONDUCTIVITY)) / middle)
        - weaker * LN_SD_CONDUCTIVITY,
        log(hours(warmer=warmer) / middle),
        log(hours(colder=colder) / middle),
        SD_FREEZING_POINT_K * max(0.22, 0.39 * 4 / (medium_c + 1)),
        LN_SD_DENSITY,
        LN_SD_MODEL,
    )
    target = core_c(GROUPS[group], until)
    return Estimate.log_normal(
        middle,
        spread,
        unit="h",
        steps=[
            described(body),
            str(Stage(medium_c, coefficient_w_m2k)),
            f"core from {start_c:.0f} to {target:g} °C",
        ],
        sources=SOURCES,
    )


def write_all(folder: Path) -> None:
    """Make the files of every group."""
    folder.mkdir(exist_ok=True)
    for group, food in GROUPS.items():
        for until in Until:
            np.save(folder / _file(group, until), build(food, until).astype(np.float32))


if __name__ == "__main__":
    write_all(Path(__file__).parent / "data")
