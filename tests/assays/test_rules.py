"""Laws of what a laboratory's figures come to."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.assays.rules.judging import Measured, is_unlikely, judge, verdict_of
from service.assays.rules.limits import (
    chemical_limits,
    histamine_plan,
    microbial_plan,
    units,
)
from service.assays.rules.readings import Reading, parse_reading, spread_of, unit_factor
from service.catalogue.rules import species_facts
from service.science.sampling import Verdict, pooled_histamine

HERRING, CAPELIN = species_facts()["HER"], species_facts()["CAP"]
RANK = {None: 0, "accept": 0, "warn": 1, "reject": 2}
AMOUNTS = st.floats(min_value=0, max_value=1000, allow_nan=False)


def outcome(test: str, values: list[Reading], pooled: int = 1) -> str | None:
    return verdict_of(judge([Measured(test, tuple(values), pooled)], HERRING))


@given(st.lists(AMOUNTS, min_size=9, max_size=12), st.integers(0, 8), AMOUNTS)
def test_more_histamine_in_a_sample_never_makes_a_lot_better(
    values: list[float], at: int, more: float
) -> None:
    worse = [*values]
    worse[at] += more
    before, after = (outcome("histamine", [Reading(v) for v in some]) for some in (values, worse))
    assert RANK[after] >= RANK[before]


@given(
    st.lists(st.lists(AMOUNTS, min_size=3, max_size=3), min_size=3, max_size=4),
)
def test_composites_never_clear_what_the_samples_themselves_would_not(
    groups: list[list[float]],
) -> None:
    pools = pooled_histamine([sum(g) / 3 for g in groups], pooled=3)
    singles = outcome("histamine", [Reading(v) for g in groups for v in g])
    if pools.verdict is Verdict.ACCEPT:
        assert singles != "reject"
    if pools.verdict is Verdict.REJECT:
        assert singles == "reject"


@given(st.lists(AMOUNTS, min_size=1, max_size=8))
def test_fewer_samples_than_the_plan_never_accept(values: list[float]) -> None:
    found = judge([Measured("histamine", tuple(map(Reading, values)))], HERRING)
    assert found[0].outcome != "pass"


def test_composites_above_the_screening_limit_hold_until_they_are_measured_one_by_one() -> None:
    (found, *_) = judge([Measured("histamine", (Reading(34.0),) * 3, 3)], HERRING)
    assert found.outcome == "block" and "one by one" in found.because
    (found, *_) = judge([Measured("histamine", (Reading(33.0),) * 3, 3)], HERRING)
    assert found.outcome == "pass"


def test_a_printed_figure_is_read_as_printed() -> None:
    assert parse_reading("<0.1") == Reading(0.1, "<")
    assert parse_reading(" > 300000 ") == Reading(300_000, ">")
    assert parse_reading(11) == Reading(11.0)
    assert str(parse_reading("Not detected")) == "not detected"
    for said in ("", "a", "1,5", "<", "<0", "-1", "nan", "inf", True, None, "1e99", float("nan")):
        with pytest.raises(ValueError, match=r"number|between|more than"):
            parse_reading(said)


@given(st.floats(min_value=1e-6, max_value=1e9))
def test_any_amount_is_read_back_from_how_it_is_shown(amount: float) -> None:
    assert parse_reading(str(Reading(amount))).amount == pytest.approx(amount, rel=1e-11)


def test_units_are_brought_together_and_others_refused() -> None:
    assert unit_factor("mg/100g", "mg/kg") == 10
    assert unit_factor("µg/kg", "ng/g wet") == 1
    assert unit_factor("MPN/g", "CFU/g") == 1
    assert unit_factor("cfu/100 g", "CFU/g") == 0.01
    assert unit_factor("meq/kg", "meq O2/kg fat") == 1
    for unit in ("CFU/g", "IU/kg", "log cfu/g", "furlong", "/"):
        with pytest.raises(ValueError, match="cannot be converted"):
            unit_factor(unit, "mg/kg")


@given(st.floats(min_value=1e-6, max_value=1e6), st.floats(min_value=1e-6, max_value=1e6))
def test_within_a_thousandth_and_a_thousand_times_the_usual_nothing_is_asked_back(
    amount: float, usual: float
) -> None:
    assert is_unlikely(amount, usual) == (amount >= 1000 * usual or amount <= usual / 1000)


def test_every_test_of_the_tables_can_be_recorded_and_every_limit_says_where_it_is_from() -> None:
    assert {"histamine", "tvb_n", "peroxide_value", "salmonella"} <= set(units())
    for species in species_facts().values():
        for test in units():
            for limit in (*chemical_limits(species, test), microbial_plan(species, test)):
                assert limit is None or (limit.source.endswith("]") and limit.largest >= 0)
    assert histamine_plan().source.endswith("[R]")


def test_only_what_was_read_holds() -> None:
    for species in species_facts().values():
        for test in units():
            for limit in (*chemical_limits(species, test), microbial_plan(species, test)):
                if limit is not None and limit.holds:
                    assert limit.source.endswith("[R]")


def test_the_volatile_nitrogen_limit_of_salmon_is_that_of_the_atlantic_one_only() -> None:
    for species in species_facts().values():
        if species.family == "Salmonidae":
            has = bool(chemical_limits(species, "tvb_n"))
            assert has == (species.scientific_name == "Salmo salar")


def test_replicates_give_mean_and_coefficient_of_variation() -> None:
    spread = spread_of([9.0, 10.0, 11.0])
    assert (spread.mean, spread.replicates) == (10.0, 3)
    assert spread.cv == pytest.approx(0.1)
    assert spread_of([0.0, 0.0]).cv == 0
    with pytest.raises(ValueError, match="at least two"):
        spread_of([1.0])
