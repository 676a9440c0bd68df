"""Exact solutions of heat flow, and tables of materials for which they exist."""

import numpy as np
from scipy.optimize import brentq
from scipy.special import erf, erfc, j0, j1, jn_zeros

from service.science.heat import (
    CYLINDER,
    ENTHALPY_POINTS,
    HIGHEST_C,
    LOWEST_C,
    SLAB,
    TEMPERATURE_POINTS,
    HeatTables,
)


def two_phase_tables(
    *,
    k_frozen: float,
    k_thawed: float,
    heat_frozen: float,
    heat_thawed: float,
    latent: float,
    freezing_c: float,
    narrow_k: float = 0.02,
) -> HeatTables:
    """A material of constant properties that melts within `narrow_k` below its freezing point.

    Heats in J/m³K, latent heat in J/m³, conductivities in W/mK.
    """
    start = freezing_c - narrow_k
    at = np.linspace(LOWEST_C, HIGHEST_C, TEMPERATURE_POINTS)
    knots_c = np.array([LOWEST_C, start, freezing_c, HIGHEST_C])
    solid = heat_frozen * (start - LOWEST_C)
    knots_h = np.array([0, solid, solid + latent, solid + latent])
    knots_h[3] += heat_thawed * (HIGHEST_C - freezing_c)
    even = np.linspace(0, knots_h[3], ENTHALPY_POINTS)
    temperature = np.interp(even, knots_h, knots_c)
    knots_u = np.array([0, k_frozen * (start - LOWEST_C), 0, 0])
    knots_u[2] = knots_u[1] + (k_frozen + k_thawed) / 2 * narrow_k
    knots_u[3] = knots_u[2] + k_thawed * (HIGHEST_C - freezing_c)
    k_knots = [k_frozen, k_frozen, k_thawed, k_thawed]
    return HeatTables(
        enthalpy_j_m3=np.interp(at, knots_c, knots_h),
        k_at=np.interp(at, knots_c, k_knots),
        temperature_c=temperature,
        k_w_mk=np.interp(temperature, knots_c, k_knots),
        kirchhoff_w_m=np.interp(temperature, knots_c, knots_u),
        enthalpy_step=float(even[1]),
        largest_diffusivity_m2_s=max(k_frozen / heat_frozen, k_thawed / heat_thawed),
        k_thawed=k_thawed,
        k_frozen=k_frozen,
    )


def plain_tables(conductivity: float, heat: float) -> HeatTables:
    """A material of constant properties that does not melt: W/mK, J/m³K."""
    at = np.linspace(LOWEST_C, HIGHEST_C, TEMPERATURE_POINTS)
    fine = np.linspace(LOWEST_C, HIGHEST_C, ENTHALPY_POINTS)
    return HeatTables(
        enthalpy_j_m3=heat * (at - LOWEST_C),
        k_at=np.full(at.size, conductivity),
        temperature_c=fine,
        k_w_mk=np.full(fine.size, conductivity),
        kirchhoff_w_m=conductivity * (fine - LOWEST_C),
        enthalpy_step=float(heat * (fine[1] - fine[0])),
        largest_diffusivity_m2_s=conductivity / heat,
        k_thawed=conductivity,
        k_frozen=conductivity,
    )


def neumann_lambda(
    tables: HeatTables,
    *,
    heat_frozen: float,
    heat_thawed: float,
    latent: float,
    spans_k: tuple[float, float],
) -> float:
    """Where the melting front stands, 2·λ·sqrt(α·t): Neumann's two-phase solution.

    spans_k : surface above melting point, melting point above the start.
    Source: Carslaw & Jaeger 1959, chapter 11 [from memory, high].
    """
    above, below = spans_k
    thawed, frozen = tables.k_thawed / heat_thawed, tables.k_frozen / heat_frozen
    ratio = np.sqrt(thawed / frozen)

    def imbalance(x: float) -> float:
        melted = np.exp(-(x**2)) / erf(x)
        taken = (
            tables.k_frozen
            / tables.k_thawed
            * ratio
            * below
            / above
            * np.exp(-(x**2) * ratio**2)
            / erfc(x * ratio)
        )
        return float(melted - taken - x * latent * np.sqrt(np.pi) / (heat_thawed * above))

    return float(brentq(imbalance, 1e-6, 3, xtol=1e-14))


def series_theta(geometry: int, biot: float, fourier: float, place: float) -> float:
    """(T - medium)/(start - medium) at a share of the radius: the series of a body that cools.

    Source: Carslaw & Jaeger 1959 [from memory, high]; roots by SciPy.
    """
    total = 0.0
    for n in range(30):
        if geometry == SLAB:
            z = brentq(
                lambda x: x * np.sin(x) - biot * np.cos(x), n * np.pi, (n + 0.5) * np.pi, xtol=1e-14
            )
            weight = 4 * np.sin(z) / (2 * z + np.sin(2 * z)) * np.cos(z * place)
        elif geometry == CYLINDER:
            between = (0.0, *jn_zeros(1, n + 1))[n : n + 2]
            z = brentq(lambda x: x * j1(x) - biot * j0(x), *between, xtol=1e-14)
            weight = 2 * j1(z) / (z * (j0(z) ** 2 + j1(z) ** 2)) * j0(z * place)
        else:
            low, high = n * np.pi + 1e-9, (n + 1) * np.pi - 1e-9
            z = brentq(lambda x: (1 - biot) * np.sin(x) - x * np.cos(x), low, high, xtol=1e-14)
            shape = np.sinc(z * place / np.pi)
            weight = 4 * (np.sin(z) - z * np.cos(z)) / (2 * z - np.sin(2 * z)) * shape
        total += float(weight * np.exp(-(z**2) * fourier))
    return total
