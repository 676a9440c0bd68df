"""What figures suggest, who may decide, and how long a decision holds. Plain numbers."""

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.assessments.rules.bodies import CORNER, packing_of
from service.assessments.rules.deciding import Decided, Known, decision_findings, newest
from service.assessments.rules.judging import (
    STRICTNESS,
    SURFACE_LIMITS_C,
    Choice,
    Suggested,
    commissary_may_release,
    passed,
    suggested,
)
from service.catalogue.rules import species_facts
from service.science.assessment import Assessment, assess, follow_bounds
from service.science.estimate import Estimate
from service.science.gaps import air_series
from service.science.properties import GROUPS
from service.security.rules import Role
from service.site.rules import default_policy

POLICY = default_policy()
HERRING = species_facts()["HER"]
CARTON = packing_of("block", 10_000, {}, "fatty").carton


@lru_cache(maxsize=256)
def judged(air_c: float, hours: float) -> Assessment:
    at_s = np.arange(0, hours * 3600 + 1, 300.0)
    air = air_series(at_s, np.full(at_s.size, air_c))
    bounds = follow_bounds(
        GROUPS["fatty"], CARTON, air, CORNER, start_c=Estimate(-22.0, -22.5, -21.5)
    )
    return assess(GROUPS["fatty"], bounds, HERRING.life_profile, surface_limits_c=SURFACE_LIMITS_C)


def advice(air_c: float, hours: float) -> Suggested:
    return suggested(judged(air_c, hours), POLICY)


@pytest.mark.parametrize(
    ("air_c", "hours", "choice"),
    [
        (-15.0, 12.0, Choice.USE),  # a core is never warmer than its air
        (-9.0, 24.0, Choice.USE_FIRST),
        (2.0, 24.0, Choice.HOLD),
        (24.0, 48.0, Choice.CONDEMN),  # above 10 °C for more than 2 h, with time above 21.1 °C
    ],
)
def test_the_warmer_it_was_the_more_is_suggested(
    air_c: float, hours: float, choice: Choice
) -> None:
    assert advice(air_c, hours).choice is choice


def test_to_condemn_is_suggested_only_by_the_rule_that_was_read() -> None:
    """At 15 °C the rows from memory are passed, but never 21.1 °C: the vet decides."""
    warm = advice(15.0, 72.0)
    assert (warm.choice, warm.rule) == (Choice.HOLD, "warm-too-long")
    hot = advice(24.0, 48.0)
    assert hot.rule == "warm-too-long"
    assert "appendix 4" in hot.source


AIRS = (-20.0, -16.0, -12.0, -8.0, -4.0, 0.0, 4.0, 9.0, 15.0, 22.0, 26.0)


@settings(max_examples=25)
@given(st.sampled_from(AIRS), st.sampled_from(AIRS), st.sampled_from((3.0, 12.0, 36.0)))
def test_warmer_air_never_gives_a_milder_suggestion(one: float, other: float, hours: float) -> None:
    colder, warmer = sorted((one, other))
    assert STRICTNESS[advice(warmer, hours).choice] >= STRICTNESS[advice(colder, hours).choice]


@settings(max_examples=20)
@given(st.sampled_from(AIRS), st.sampled_from((1.0, 3.0, 12.0)))
def test_longer_never_gives_a_milder_suggestion(air_c: float, hours: float) -> None:
    longer = STRICTNESS[advice(air_c, 36.0).choice]
    assert longer >= STRICTNESS[advice(air_c, hours).choice]


def test_limits_are_told_that_were_passed_surely_and_perhaps() -> None:
    found = passed(judged(-9.0, 24.0), POLICY)
    assert [(p.limit, p.surely) for p in found] == [("core -12 °C", True)]
    assert passed(judged(-15.0, 12.0), POLICY) == []


def test_who_is_no_vet_may_release_what_was_measured_cold_while_it_was_warmest() -> None:
    assert commissary_may_release(-12.0, [], -12.0)
    assert commissary_may_release(-11.5, [-12.0], -12.0)
    assert not commissary_may_release(-11.5, [], -12.0), "nobody measured"
    assert not commissary_may_release(-11.5, [-12.3, -11.9], -12.0), "one carton is past it"
    assert not commissary_may_release(-9.0, [-20.0], -12.0), "hard again says nothing of before"


@given(st.floats(-25, 0), st.lists(st.floats(-25, 0), max_size=3), st.floats(0, 5))
def test_fish_that_may_have_been_warmer_is_never_released_more_easily(
    worst_c: float, corners: list[float], more: float
) -> None:
    if commissary_may_release(worst_c + more, corners, -12.0):
        assert commissary_may_release(worst_c, corners, -12.0)


@pytest.mark.parametrize("role", [Role.COMMISSARY, Role.MANAGER])
def test_warm_fish_is_let_go_by_nobody_but_the_vet(role: Role) -> None:
    warm = Known("HER1", -9.0, commissary_may_release=False)
    unknown = Known("HER1", None, commissary_may_release=False)
    for known in (warm, unknown):
        for choice in (Choice.USE, Choice.USE_FIRST):
            (found,) = decision_findings(known, choice, role, -12.0)
            assert (found.outcome, found.may_override) == ("block", (Role.VET,))
            assert not list(decision_findings(known, choice, Role.VET, -12.0))
        for choice in (Choice.HOLD, Choice.CONDEMN):
            assert not list(decision_findings(known, choice, role, -12.0))
    cold = Known("HER1", -14.0, commissary_may_release=True)
    assert not list(decision_findings(cold, Choice.USE, role, -12.0))


def test_a_decision_holds_until_the_fish_became_warmer() -> None:
    use = Decided(Choice.USE, -13.0)
    assert use.holds(-13.0) and use.holds(-12.6)
    assert not use.holds(-12.0)
    assert Decided(Choice.HOLD, -13.0).holds(4.0)
    assert not Decided(Choice.USE, -13.0, breach=True).holds(-13.0)


def test_of_several_decisions_on_a_lot_the_newest_counts_and_a_breach_replaces_none() -> None:
    first, second = Decided(Choice.HOLD, -9.0, hold=1), Decided(Choice.USE, -9.0)
    breach = Decided(Choice.USE, -9.0, breach=True)
    assert newest([{"A": first.kept()}, {"A": second.kept()}]) == {"A": second}
    assert newest([{"A": first.kept()}, {"A": breach.kept()}]) == {"A": first}
    assert newest([{"A": breach.kept()}]) == {"A": breach}
