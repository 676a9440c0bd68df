"""Time above a temperature: worked figures, and the limits of food safety guidance.

FDA Fish and Fishery Products Hazards and Controls Guidance: appendix 4, growth
of pathogens in raw ready-to-eat fish, the row for times above 21.1 °C [read];
chapter 7, histamine in previously frozen fish [memory, high: warns only].
"""

import numpy as np
import pytest

from service.decisions import Finding, Outcome
from service.quality.rules import warmth_findings
from service.science.arrays import Array
from service.science.exposure import THRESHOLDS_C, hour_rollups, seconds_above
from service.site.rules import default_policy

HOURLY = np.array([2.0, 6.0, 10.0, 22.0, 8.0, 3.0])


def test_the_hours_of_a_probe_add_up_to_the_same_figures() -> None:
    at_s = np.arange(6, dtype=np.int64) * 3600
    rollups = hour_rollups(np.zeros(6, dtype=np.int64), at_s, HOURLY, gap_s=3600, rates=())
    hours = dict(zip(THRESHOLDS_C, rollups.above_s.sum(axis=0) / 3600, strict=True))
    assert hours[4.4] == pytest.approx(4.12, abs=1e-6)
    assert hours[10.0] == pytest.approx(13 / 7, abs=1e-6)
    assert hours[21.1] == pytest.approx(0.139286, abs=1e-6)


def warmth(*stays: tuple[float, float]) -> Finding:
    """The finding after stays of (hours, °C)."""
    above: Array = np.zeros(len(THRESHOLDS_C))
    for hours, at_c in stays:
        above += [float(seconds_above(hours * 3600, at_c, at_c, c)) for c in THRESHOLDS_C]
    (found,) = warmth_findings(above, default_policy())
    return found


SECOND = 1 / 3600


@pytest.mark.parametrize(
    ("stays", "outcome"),
    [
        # appendix 4 [read]: above 10 °C for at most 2 h where any of it is above 21.1 °C
        ([(2.0, 22.0)], Outcome.PASS),
        ([(2.0 + SECOND, 22.0)], Outcome.BLOCK),
        ([(SECOND, 22.0), (2.0, 12.0)], Outcome.BLOCK),
        ([(SECOND, 22.0), (2.0 - SECOND, 12.0)], Outcome.PASS),
        ([(2.0 + SECOND, 21.1)], Outcome.PASS),
        # the row for fish never above 21.1 °C [memory, high]: 5 h above 10 °C, warns
        ([(5.0, 12.0)], Outcome.PASS),
        ([(5.0 + SECOND, 12.0)], Outcome.WARN),
        # chapter 7 [memory, high]: previously frozen, 24 h above 4.4 °C, or 12 h
        ([(24.0, 8.0)], Outcome.PASS),
        ([(24.0 + SECOND, 8.0)], Outcome.WARN),
        ([(12.0, 8.0), (1.0, 22.0)], Outcome.WARN),
        ([(11.0, 8.0), (1.0, 22.0)], Outcome.PASS),
        ([(500.0, 4.4)], Outcome.PASS),
    ],
)
def test_warm_fish_is_judged_by_the_rows_of_the_guidance(
    stays: list[tuple[float, float]], outcome: Outcome
) -> None:
    assert warmth(*stays).outcome is outcome
