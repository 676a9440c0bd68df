"""What warmth does to a rate, by Arrhenius: loss of vitamins, histamine, a mean temperature."""

from math import inf, log

import numpy as np
import numpy.typing as npt

from service.science.arrays import Array, within

GAS_CONSTANT_KJ_MOLK = 8.314472e-3
ZERO_C_K = 273.15
REFERENCE_K = 255.15  # -18 °C
ACTIVATION_ENERGY_KJ_MOL = 60.0
MEAN_KINETIC_K = 10_000.0  # ΔH/R of the mean kinetic temperature
# Torres, Roeckel & Martí 2002, Lat. Am. Appl. Res. 32:209 [abstract read].
HISTAMINE_AT_20_C_H, HISTAMINE_ACTIVATION_KJ_MOL = 24.0, 88.49


def arrhenius_factor(
    temperature_c: npt.ArrayLike, activation_energy_kj_mol: float = ACTIVATION_ENERGY_KJ_MOL
) -> Array:
    """Loss rate relative to -18 °C.

    Parameters
    ----------
    temperature_c : array_like, shape (...), -90 to 90 °C.
    activation_energy_kj_mol : float, > 0.

    Returns
    -------
    ndarray, shape (...), 1 at -18 °C.

    Source
    ------
    Arrhenius equation, textbook; 60 kJ/mol within the 49-84 of Tsironi et al.
    2020 (abstract read).

    Check
    -----
    >>> round(float(arrhenius_factor(-24.0)), 4)
    0.5061
    """
    kelvin = within("temperature_c", temperature_c, -90, 90) + ZERO_C_K
    factor: Array = np.exp(
        activation_energy_kj_mol / GAS_CONSTANT_KJ_MOLK * (1 / REFERENCE_K - 1 / kelvin)
    )
    return factor


def arrhenius_from_rates(rate_a: float, at_a_c: float, rate_b: float, at_b_c: float) -> float:
    """Activation energy in kJ/mol from the rates at two temperatures.

    >>> round(arrhenius_from_rates(0.06672, -18, 0.15342, -12), 1)
    76.9
    """
    inverse = 1 / (at_a_c + ZERO_C_K) - 1 / (at_b_c + ZERO_C_K)
    if inverse == 0:
        return inf
    return GAS_CONSTANT_KJ_MOLK * log(rate_b / rate_a) / inverse


def hours_to_histamine(temperature_c: npt.ArrayLike) -> Array:
    """Hours until a common spoiler has made mackerel unfit: information, never a permission.

    Time for Morganella morganii to form 500 mg/kg of histamine at a constant
    temperature, from the 24 h published for 20 °C and the published energy of growth.

    Parameters
    ----------
    temperature_c : array_like, shape (...), 10 to 30 °C.

    Returns
    -------
    ndarray, shape (...), hours; shorter the warmer.

    Raises
    ------
    ValueError
        If a temperature is outside 10 to 30 °C, naming `temperature_c`.

    Notes
    -----
    The 43 h that the same paper gives for 15 °C are 4.8 % fewer than this. Leaves
    out species that grow in the cold (M. psychrotolerans, from 0 °C), how many there
    were at first, and histamine that was there before: it outlives freezing. Cost
    O(1) a value.

    Source
    ------
    Torres, Roeckel & Martí 2002, Lat. Am. Appl. Res. 32:209 [abstract read]; range
    from Kim et al. 2000 [abstract read].

    Check
    -----
    >>> [round(float(h), 3) for h in hours_to_histamine([15, 20])]
    [45.061, 24.0]
    """
    at = within("temperature_c", temperature_c, 10, 30)
    growth = arrhenius_factor(at, HISTAMINE_ACTIVATION_KJ_MOL)
    at_20_c = arrhenius_factor(20.0, HISTAMINE_ACTIVATION_KJ_MOL)
    hours: Array = HISTAMINE_AT_20_C_H * at_20_c / growth
    return hours


def mean_kinetic_temperature_c(
    temperature_c: npt.ArrayLike, weights: npt.ArrayLike | None = None
) -> float:
    """The constant temperature that would do as much as a history; information only.

    Parameters
    ----------
    temperature_c : array_like, shape (n,), n >= 1, -90 to 90 °C.
    weights : array_like, shape (n,), time at each, not negative; None: equal times.

    Returns
    -------
    float, °C.

    Raises
    ------
    ValueError
        If shapes differ, nothing is weighed, or a value is out of range.

    Notes
    -----
    It does not replace the sum over storage life: 364 days at -20 and one at 0 °C
    give -19.71 °C.

    Source
    ------
    Pharmacopoeial convention, ΔH/R = 10 000 K [memory, high].

    Check
    -----
    >>> round(mean_kinetic_temperature_c([20, 30]), 4)
    26.2599
    """
    at = within("temperature_c", temperature_c, -90, 90)
    shares = np.ones_like(at) if weights is None else within("weights", weights, 0, 1e12)
    if at.size == 0 or at.shape != shares.shape or shares.sum() <= 0:
        raise ValueError("temperature_c and weights must have one length and some weight")
    exponents = -MEAN_KINETIC_K / (at + ZERO_C_K)
    largest = exponents.max()
    mean = float((shares * np.exp(exponents - largest)).sum() / shares.sum())
    return float(MEAN_KINETIC_K / -(log(mean) + largest) - ZERO_C_K)
