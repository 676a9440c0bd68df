"""The choice of pieces against an integer program, solved by HiGHS through SciPy.

SciPy's `milp` [a general library]; the program is written down in service.bench.dose_program
from the objective of science reference 8. `fishhouse bench supplements` does 10 000 cases.
"""

from math import inf
from time import perf_counter

import numpy as np
import pytest

from service.bench.dose_program import STAGES, Case, made_case, optimum, score, within_limits
from service.science import dose_search
from service.science.dosing import Need, Offer, choose_pieces, tablets, weighed

CASES = 300
FIRST = 20_000  # the bench takes those below 10 000


@pytest.mark.parametrize("hundred", range(CASES // 100))
def test_no_integer_program_chooses_better(hundred: int) -> None:
    for number in range(FIRST + 100 * hundred, FIRST + 100 * hundred + 100):
        case = made_case(number)
        dose = choose_pieces(case.needs, case.offers)
        assert within_limits(case, dose)
        assert dose.exact
        found = dict(zip(STAGES, score(case, dose), strict=True))
        best = dict(zip(STAGES, optimum(case).values, strict=True))
        assert found == pytest.approx(best, abs=1e-6), number


def test_the_made_cases_hold_all_that_can_be_in_a_cupboard() -> None:
    cases = [made_case(n) for n in range(CASES)]
    assert {len(c.offers) for c in cases} == set(range(1, 9))
    assert {len(c.needs) for c in cases} == set(range(1, 11))
    offers = [o for c in cases for o in c.offers]
    assert {o.pieces_per_unit for o in offers} == {1, 2, 10}
    assert any(o.weighed for o in offers) and any(len(o.contents) > 4 for o in offers)
    limited = [[n for n in c.needs if n.room < inf] for c in cases]
    assert any(len(several) > 3 for several in limited)
    assert any(n.amount == 0 for several in limited for n in several)
    short = sum(bool(choose_pieces(c.needs, c.offers).unmet) for c in cases)
    assert CASES / 10 < short < CASES * 9 / 10


def hard_case(seed: int, nutrients: int, largest: int) -> Case:
    """Eight products in halves, each with every nutrient, of little strength, without limits."""
    rng = np.random.default_rng(seed)
    names = "ABCDEFGHIJ"[:nutrients]
    return Case(
        tuple(Need(n, float(rng.choice([200, 250, 400, 500]))) for n in names),
        tuple(
            Offer(f"P{i}", {n: float(5 * rng.integers(1, largest)) for n in names}, 2)
            for i in range(8)
        ),
    )


@pytest.mark.parametrize(("nutrients", "largest"), [(3, 5), (5, 8), (10, 8), (10, 20)])
def test_49_to_the_eighth_combinations_are_searched_exactly(nutrients: int, largest: int) -> None:
    for seed in range(2):
        case = hard_case(seed, nutrients, largest)
        dose = choose_pieces(case.needs, case.offers)
        assert dose.exact
        assert score(case, dose) == pytest.approx(optimum(case).values, abs=1e-6)


@pytest.mark.parametrize("tried", [1, 2_000, 20_000])
def test_a_search_that_gives_up_says_so_and_passes_no_limit(
    tried: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dose_search, "MOST_TRIED", tried)
    for seed in range(4):
        case = hard_case(seed, 4, 6)
        limited = Case(tuple(Need(n.nutrient, n.amount, 600.0) for n in case.needs), case.offers)
        dose = choose_pieces(limited.needs, limited.offers)
        assert within_limits(limited, dose)
        best = optimum(limited).values
        assert not dose.exact or score(limited, dose) == pytest.approx(best, abs=1e-6)
        if tried == 1:
            assert not dose.exact


def test_the_worst_cupboards_are_answered_within_seconds() -> None:
    """The bound is on combinations looked at: about a second; five leave a slow machine time."""
    for seed in range(3):
        for nutrients in (2, 6):
            case = hard_case(seed, nutrients, 5)
            began = perf_counter()
            dose = choose_pieces(case.needs, case.offers)
            assert perf_counter() - began < 5
            assert within_limits(case, dose)
            assert not dose.unmet


def test_eight_equal_products_are_one() -> None:
    twins = [Offer(f"P{i}", {"A": 15.0, "B": 10.0}, 2) for i in range(8)]
    dose = choose_pieces([Need("A", 1000), Need("B", 1000)], twins)
    assert dose.exact
    assert dose.pieces == {"P0": 48, "P1": 48, "P2": 4}


def test_fine_steps_of_a_powder_beside_tablets_stay_exact() -> None:
    offers = [
        weighed("SALT", {"NACL": 1.0}, steps_per_unit=1000),
        tablets("SALT-1", {"NACL": 1.0}, pieces_per_tablet=2),
        tablets("MULTI", {"NACL": 0.2, "VITE": 50.0}),
    ]
    dose = choose_pieces([Need("NACL", 60.0004), Need("VITE", 100)], offers)
    assert dose.exact
    assert dose.pieces == {"SALT": 59_601, "MULTI": 2}


@pytest.mark.parametrize("number", [2179, 6666])
def test_where_the_solver_s_presolve_loses_the_optimum_the_choice_has_it(number: int) -> None:
    case = made_case(number)
    dose = choose_pieces(case.needs, case.offers)
    assert within_limits(case, dose)
    best = optimum(case, presolve=False).values
    assert score(case, dose) == pytest.approx(best, abs=1e-6)
