"""International units, masses and moles of vitamins: there and back, and what they agree on."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.vitamins import (
    ALL_RAC_TOCOPHERYL_ACETATE,
    CHOLECALCIFEROL,
    FORMS,
    RETINOL,
    RETINYL_ACETATE,
    RRR_TOCOPHEROL,
    Form,
    iu_from_mg,
    mg_from_iu,
    mg_from_umol,
    umol_from_mg,
)

amounts = st.floats(0, 1e6)
ATOMS = {"C": 12.011, "H": 1.008, "O": 15.999}  # standard atomic weights, IUPAC


@given(st.sampled_from(FORMS), amounts)
def test_units_and_moles_turned_back_are_the_mass_that_was_there(form: Form, mg: float) -> None:
    assert float(mg_from_iu(form, iu_from_mg(form, mg))) == pytest.approx(mg, rel=1e-12)
    assert float(mg_from_umol(form, umol_from_mg(form, mg))) == pytest.approx(mg, rel=1e-12)


@pytest.mark.parametrize(
    ("form", "carbon", "hydrogen", "oxygen"),
    [
        (RETINOL, 20, 30, 1),
        (RETINYL_ACETATE, 22, 32, 2),
        (CHOLECALCIFEROL, 27, 44, 1),
        (RRR_TOCOPHEROL, 29, 50, 2),
        (ALL_RAC_TOCOPHERYL_ACETATE, 31, 52, 3),
    ],
)
def test_a_mole_weighs_what_its_atoms_weigh(
    form: Form, carbon: int, hydrogen: int, oxygen: int
) -> None:
    sum_of_atoms = carbon * ATOMS["C"] + hydrogen * ATOMS["H"] + oxygen * ATOMS["O"]
    assert form.g_per_mol == pytest.approx(sum_of_atoms, abs=0.02)


def test_a_unit_of_retinol_and_of_its_acetate_are_the_same_number_of_molecules() -> None:
    moles = [float(umol_from_mg(f, mg_from_iu(f, 1000))) for f in (RETINOL, RETINYL_ACETATE)]
    assert moles[0] == pytest.approx(moles[1], rel=1e-3)


def test_a_unit_of_vitamin_e_is_two_thirds_of_a_milligram_of_what_fish_contains() -> None:
    assert float(mg_from_iu(RRR_TOCOPHEROL, 1)) == pytest.approx(0.67, abs=0.005)
    assert float(mg_from_iu(ALL_RAC_TOCOPHERYL_ACETATE, 1)) == 1


def test_fur_seals_of_the_study_took_1241_to_6111_units_of_vitamin_a() -> None:
    # Mazzaro et al. 1995 [read]: 1.3 to 6.4 µmol a day
    found = iu_from_mg(RETINOL, mg_from_umol(RETINOL, [1.3, 6.4]))
    assert found.tolist() == pytest.approx([1241, 6111], abs=1)


@pytest.mark.parametrize("bad", [-1.0, float("nan"), float("inf"), 1e13])
def test_an_impossible_amount_is_refused_by_name(bad: float) -> None:
    for convert, named in (
        (iu_from_mg, "mg"),
        (mg_from_iu, "iu"),
        (mg_from_umol, "umol"),
        (umol_from_mg, "mg"),
    ):
        with pytest.raises(ValueError, match=f"^{named} must"):
            convert(RETINOL, [1.0, bad])
