"""International units of vitamins as masses and amounts of substance, and back.

A unit of vitamin activity is a mass of one defined substance; another form of the
same vitamin has another mass. So every conversion here names the form.
"""

from dataclasses import dataclass

import numpy.typing as npt

from service.science.arrays import Array, within

LARGEST = 1e12  # of any amount: far beyond what a kitchen weighs


@dataclass(frozen=True)
class Form:
    """One form of a vitamin: what an international unit of it weighs, and its mole.

    mg_per_iu : milligrams in one international unit, > 0.
    g_per_mol : molar mass in grams, > 0.
    """

    name: str
    mg_per_iu: float
    g_per_mol: float


# Masses of a unit: pharmacopoeial definitions [memory, high]. Molar masses: sums of
# the atoms' standard weights, C20H30O, C22H32O2, C27H44O, C29H50O2, C31H52O3.
RETINOL = Form("retinol", 0.3e-3, 286.45)
RETINYL_ACETATE = Form("retinyl acetate", 0.344e-3, 328.49)
CHOLECALCIFEROL = Form("cholecalciferol", 0.025e-3, 384.64)
RRR_TOCOPHEROL = Form("RRR-α-tocopherol", 1 / 1.49, 430.71)
ALL_RAC_TOCOPHERYL_ACETATE = Form("all-rac-α-tocopheryl acetate", 1.0, 472.74)
FORMS = (
    RETINOL,
    RETINYL_ACETATE,
    CHOLECALCIFEROL,
    RRR_TOCOPHEROL,
    ALL_RAC_TOCOPHERYL_ACETATE,
)


def iu_from_mg(form: Form, mg: npt.ArrayLike) -> Array:
    """International units in a mass of one form of a vitamin.

    Parameters
    ----------
    form : what was weighed; a label's "vitamin E" is not enough.
    mg : array_like, shape (...), milligrams (of anything: per animal, kilogram or
        day), 0 to 1e12.

    Returns
    -------
    ndarray, shape (...), international units of the same.

    Raises
    ------
    ValueError
        If a mass is negative, not finite or above 1e12, naming `mg`.

    Notes
    -----
    Leaves out how well a species uses the form, and units of newer conventions
    (retinol activity equivalents, mg of α-tocopherol). Cost O(1) a value.

    Source
    ------
    Pharmacopoeial definitions of the international unit [memory, high].

    Check
    -----
    Herring of 1.07 mg/100 g, in IU/kg:

    >>> round(float(iu_from_mg(RRR_TOCOPHEROL, 1.07 * 10)), 3)
    15.943
    """
    return within("mg", mg, 0, LARGEST) / form.mg_per_iu


def mg_from_iu(form: Form, iu: npt.ArrayLike) -> Array:
    """Milligrams of one form of a vitamin in international units: `iu_from_mg` turned round.

    iu : array_like, shape (...), 0 to 1e12, else ValueError naming `iu`. Returns
    mg, shape (...). Leaves out, source and cost as `iu_from_mg`.

    >>> round(float(mg_from_iu(CHOLECALCIFEROL, 40)), 6)
    0.001
    """
    return within("iu", iu, 0, LARGEST) * form.mg_per_iu


def mg_from_umol(form: Form, umol: npt.ArrayLike) -> Array:
    """Milligrams of an amount of substance in micromoles.

    Parameters
    ----------
    umol : array_like, shape (...), 0 to 1e12 µmol.

    Returns
    -------
    ndarray, shape (...), mg.

    Raises
    ------
    ValueError
        If an amount is negative, not finite or above 1e12, naming `umol`.

    Notes
    -----
    Leaves out salts and water of crystallisation. Cost O(1) a value.

    Source
    ------
    Molar masses from standard atomic weights [memory, high].

    Check
    -----
    >>> intake = mg_from_umol(RETINOL, 6.4)
    >>> round(float(intake), 5), round(float(iu_from_mg(RETINOL, intake)))
    (1.83328, 6111)
    """
    return within("umol", umol, 0, LARGEST) * form.g_per_mol / 1000


def umol_from_mg(form: Form, mg: npt.ArrayLike) -> Array:
    """Micromoles in a mass of one form: `mg_from_umol` turned round.

    mg : array_like, shape (...), 0 to 1e12, else ValueError naming `mg`. Returns
    µmol, shape (...). Leaves out, source and cost as `mg_from_umol`.

    >>> round(float(umol_from_mg(RETINOL, mg_from_iu(RETINOL, 1241))), 1)
    1.3
    """
    return within("mg", mg, 0, LARGEST) * 1000 / form.g_per_mol
