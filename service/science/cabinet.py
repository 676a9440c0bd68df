"""A freezer without power as one lump: how warm its air was while nobody logged it.

Air holds next to no heat, so what comes in through the walls goes into the fish. One
conductance stands for walls, leaks and door; where it was never fitted it is known
within a factor of two only, and the warm side of that is what counts.
"""

from math import inf

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, finite, within
from service.science.estimate import Estimate
from service.science.gaps import AirSeries
from service.science.properties import Composition, enthalpy_kj_kg

UNFITTED = 2.0  # by which a conductance nobody fitted is divided and multiplied [memory, low]
READING_ERROR_K = 0.5  # of a product reading, 10-90 % [memory, low]
STEPS = 2000
SOURCE = "cabinet: energy balance of one lump, textbook [D]"


def unfitted_conductance_w_k(guess_w_k: float) -> Estimate:
    """A conductance from wall and insulation alone: between half of it and twice.

    Raises ValueError unless guess_w_k is 0.01 to 10 000 W/K. Source: science
    reference 3.3, memory low.

    >>> unfitted_conductance_w_k(2.5).high
    5.0
    """
    guess = float(within("guess_w_k", guess_w_k, 0.01, 1e4))
    return Estimate(guess, guess / UNFITTED, guess * UNFITTED, "W/K", sources=(SOURCE,))


def cabinet_air_c(
    conductance_w_k: float,
    ambient_c: float,
    power_w: float,
    surface_w_k: npt.ArrayLike,
    surface_c: npt.ArrayLike,
) -> Array:
    """Air in a closed cabinet between its walls and the products in it.

    Parameters
    ----------
    conductance_w_k : of walls, leaks and door, 0.01 to 10 000 W/K.
    ambient_c : outside, -45 to 45 °C.
    power_w : heat of fans and lamps; negative where the cooling still takes some.
    surface_w_k, surface_c : shape (..., products): area times heat transfer of each
        product, 0.01 to 1e6 W/K, and the temperature of its surface, -45 to 45 °C.

    Returns
    -------
    ndarray, shape (...), °C.

    Raises
    ------
    ValueError
        If a value is not finite or outside its range, naming it.

    Notes
    -----
    Leaves out the heat of the air and of the walls themselves. Cost O(products).

    Source
    ------
    Balance of heat; science reference 3.3.

    Check
    -----
    >>> float(cabinet_air_c(2.0, 20.0, 0.0, [6.0, 2.0], [-20.0, -18.0]).round(6))
    -11.6
    """
    within("conductance_w_k", conductance_w_k, 0.01, 1e4)
    within("ambient_c", ambient_c, -45, 45)
    finite("power_w", power_w)
    surface = within("surface_w_k", surface_w_k, 0.01, 1e6)
    at = within("surface_c", surface_c, -45, 45)
    gained = conductance_w_k * ambient_c + power_w + (surface * at).sum(axis=-1)
    air: Array = np.asarray(gained / (conductance_w_k + surface.sum(axis=-1)))
    return air


def fitted_conductance_w_k(
    food: Composition,
    mass_kg: float,
    start_c: float,
    end_c: float,
    at_s: npt.ArrayLike,
    air_c: npt.ArrayLike,
    ambient_c: float,
    *,
    reading_error_k: float = READING_ERROR_K,
) -> Estimate:
    """Conductance of a cabinet from how much its load warmed while the air was logged.

    Parameters
    ----------
    food, mass_kg : the load, 0.1 to 1e6 kg.
    start_c, end_c : product readings at the first and the last instant, -40 to 40 °C.
    at_s, air_c : shape (n,), n >= 2, seconds ascending, and air in the cabinet, °C.
    ambient_c : outside, warmer on average than the air inside.
    reading_error_k : 10-90 % error of each product reading, 0 to 10 K.

    Returns
    -------
    Estimate, W/K, all of it more than zero.

    Raises
    ------
    ValueError
        If a value is outside its range, or the load did not warm by more than the
        thermometers may be off: then nothing can be fitted.

    Notes
    -----
    Mass times gain of enthalpy over the integral of ambient less air; heat of fans
    and walls is counted in. Leaves out that products warm unevenly: read several.
    Cost O(n).

    Source
    ------
    Balance of heat; science reference 3.3.

    Check
    -----
    >>> from service.science.properties import GROUPS
    >>> fit = fitted_conductance_w_k(
    ...     GROUPS["lean"], 200, -18, -15, [0, 4.2 * 3600], [-17, -14.5], 25
    ... )
    >>> [round(c, 2) for c in (fit.low, fit.value, fit.high)]
    [1.92, 2.54, 3.19]
    """
    mass = float(within("mass_kg", mass_kg, 0.1, 1e6))
    start, end = (float(c) for c in within("start_c and end_c", (start_c, end_c), -40, 40))
    error = float(np.hypot(1, 1) * within("reading_error_k", reading_error_k, 0, 10))
    times, air = finite("at_s", at_s), within("air_c", air_c, -90, 90)
    if times.ndim != 1 or times.size < 2 or times.shape != air.shape or (np.diff(times) <= 0).any():
        raise ValueError("at_s must ascend, at least two, with one of air_c for each")
    driven = float(np.trapezoid(ambient_c - air, times))
    if not 0 < driven < inf:
        raise ValueError("ambient_c must be warmer than air_c on average")
    if end - start <= error:
        raise ValueError(f"end_c must be more than {error:.2f} K above start_c: nothing to fit")

    def conductance(warmed_to_c: float) -> float:
        before, after = enthalpy_kj_kg(food, np.array([start, warmed_to_c]))
        return 1000.0 * mass * float(after - before) / driven

    value, low, high = (conductance(end + off) for off in (0.0, -error, error))
    steps = (f"{mass:g} kg from {start:g} to {end:g} °C in {np.ptp(times) / 3600:.1f} h",)
    return Estimate(value, low, high, "W/K", steps, (SOURCE,))


def cabinet_series(
    food: Composition,
    mass_kg: float,
    surface_w_k: float,
    conductance_w_k: Estimate,
    ambient_c: float,
    at_s: npt.ArrayLike,
    *,
    start_c: float,
    power_w: float = 0.0,
) -> AirSeries:
    """Air of a closed cabinet without power that nobody logged, its load even throughout.

    Parameters
    ----------
    food, mass_kg : the load, 0.1 to 1e6 kg.
    surface_w_k : area times heat transfer of the whole load, 0.01 to 1e6 W/K.
    conductance_w_k : with its range, 0.01 to 10 000 W/K.
    ambient_c : outside, -40 to 45 °C.
    at_s : shape (n,), n >= 1, seconds ascending; the power is lost at the first.
    start_c : load at the first instant, -40 °C to below where it ends up.
    power_w : heat of fans and lamps that still run, >= 0.

    Returns
    -------
    AirSeries, all of it unknown: low with the least conductance, high with the most.

    Raises
    ------
    ValueError
        If a value is outside its range, naming it.

    Notes
    -----
    Time to each temperature of the load by quadrature of 2 000 steps. Leaves out
    that shells warm before cores: the air is somewhat warmer at first. Cost O(n).

    Source
    ------
    Balance of heat; science reference 3.3.

    Check
    -----
    >>> from service.science.properties import GROUPS
    >>> air = cabinet_series(GROUPS["lean"], 200, 60, unfitted_conductance_w_k(2.5), 25,
    ...                      [0, 12 * 3600], start_c=-18)
    >>> [round(float(c[-1]), 1) for c in (air.low_c, air.central_c, air.high_c)]
    [-13.2, -9.6, -4.9]
    """
    mass = float(within("mass_kg", mass_kg, 0.1, 1e6))
    within("surface_w_k", surface_w_k, 0.01, 1e6)
    within("conductance_w_k", (conductance_w_k.low, conductance_w_k.high), 0.01, 1e4)
    within("ambient_c", ambient_c, -40, 45)
    within("power_w", power_w, 0, 1e6)
    within("start_c", start_c, -40, ambient_c - 0.1)
    times = finite("at_s", at_s)
    if times.ndim != 1 or not times.size or (np.diff(times) <= 0).any():
        raise ValueError("at_s must ascend, at least one")
    lines = [
        _air_line(food, mass, surface_w_k, u, ambient_c, times - times[0], start_c, power_w)
        for u in (conductance_w_k.low, conductance_w_k.value, conductance_w_k.high)
    ]
    # with much power a better insulated cabinet may be the warmer one
    low, high = np.min(lines, axis=0), np.max(lines, axis=0)
    return AirSeries(times, low, lines[1], high, np.ones(times.size - 1, dtype=bool))


def _air_line(
    food: Composition,
    mass_kg: float,
    surface_w_k: float,
    conductance_w_k: float,
    ambient_c: float,
    gone_s: Array,
    start_c: float,
    power_w: float,
) -> Array:
    """Air at times since the power was lost, for one conductance."""
    ends_c = min(ambient_c + power_w / conductance_w_k, 45.0)
    load = np.linspace(start_c, ends_c - 0.01, STEPS + 1)
    middle = (load[1:] + load[:-1]) / 2
    share = surface_w_k / (surface_w_k + conductance_w_k)
    heat_w = share * (conductance_w_k * (ambient_c - middle) + power_w)
    took_s = 1000.0 * mass_kg * np.diff(enthalpy_kj_kg(food, load)) / heat_w
    at_c = np.interp(gone_s, np.concatenate(([0.0], np.cumsum(took_s))), load)
    air: Array = at_c + share * (conductance_w_k * (ambient_c - at_c) + power_w) / surface_w_k
    return air
