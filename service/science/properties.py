"""Thermal properties of fish from its composition, frozen and thawed.

Component properties are Choi & Okos' polynomials; ice by the freezing-point
relation with bound water; enthalpy by Chen; conductivity by Levy's rule applied
in three steps. Temperatures in °C throughout; valid -40 to 40 °C, continued
a little beyond for look-up tables.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, within

LATENT_HEAT_KJ_KG = 333.6  # of ice, 0 °C
REFERENCE_C = -40.0  # enthalpy is zero here
COLDEST_C, WARMEST_C = -60.0, 45.0
THAWED_AT_C = 5.0  # at which the one density of a thaw is taken

# a0 + a1·T + a2·T²: Choi & Okos 1986, as tabulated in the ASHRAE Handbook,
# Refrigeration [compared with several reproductions: R2]. Water's specific heat
# is the original 4.1762, not the 4.1289 of some editions (1.3 % low at 20 °C).
Polynomial = tuple[float, float, float]
CONDUCTIVITY_W_MK: Mapping[str, Polynomial] = {
    "protein": (1.7881e-1, 1.1958e-3, -2.7178e-6),
    "fat": (1.8071e-1, -2.7604e-4, -1.7749e-7),
    "carbohydrate": (2.0141e-1, 1.3874e-3, -4.3312e-6),
    "fibre": (1.8331e-1, 1.2497e-3, -3.1683e-6),
    "ash": (3.2962e-1, 1.4011e-3, -2.9069e-6),
    "water": (5.7109e-1, 1.7625e-3, -6.7036e-6),
    "ice": (2.2196, -6.2489e-3, 1.0154e-4),
}
DENSITY_KG_M3: Mapping[str, Polynomial] = {
    "protein": (1329.9, -0.51840, 0.0),
    "fat": (925.59, -0.41757, 0.0),
    "carbohydrate": (1599.1, -0.31046, 0.0),
    "fibre": (1311.5, -0.36589, 0.0),
    "ash": (2423.8, -0.28063, 0.0),
    "water": (997.18, 3.1439e-3, -3.7574e-3),
    "ice": (916.89, -0.13071, 0.0),
}
SPECIFIC_HEAT_KJ_KGK: Mapping[str, Polynomial] = {
    "protein": (2.0082, 1.2089e-3, -1.3129e-6),
    "fat": (1.9842, 1.4733e-3, -4.8008e-6),
    "carbohydrate": (1.5488, 1.9625e-3, -5.9399e-6),
    "fibre": (1.8459, 1.8306e-3, -4.6509e-6),
    "ash": (1.0926, 1.8896e-3, -3.6817e-6),
    "water": (4.1762, -9.0864e-5, 5.4731e-6),
    "ice": (2.0623, 6.0769e-3, 0.0),
}


@dataclass(frozen=True)
class Composition:
    """Mass fractions of a food, summing to one, and where it begins to freeze.

    water 0.40 to 0.92; freezing_point_c -3 to -0.3 °C, its range ±0.1 K for fish
    and ±0.15 K for squid (one standard deviation).

    Raises ValueError naming the part for a fraction outside 0 to 1, a sum that is not
    1, or water or freezing point outside their range.

    >>> cod = Composition.from_percent(
    ...     water=80.3, protein=17.8, fat=0.7, ash=1.2, freezing_point_c=-0.9
    ... )
    >>> round(cod.solids, 3), round(cod.bound_water, 4)
    (0.197, 0.0712)
    >>> Composition(0.95, 0.05, 0.0, 0.0, 0.0, -0.9)
    Traceback (most recent call last):
    ...
    ValueError: water must lie between 40 and 92 % of the food
    """

    water: float
    protein: float
    fat: float
    carbohydrate: float
    ash: float
    freezing_point_c: float

    def __post_init__(self) -> None:
        for part in fields(self)[:-1]:
            if not 0 <= getattr(self, part.name) <= 1:
                raise ValueError(f"{part.name} must be a mass fraction between 0 and 1")
        if abs(self.water + self.solids - 1) > 1e-9 or abs(self._sum() - 1) > 1e-9:
            raise ValueError("the mass fractions of a composition must sum to 1")
        if not 0.40 <= self.water <= 0.92:
            raise ValueError("water must lie between 40 and 92 % of the food")
        if not -3.0 <= self.freezing_point_c <= -0.3:
            raise ValueError("freezing_point_c must lie between -3 and -0.3 °C")

    def _sum(self) -> float:
        return self.water + self.protein + self.fat + self.carbohydrate + self.ash

    @property
    def solids(self) -> float:
        """Everything that is not water."""
        return 1.0 - self.water

    @property
    def bound_water(self) -> float:
        """Water that never freezes: 0.4 × protein (Schwartzberg 1976 [memory, high])."""
        return 0.4 * self.protein

    @classmethod
    def from_percent(
        cls,
        *,
        water: float,
        protein: float,
        fat: float,
        ash: float,
        freezing_point_c: float,
        carbohydrate: float = 0.0,
    ) -> "Composition":
        """From g/100 g, normalised: tables rarely sum to exactly 100.

        Raises ValueError if they sum to less than 95 or more than 105, or as
        the class does.
        """
        parts = (water, protein, fat, carbohydrate, ash)
        if not all(np.isfinite(parts)) or min(parts) < 0:
            raise ValueError("water, protein, fat, carbohydrate and ash must be 0 or more")
        total = sum(parts)
        if not 95 <= total <= 105:
            raise ValueError(
                f"water, protein, fat, carbohydrate and ash sum to {total:g} g in "
                "100 g: they must sum to between 95 and 105"
            )
        return cls(
            water / total,
            protein / total,
            fat / total,
            carbohydrate / total,
            ash / total,
            freezing_point_c,
        )


# Science reference 1.4. Freezing points: FAO Technical Paper 340 says about -1 °C;
# the -2.2 °C printed for marine fish in one handbook makes refrigerator thaws
# 29-32 % too short and is never used.
GROUPS: Mapping[str, Composition] = {
    "lean": Composition.from_percent(
        water=80.3, protein=17.8, fat=0.7, ash=1.2, freezing_point_c=-0.9
    ),
    "medium": Composition.from_percent(
        water=80.0, protein=14.0, fat=4.0, ash=2.0, freezing_point_c=-1.0
    ),
    "fatty": Composition.from_percent(
        water=72.05, protein=17.96, fat=9.04, ash=1.46, freezing_point_c=-1.1
    ),
    "very_fatty": Composition.from_percent(
        water=63.55, protein=18.60, fat=13.89, ash=1.35, freezing_point_c=-1.1
    ),
    "squid": Composition.from_percent(
        water=78.55, protein=15.58, fat=1.38, carbohydrate=3.08, ash=1.41, freezing_point_c=-1.9
    ),
}


def component(table: Mapping[str, Polynomial], name: str, temperature_c: npt.ArrayLike) -> Array:
    """A property of one component at temperatures.

    Parameters
    ----------
    table : one of CONDUCTIVITY_W_MK, DENSITY_KG_M3, SPECIFIC_HEAT_KJ_KGK.
    name : component.
    temperature_c : array_like, shape (...), -60 to 150 °C.

    Returns
    -------
    ndarray, shape (...), in the table's unit.

    Source
    ------
    Choi & Okos 1986 [R2].

    Check
    -----
    >>> round(float(component(CONDUCTIVITY_W_MK, "ice", -20)), 6)
    2.385194
    """
    at = within("temperature_c", temperature_c, -60, 150)
    a0, a1, a2 = table[name]
    value: Array = a0 + a1 * at + a2 * at**2
    return value


def ice_fraction(food: Composition, temperature_c: npt.ArrayLike) -> Array:
    """Mass of ice per mass of food.

    Parameters
    ----------
    temperature_c : array_like, shape (...), -40 to 40 °C.

    Returns
    -------
    ndarray, shape (...), kg/kg; 0 from the freezing point up.

    Source
    ------
    Miles 1974 with bound water, as in the ASHRAE Handbook [memory, high].

    Check
    -----
    >>> round(float(ice_fraction(GROUPS["lean"], -5)) / 0.803, 3)
    0.747
    """
    at = within("temperature_c", temperature_c, COLDEST_C, WARMEST_C)
    frozen = at < food.freezing_point_c
    safe = np.where(frozen, at, -1.0)
    ice = (food.water - food.bound_water) * (1 - food.freezing_point_c / safe)
    fraction: Array = np.where(frozen, ice, 0.0)
    return fraction


def tchigeov_ice_fraction(
    water: float, freezing_point_c: float, temperature_c: npt.ArrayLike
) -> Array:
    """Ice by Tchigeov's empirical formula: an independent check of `ice_fraction`.

    Source
    ------
    Tchigeov 1979, as in the ASHRAE Handbook [memory, high]; -45 °C to freezing.

    Check
    -----
    >>> round(float(tchigeov_ice_fraction(0.58, -1.7, -20)), 4)
    0.5164
    """
    at = within("temperature_c", temperature_c, -45, WARMEST_C)
    below = np.maximum(freezing_point_c - at, 1e-9)
    ice = 1.105 * water / (1 + 0.7138 / np.log(below + 1))
    fraction: Array = np.where(at < freezing_point_c, ice, 0.0)
    return fraction


def _volumes(food: Composition, at: Array) -> dict[str, Array]:
    """m³ of each component in one kg of food."""
    ice = ice_fraction(food, at)
    masses: dict[str, Array | float] = {
        "protein": food.protein,
        "fat": food.fat,
        "carbohydrate": food.carbohydrate,
        "ash": food.ash,
        "ice": ice,
        "water": food.water - ice,
    }
    return {name: mass / component(DENSITY_KG_M3, name, at) for name, mass in masses.items()}


def density_kg_m3(food: Composition, temperature_c: npt.ArrayLike) -> Array:
    """Density without voids, from the components' specific volumes.

    Parameters as `ice_fraction`. Leaves out voids of a block: multiply by net
    mass over block volume where that is known.

    Check
    -----
    >>> round(float(density_kg_m3(GROUPS["lean"], 5)), 3)
    1050.449
    """
    at = within("temperature_c", temperature_c, COLDEST_C, WARMEST_C)
    total: Array = sum(_volumes(food, at).values(), np.zeros_like(at))
    return 1.0 / total


def unfrozen_specific_heat_kj_kgk(food: Composition) -> float:
    """Specific heat above freezing: Chen 1985 [memory, high].

    >>> round(unfrozen_specific_heat_kj_kgk(GROUPS["lean"]), 3)
    3.732
    """
    return 4.19 - 2.30 * food.solids - 0.628 * food.solids**3


def specific_heat_kj_kgk(food: Composition, temperature_c: npt.ArrayLike) -> Array:
    """Apparent specific heat: with the heat that melting ice takes, below freezing.

    Parameters as `ice_fraction`; kJ/kgK.

    Source
    ------
    Chen 1985 in the ASHRAE Handbook [memory, high].

    Check
    -----
    >>> round(float(specific_heat_kj_kgk(GROUPS["lean"], -10)), 4)
    3.9954
    """
    at = within("temperature_c", temperature_c, COLDEST_C, WARMEST_C)
    frozen = at < food.freezing_point_c
    safe = np.where(frozen, np.maximum(at, REFERENCE_C), -1.0)
    melting = (food.water - food.bound_water) * LATENT_HEAT_KJ_KG * food.freezing_point_c / safe**2
    below = 1.55 + 1.26 * food.solids - melting
    heat: Array = np.where(frozen, below, unfrozen_specific_heat_kj_kgk(food))
    return heat


def enthalpy_kj_kg(food: Composition, temperature_c: npt.ArrayLike) -> Array:
    """Enthalpy, zero at -40 °C; colder it goes on with the specific heat at -40 °C.

    Parameters as `ice_fraction`; kJ/kg, rising with temperature.

    Source
    ------
    Chen 1985 in the ASHRAE Handbook [memory, high]; reproduces its worked example
    of beef. Against FAO Technical Paper 340's measured white fish: RMS 6.3 kJ/kg.

    Check
    -----
    >>> round(float(enthalpy_kj_kg(GROUPS["lean"], -20)), 3)
    41.457
    """
    at = within("temperature_c", temperature_c, COLDEST_C, WARMEST_C)
    tf = food.freezing_point_c
    freezable = (food.water - food.bound_water) * LATENT_HEAT_KJ_KG

    def frozen(t: Array) -> Array:
        value: Array = (t - REFERENCE_C) * (
            1.55 + 1.26 * food.solids - freezable * tf / (REFERENCE_C * t)
        )
        return value

    inside = frozen(np.clip(at, REFERENCE_C, tf))
    colder = np.minimum(at - REFERENCE_C, 0.0) * float(specific_heat_kj_kgk(food, REFERENCE_C))
    warmer = np.maximum(at - tf, 0.0) * unfrozen_specific_heat_kj_kgk(food)
    enthalpy: Array = inside + colder + warmer
    return enthalpy


def dispersed_conductivity(continuous: Array, dispersed: Array, share: Array) -> Array:
    """Conductivity of a phase with another dispersed in it: Levy 1981 [memory, high].

    share : volume fraction of the dispersed phase, 0 to 1.

    >>> float(dispersed_conductivity(np.array(2.0), np.array(2.0), np.array(0.3)))
    2.0
    """
    ratio = dispersed / continuous
    same = np.abs(ratio - 1) < 1e-9
    ratio = np.where(same, 2.0, ratio)
    sigma = (ratio - 1) ** 2 / ((ratio + 1) ** 2 + ratio / 2)
    a = 2 / sigma - 1 + 2 * share
    f = 0.5 * (a - np.sqrt(a**2 - 8 * share / sigma))
    mixed = continuous * (2 + ratio - 2 * (1 - ratio) * f) / (2 + ratio + (1 - ratio) * f)
    conductivity: Array = np.where(same, continuous, mixed)
    return conductivity


def conductivity_w_mk(food: Composition, temperature_c: npt.ArrayLike) -> Array:
    """Thermal conductivity, frozen or thawed.

    Three steps: the watery phase by parallel mean, ice dispersed in it, fat
    dispersed in both. Parameters as `ice_fraction`; W/mK.

    Source
    ------
    Levy 1981; the best of the models compared by Fricke & Becker 2001 (abstract
    read). The order of steps is ours.

    Check
    -----
    >>> round(float(conductivity_w_mk(GROUPS["lean"], -20)), 4)
    1.5565
    >>> round(float(conductivity_w_mk(GROUPS["lean"], 5)), 6)
    0.518454
    """
    at = within("temperature_c", temperature_c, COLDEST_C, WARMEST_C)
    volumes = _volumes(food, at)
    conductivities = {name: component(CONDUCTIVITY_W_MK, name, at) for name in volumes}
    watery = ("water", "protein", "carbohydrate", "ash")
    wet: Array = sum((volumes[n] for n in watery), np.zeros_like(at))
    k_wet = sum((volumes[n] * conductivities[n] for n in watery), np.zeros_like(at)) / wet
    with_ice = dispersed_conductivity(
        k_wet, conductivities["ice"], volumes["ice"] / (wet + volumes["ice"])
    )
    total = wet + volumes["ice"] + volumes["fat"]
    return dispersed_conductivity(with_ice, conductivities["fat"], volumes["fat"] / total)
