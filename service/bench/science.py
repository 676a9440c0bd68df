"""`fishhouse bench science`: the speed of the physics, in one run on one machine.

Figures are processor time, the best of some runs, so that neighbours on the machine
weigh little; the time on the wall stands beside it. Compiled kernels and tables are
made ready before: the first question of a process pays about a second for them.
"""

import importlib.util
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from math import inf
from pathlib import Path
from time import perf_counter, process_time

import numpy as np

from service import pictures
from service.bench.figures import Figure
from service.bench.run import machine
from service.science import heat, outage, thaw_table
from service.science.arrays import Array, Indices
from service.science.dosing import Need, Offer, choose_pieces
from service.science.exposure import DAY_S, HOUR_S, Prefix, between, prefix_sums
from service.science.properties import (
    GROUPS,
    THAWED_AT_C,
    conductivity_w_mk,
    density_kg_m3,
    specific_heat_kj_kgk,
)
from service.science.thawing import Body, Shape, Stage, hours_to_core

FOOD = GROUPS["lean"]
CARTON = Body(Shape.BRICK, 0.100, 0.250, 0.500)
SLAB = Body(Shape.SLAB, 0.100)
REFRIGERATOR = Stage(3.0, 10.0)
START_C, CORE_C = -20.0, -0.5
CASES_SOLVED = 300  # to see how far the table is from the solver
COUNTS = (1_000, 10_000, 100_000, 1_000_000)
PLACES, HOURS, RATES = 20, 8760, 2  # life used and vitamins lost: two rates a parcel
ANIMALS = 300


def run_science_bench(as_json: bool, picture: str | None) -> int:
    """Measure, print, and draw where asked. Returns 0 whether or not the targets are met."""
    file = None if picture is None else pictures.picture_file(picture)
    figures = []
    for figure in measure():
        figures.append(figure)
        if not as_json:
            print(figure.sentence(), flush=True)
    growth = grow()
    if as_json:
        document = {
            "machine": machine(),
            "figures": [f.model_dump() for f in figures],
            "growth": {
                "count": list(COUNTS),
                "seconds": {name: [float(f"{s:.4g}") for s in of] for name, of in growth.items()},
            },
        }
        print(json.dumps(document, indent=2, ensure_ascii=False))
    else:
        for name, seconds in growth.items():
            steps = ", ".join(f"{n}: {s:.3g} s" for n, s in zip(COUNTS, seconds, strict=True))
            print(f"growth      {name:48}  {steps}")
    if file is not None:
        draw(growth, file)
    return 0


def measure() -> Iterator[Figure]:
    """Every figure of the physics."""
    yield from _one_block()
    yield _many_thaws()
    yield _error_of_the_table()
    yield _lot_year()
    yield _parcels()
    yield _supplements()


@dataclass(frozen=True)
class Spent:
    """Seconds of the processor and on the wall, each the least of some runs."""

    processor_s: float
    wall_s: float


def spent(work: Callable[[], object], runs: int) -> Spent:
    """What some work costs, after one run that is not counted."""
    work()
    processor, wall = [], []
    for _ in range(runs):
        begin, begin_wall = process_time(), perf_counter()
        work()
        processor.append(process_time() - begin)
        wall.append(perf_counter() - begin_wall)
    return Spent(min(processor), min(wall))


def _speed(name: str, cost: Spent, unit: str, target: float, **detail: object) -> Figure:
    """A figure in s or ms of the processor."""
    scale = {"s": 1.0, "ms": 1000.0}[unit]
    return Figure(
        name=name,
        database="none",
        value=_short(cost.processor_s * scale),
        unit=unit,
        target=target,
        less_is_better=True,
        detail={"wall": _short(cost.wall_s * scale), **detail},
    )


def _short(value: float) -> float:
    return float(f"{value:.4g}")


def _one_block() -> Iterator[Figure]:
    def solve(body: Body) -> float:
        return hours_to_core(FOOD, body, [REFRIGERATOR], start_c=START_C, core_c=CORE_C)

    slab = spent(lambda: solve(SLAB), 30)
    yield _speed("thaw of one carton", spent(lambda: solve(CARTON), 30), "ms", 1.0)
    yield _speed("thaw of one slab", slab, "ms", 1.0)
    if importlib.util.find_spec("scipy") is not None:
        yield _against_a_stiff_integrator(slab.processor_s, solve(SLAB))


def _against_a_stiff_integrator(slab_s: float, hours: float) -> Figure:
    """Twice: as anybody would write it down, and with our own tables to look up in."""
    formulas, tables = spent(hours_from_formulas, 1), spent(hours_from_tables, 1)
    return Figure(
        name="thaw of one slab × a stiff integrator",
        database="none",
        value=_short(formulas.processor_s / slab_s),
        unit="× faster",
        target=1000,
        detail={
            "integrator": "SciPy solve_ivp, BDF, rtol 1e-6, the same ten cells, "
            "temperatures and the formulas of the properties",
            "s": _short(formulas.processor_s),
            "given our tables": _short(tables.processor_s / slab_s),
            "hours": round(hours, 3),
            "its hours": round(hours_from_formulas(), 3),
            "its hours by our tables": round(hours_from_tables(), 3),
        },
    )


def hours_from_formulas() -> float:
    """The slab by SciPy's stiff integrator: temperatures, properties by their formulas."""
    width_m = heat.cells_of(SLAB.thickness_m / 2, heat.SLAB).width_m
    density = 1000.0 * float(density_kg_m3(FOOD, THAWED_AT_C))

    def change(_at_s: float, at_c: Array) -> Array:
        k = conductivity_w_mk(FOOD, at_c)
        flow = np.zeros(at_c.size + 1)
        flow[1:-1] = 2 * k[1:] * k[:-1] / (k[1:] + k[:-1]) * np.diff(at_c) / width_m
        flow[-1] = _inflow(at_c[-1], k[-1], width_m)
        gain: Array = np.diff(flow) / width_m / (density * specific_heat_kj_kgk(FOOD, at_c))
        return gain

    return _stiff_hours(change, START_C, CORE_C, 1e-6)


def hours_from_tables() -> float:
    """The slab by SciPy's stiff integrator: enthalpies, and our tables to look up in."""
    tables = heat.heat_tables(FOOD)
    width_m = heat.cells_of(SLAB.thickness_m / 2, heat.SLAB).width_m
    grid = tables.enthalpy_j_m3[0] + tables.enthalpy_step * np.arange(tables.temperature_c.size)

    def change(_at_s: float, enthalpy: Array) -> Array:
        flow = np.zeros(enthalpy.size + 1)
        flow[1:-1] = np.diff(np.interp(enthalpy, grid, tables.kirchhoff_w_m)) / width_m
        edge_c = float(np.interp(enthalpy[-1], grid, tables.temperature_c))
        edge_k = float(np.interp(enthalpy[-1], grid, tables.k_w_mk))
        flow[-1] = _inflow(edge_c, edge_k, width_m)
        gain: Array = np.diff(flow) / width_m
        return gain

    start, target = (float(heat.enthalpy_at(tables, c)) for c in (START_C, CORE_C))
    return _stiff_hours(change, start, target, 1e-6 * target)


def _inflow(edge_c: float, edge_k: float, width_m: float) -> float:
    """W/m² from the medium into the outermost cell."""
    resistance = 1 / REFRIGERATOR.coefficient_w_m2k + width_m / 2 / edge_k
    return (REFRIGERATOR.medium_c - edge_c) / resistance


def _stiff_hours(
    change: Callable[[float, Array], Array], start: float, target: float, tolerance: float
) -> float:
    """Hours until the innermost cell passes its target."""
    from scipy.integrate import solve_ivp  # noqa: PLC0415 - optional, and heavy

    def thawed(_at_s: float, state: Array) -> float:
        return float(state[0] - target)

    vars(thawed)["terminal"] = True  # how SciPy asks to be told where to stop
    even = np.full(heat.CELLS, start)
    found = solve_ivp(
        change, (0.0, 4e5), even, method="BDF", events=thawed, rtol=1e-6, atol=tolerance
    )
    return float(found.t_events[0][0]) / 3600.0


def _thaw_cases(count: int) -> tuple[Array, ...]:
    rng = np.random.default_rng(1)
    low_high = ((0.02, 0.15), (6.0, 200.0), (-32.0, -8.0), (2.0, 22.0))
    return tuple(rng.uniform(low, high, count) for low, high in low_high)


def _many_thaws() -> Figure:
    cases = _thaw_cases(1_000_000)
    cost = spent(lambda: thaw_table.slab_hours("lean", *cases), 2)
    return _speed("thaw of a million cases, by table", cost, "s", 5.0)


def _error_of_the_table() -> Figure:
    """The furthest that the table is from the solver, in some hundred cases."""
    cases = np.column_stack(_thaw_cases(CASES_SOLVED))
    found = thaw_table.slab_hours("lean", *cases.T)
    apart = [
        abs(hours / _solved(*map(float, case)) - 1)
        for hours, case in zip(found, cases, strict=True)
    ]
    return Figure(
        name="table of thaw times, furthest from the solver",
        database="none",
        value=_short(100 * max(apart)),
        unit="%",
        target=0.5,
        less_is_better=True,
        detail={"cases": CASES_SOLVED},
    )


def _solved(thickness_m: float, coefficient: float, start_c: float, medium_c: float) -> float:
    body, stage = Body(Shape.SLAB, thickness_m), Stage(medium_c, coefficient)
    return hours_to_core(FOOD, body, [stage], start_c=start_c, core_c=CORE_C)


def _lot_year() -> Figure:
    rng = np.random.default_rng(2)
    at_s = np.arange(365 * 288 + 1) * 300.0
    air_c = -21.0 + np.where(at_s % 21_600 < 1200, 5.0, 0.0) + rng.normal(0, 0.4, at_s.size)
    cost = spent(lambda: outage.follow(FOOD, CARTON, 6.0, at_s, air_c), 7)
    name = "core and surface over a year of 5-minute readings"
    return _speed(name, cost, "ms", 50.0, readings=at_s.size)


class Stays:
    """Parcels that were in two places each, and running sums of every place."""

    def __init__(self, count: int) -> None:
        rng = np.random.default_rng(3)
        hour_s: Indices = np.arange(HOURS, dtype=np.int64) * HOUR_S
        used = rng.uniform(0.5, 2.0, (PLACES, HOURS, RATES)) * HOUR_S
        self.prefixes: list[Prefix] = [prefix_sums(hour_s, hours) for hours in used]
        begin = rng.uniform(0, HOURS * HOUR_S / 2, count)
        moved = begin + rng.uniform(0, HOURS * HOUR_S / 4, count)
        end = moved + rng.uniform(0, HOURS * HOUR_S / 4, count)
        self.begin_s, self.end_s = np.concatenate((begin, moved)), np.concatenate((moved, end))
        self.place: Indices = rng.integers(0, PLACES, 2 * count)

    def used(self) -> Array:
        """Both rates of every parcel, its two stays together, in days at one per day."""
        by_place = np.argsort(self.place, kind="stable")
        ends = np.searchsorted(self.place[by_place], np.arange(PLACES + 1))
        stays = np.empty((self.place.size, RATES))
        for place, prefix in enumerate(self.prefixes):
            rows = by_place[ends[place] : ends[place + 1]]
            stays[rows] = between(prefix, self.begin_s[rows], self.end_s[rows])
        count = self.place.size // 2
        used: Array = (stays[:count] + stays[count:]) / DAY_S
        return used


def _parcels() -> Figure:
    stays = Stays(1_000_000)
    name = "exposure of a million parcels, two places each"
    return _speed(name, spent(stays.used, 3), "s", 1.0, places=PLACES, hours=HOURS, rates=RATES)


def cupboard() -> list[Offer]:
    """Six products for five nutrients, to be halved; strengths as they are usually sold."""
    tablets = {
        "THIAMINE-250": {"THIA": 250.0},
        "THIAMINE-100": {"THIA": 100.0},
        "E-400": {"VITE": 400.0},
        "E-100": {"VITE": 100.0},
        "MULTI": {"THIA": 50.0, "VITE": 200.0, "VITA": 2500.0, "VITD": 250.0, "RIBF": 20.0},
        "A-D": {"VITA": 1000.0, "VITD": 100.0},
    }
    return [Offer(name, {n: a / 2 for n, a in has.items()}, 2) for name, has in tablets.items()]


def animals_needs(count: int) -> list[list[Need]]:
    """What animals of 0.3 to 9 kg of fish a day need, and may get."""
    kilograms = np.random.default_rng(4).uniform(0.3, 9.0, count)
    per_kg = (
        ("THIA", 25.0, 50.0),
        ("VITE", 100.0, 250.0),
        ("VITA", 300.0, 1500.0),
        ("VITD", 30.0, 150.0),
        ("RIBF", 2.0, inf),
    )
    return [[Need(n, a * kg, room * kg) for n, a, room in per_kg] for kg in kilograms.tolist()]


def _supplements() -> Figure:
    offers, animals = cupboard(), animals_needs(ANIMALS)
    cost = spent(lambda: [choose_pieces(needs, offers) for needs in animals], 5)
    return _speed(f"supplements for {ANIMALS} animals, six products", cost, "ms", 100.0)


def grow() -> dict[str, list[float]]:
    """Processor seconds for a thousand to a million thaws and parcels."""
    thaws, parcels = [], []
    for count in COUNTS:
        cases = _thaw_cases(count)
        thaws.append(spent(partial(thaw_table.slab_hours, "lean", *cases), 2).processor_s)
        parcels.append(spent(Stays(count).used, 2).processor_s)
    return {"thaw cases by table": thaws, "parcels, two places each": parcels}


def draw(growth: dict[str, list[float]], file: Path) -> None:
    """Seconds over number, both in powers of ten, beside a line of equal cost for each."""
    figure, axes = pictures.blank("how many", "seconds of the processor")
    for (name, seconds), colour in zip(
        growth.items(), (pictures.ACCENT, pictures.INK), strict=True
    ):
        axes.loglog(COUNTS, seconds, color=colour, marker="o", linewidth=1.8, label=name)
        level = [seconds[-1] * n / COUNTS[-1] for n in COUNTS]
        axes.loglog(COUNTS, level, color=pictures.STONE, linewidth=1, linestyle="--")
    axes.plot([], [], color=pictures.STONE, linestyle="--", label="the same cost for each")
    axes.legend(frameon=False, labelcolor=pictures.INK)
    pictures.save(figure, file)
