"""What a history says about fish: life used, warmth, excursions. Plain numbers."""

from datetime import UTC, datetime
from math import exp

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.decisions import Finding, Outcome
from service.quality.rules import (
    CHILLED_BEFORE_ARRIVAL_C,
    FROZEN_BEFORE_ARRIVAL_C,
    NEVER_MEASURED_C,
    Exposure,
    excursion_findings,
    life_findings,
    life_of,
    warmth_findings,
)
from service.science.exposure import THRESHOLDS_C
from service.site.rules import PlaceKind, Policy, default_policy

DAY = 86_400.0
HOUR = 3600.0


def an_exposure(
    *, value: float = 0.2, low: float = 0.1, high: float = 0.4, max_c: float | None = -18.0
) -> Exposure:
    """Shares of life of one table, as rate-seconds."""
    return Exposure(
        known_s=10 * HOUR,
        unknown_s=2 * HOUR,
        value=np.array([value * DAY]),
        low=np.array([low * DAY]),
        high=np.array([high * DAY]),
        above_s=np.full(len(THRESHOLDS_C), 60.0),
        max_c=max_c,
    )


def life(used: float, policy: Policy | None = None) -> Finding:
    (found,) = life_findings(used, policy or default_policy())
    return found


@pytest.mark.parametrize(
    ("used", "outcome", "words"),
    [
        (0.0, Outcome.PASS, "0 %"),
        (0.799, Outcome.PASS, "%"),
        (0.80, Outcome.WARN, "80 %"),
        (0.999, Outcome.WARN, "%"),
        (1.0, Outcome.WARN, "inspect before use"),
        (1.4, Outcome.WARN, "140 %"),
    ],
)
def test_storage_life_warns_from_80_percent_and_asks_to_inspect_from_100(
    used: float, outcome: Outcome, words: str
) -> None:
    found = life(used)
    assert (found.rule, found.outcome) == ("life-used-up", outcome)
    assert words in found.because
    assert ("inspect" in found.because) == (used >= 1)


def test_used_up_life_blocks_only_where_the_site_says_so() -> None:
    strict = default_policy().model_copy(update={"life_used_blocks": True})
    assert life(1.0, strict).outcome is Outcome.BLOCK
    assert life(0.99, strict).outcome is Outcome.WARN
    assert life(1.0).outcome is Outcome.WARN


def test_the_range_of_life_used_holds_the_unknown_hours_and_the_spread_of_the_table() -> None:
    # a table of storage life spreads by 0.30 in logarithm [memory, low]: 10-90 % × 0.68 … 1.47
    found = life_of(an_exposure(), 0, life_here_d=300.0)
    assert found.value == pytest.approx(0.2)
    assert found.low == pytest.approx(0.1 * exp(-1.28155 * 0.3))
    assert found.high == pytest.approx(0.4 * exp(1.28155 * 0.3))
    assert found.high / 0.4 == pytest.approx(1.47, abs=0.005)
    assert found.left_days == pytest.approx(0.8 * 300)


def test_fish_past_its_life_has_no_days_left_rather_than_minus_some() -> None:
    assert life_of(an_exposure(value=1.5, high=2.0), 0, life_here_d=300.0).left_days == 0


def test_two_stays_add_up_and_keep_the_warmest() -> None:
    both = an_exposure(max_c=-20.0) + an_exposure(value=0.3, max_c=-12.0)
    assert (both.known_s, both.unknown_s) == (20 * HOUR, 4 * HOUR)
    assert both.value[0] == pytest.approx(0.5 * DAY)
    assert both.low[0] == pytest.approx(0.2 * DAY)
    assert both.high[0] == pytest.approx(0.8 * DAY)
    assert both.above_s.tolist() == [120.0] * len(THRESHOLDS_C)
    assert both.max_c == -12.0


def test_a_stay_without_readings_does_not_hide_the_warmest_of_another() -> None:
    assert (an_exposure(max_c=None) + an_exposure(max_c=-12.0)).max_c == -12.0
    assert (an_exposure(max_c=None) + an_exposure(max_c=None)).max_c is None


def test_what_was_never_measured_is_taken_as_a_range_around_its_value() -> None:
    assumed = [*NEVER_MEASURED_C.values(), FROZEN_BEFORE_ARRIVAL_C, CHILLED_BEFORE_ARRIVAL_C]
    assert set(NEVER_MEASURED_C) == set(PlaceKind)
    for value, low, high in assumed:
        assert low <= value <= high
    # before arrival nobody here measured: -18 °C, -25 … -15 °C
    assert FROZEN_BEFORE_ARRIVAL_C == (-18.0, -25.0, -15.0)


# --- warmth: the rows themselves are checked among the published figures


def warmth(*, above_4: float = 0.0, above_10: float = 0.0, hot: float = 0.0) -> Finding:
    hours = dict.fromkeys(THRESHOLDS_C, above_4) | {10.0: above_10, 21.1: hot}
    (found,) = warmth_findings(np.array([hours[c] for c in THRESHOLDS_C]) * HOUR, default_policy())
    return found


def test_too_long_too_warm_blocks_with_its_hours_and_a_vet_may_override() -> None:
    found = warmth(above_4=4.0, above_10=3.0, hot=0.5)
    assert (found.rule, found.outcome) == ("warm-too-long", Outcome.BLOCK)
    assert found.numbers == {"above_4_4_h": 4.0, "above_10_h": 3.0, "above_21_1_h": 0.5}
    assert found.may_override == ("vet",)
    assert "appendix 4" in found.source and "memory" not in found.source


def test_the_rows_from_memory_say_that_they_are_from_memory() -> None:
    found = warmth(above_4=25.0)
    assert found.outcome is Outcome.WARN
    assert "from memory" in found.source


@given(st.floats(0, 40), st.floats(0, 40), st.floats(0, 40), st.floats(0, 10), st.integers(0, 2))
def test_more_warm_hours_never_get_a_milder_answer(
    a: float, b: float, c: float, more: float, where: int
) -> None:
    hot, above_10, above_4 = sorted((a, b, c))
    hours = {"above_4": above_4, "above_10": above_10, "hot": hot}
    longer = dict(hours)
    # what is above a limit is above all lower limits too
    for name in ("above_4", "above_10", "hot")[: where + 1]:
        longer[name] += more
    harder = [Outcome.PASS, Outcome.WARN, Outcome.BLOCK]
    before = harder.index(warmth(**hours).outcome)
    assert harder.index(warmth(**longer).outcome) >= before


# --- excursions

BEGUN = datetime(2031, 3, 1, 4, 30, tzinfo=UTC)


def test_an_excursion_warns_and_says_where_when_and_how_warm() -> None:
    ended = BEGUN.replace(hour=6)
    (found,) = excursion_findings([("FZ1", "warm", BEGUN, ended, -9.04)])
    assert (found.rule, found.outcome) == ("excursion-open", Outcome.WARN)
    assert found.because == (
        "FZ1 was too warm from 2031-03-01 04:30 UTC, until 2031-03-01 06:30 UTC, up to -9.0 °C"
    )
    assert found.numbers == {"peak_c": -9.04, "place": "FZ1"}


def test_a_silent_place_that_is_still_silent_is_said_to_be_so() -> None:
    (found,) = excursion_findings([("FZ1", "silent", BEGUN, None, None)])
    assert found.because == "FZ1 was silent from 2031-03-01 04:30 UTC, still open, not measured"


def test_every_excursion_is_listed() -> None:
    many = [(f"FZ{i}", "warm", BEGUN, None, -9.0) for i in range(3)]
    assert [f.numbers["place"] for f in excursion_findings(many)] == ["FZ0", "FZ1", "FZ2"]
