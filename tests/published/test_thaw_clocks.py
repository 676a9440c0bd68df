"""The clocks of 9 CFR 3.105(d) [read], to the second.

Food thawed under refrigeration is fed within 24 hours of thawing; food thawed
otherwise within 24 hours of leaving the freezer. Shorter clocks of a site are
its own; nothing makes one longer.
"""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from service.decisions import Outcome
from service.site.rules import Policy, default_policy
from service.thawing.rules.clocks import ThawFacts, clock_findings, discard_after

PULLED = datetime(2031, 3, 1, 6, 0, tzinfo=UTC)
THAWED = PULLED + timedelta(hours=40)
DAY, SECOND = timedelta(hours=24), timedelta(seconds=1)
IN_WATER = ThawFacts(PULLED, None, PULLED + timedelta(hours=9), refrigerated=False)
IN_WATER_AND_THAWED = ThawFacts(PULLED, THAWED, PULLED, refrigerated=False)
REFRIGERATED = ThawFacts(PULLED, THAWED, PULLED + timedelta(hours=28), refrigerated=True)
NOT_RECORDED = ThawFacts(PULLED, None, PULLED + timedelta(hours=28), refrigerated=True)


@pytest.mark.parametrize(
    ("facts", "clock_from"),
    [
        (IN_WATER, PULLED),
        (IN_WATER_AND_THAWED, PULLED),
        (REFRIGERATED, THAWED),
        # not recorded: the earliest that it may have been thawed
        (NOT_RECORDED, PULLED + timedelta(hours=28)),
    ],
    ids=["in water", "in water, recorded as thawed", "refrigerated", "thawing not recorded"],
)
def test_fish_may_be_fed_for_24_h_to_the_second_and_not_one_longer(
    facts: ThawFacts, clock_from: datetime
) -> None:
    policy = default_policy()
    last = clock_from + DAY
    assert discard_after(facts, policy) == last
    assert clock_findings(facts, policy, last, batch="T1").outcome is Outcome.PASS
    assert clock_findings(facts, policy, last + SECOND, batch="T1").outcome is Outcome.BLOCK


def test_the_refusal_names_the_clock_that_ran_out_and_the_regulation() -> None:
    policy = default_policy()
    late = PULLED + timedelta(days=9)
    water = clock_findings(IN_WATER, policy, late, batch="T1")
    cold = clock_findings(REFRIGERATED, policy, late, batch="T1")
    assert (water.rule, cold.rule) == ("clock-from-freezer", "clock-from-thawed")
    assert water.source == cold.source == "9 CFR 3.105(d)"
    assert water.may_override == cold.may_override == ()
    assert water.numbers == {"ran_h": 216.0, "limit_h": 24.0}


@given(st.booleans(), st.integers(0, 400_000), st.integers(0, 400_000))
def test_waiting_never_makes_blocked_fish_feedable(
    refrigerated: bool, first_s: int, more_s: int
) -> None:
    facts = ThawFacts(PULLED, None, PULLED + timedelta(hours=28), refrigerated)
    policy = default_policy()
    early = PULLED + timedelta(seconds=first_s)
    before = clock_findings(facts, policy, early, batch="T1").outcome
    after = clock_findings(facts, policy, early + timedelta(seconds=more_s), batch="T1").outcome
    assert not (before is Outcome.BLOCK and after is Outcome.PASS)


@pytest.mark.parametrize("clock", ["clock_freezer_out_h", "clock_thawed_refrigerated_h"])
def test_no_site_can_set_a_clock_longer_than_the_regulation(clock: str) -> None:
    figures = default_policy().model_dump()
    assert getattr(Policy(**{**figures, clock: 12}), clock) == 12
    with pytest.raises(ValidationError, match="less than or equal to 24"):
        Policy(**{**figures, clock: 24.01})


def test_a_shorter_clock_of_the_site_is_kept() -> None:
    policy = default_policy().model_copy(update={"clock_freezer_out_h": 12.0})
    half = PULLED + timedelta(hours=12)
    assert discard_after(IN_WATER, policy) == half
    assert clock_findings(IN_WATER, policy, half + SECOND, batch="T1").outcome is Outcome.BLOCK
