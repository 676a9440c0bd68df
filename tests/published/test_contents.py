"""What lots still hold, asked over HTTP, against worked figures, an integrator and a simulation.

Rates and spreads: vitamin E of three fish muscles, Arslan et al. 1997 [read; rates derived]; the
worked shares are derived in the project's science reference 6.2 (checks S89 to S92).
"""

from datetime import UTC, datetime, timedelta
from math import pi
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from service.science.residual import LossRate, Start, content_left
from tests.kitchen import Kitchen
from tests.science.test_residual import exactly

SAMPLED = datetime(2026, 11, 2, 12, tzinfo=UTC)


def herring(kitchen: Kitchen, temperature_c: list[float], *values: Any) -> str:
    """A lot whose sample was taken on 2 November at noon, then an hour at each temperature."""
    kitchen.clock.at = SAMPLED + timedelta(hours=len(temperature_c))
    code: str = kitchen.a_lot(caught="2026-10-30", arrived="2026-11-01T00:00:00Z")["code"]
    kitchen.temperatures("FZ1-AIR", SAMPLED, temperature_c)
    body = {"sampled_on": "2026-11-02", "laboratory": "Harbour", "values": list(values)}
    kitchen.nutritionist.made(f"/lots/{code}/assays", body)
    return code


def left(kitchen: Kitchen, lot: str, tag: str, **params: str) -> Any:
    rows = kitchen.keeper.shown(f"/lots/{lot}/quality", params=params)["nutrients"]
    return next(row for row in rows if row["nutrient"] == tag)


def for_days(days: int, celsius: float) -> list[float]:
    return [celsius] * (24 * days)


VITAMIN_E = {"nutrient": "VITE", "amount": 20, "unit": "IU/kg"}


def test_after_90_days_at_minus_18_the_worked_shares_of_vitamin_e_are_left(
    kitchen: Kitchen,
) -> None:
    # Checks S89, S90 and science reference 6.2: 0.107, 0.399, 0.686
    lot = herring(kitchen, [*for_days(90, -18.0), -18.0], VITAMIN_E)
    row = left(kitchen, lot, "VITE", at=str(SAMPLED + timedelta(days=90)))
    assert row["share_left"] == pytest.approx(0.3993, abs=1e-4)
    assert row["share_left_range"] == pytest.approx([0.1073, 0.6855], abs=1e-4)
    assert row["amount"] == pytest.approx(20 * 0.3993, abs=2e-3)
    assert row["credited"] == [0, 0], "nothing counts of vitamin E unless the site says so"


def test_colder_days_count_for_less_as_worked_in_check_s91(kitchen: Kitchen) -> None:
    # 120 d at -24 °C and 30 d at -18 °C: 0.3964; the hour between them warms evenly, 1e-4 more
    lot = herring(kitchen, [*for_days(120, -24.0), *for_days(30, -18.0), -18.0], VITAMIN_E)
    row = left(kitchen, lot, "VITE", at=str(SAMPLED + timedelta(days=150)))
    assert row["share_left"] == pytest.approx(0.3964, abs=3e-4)


def test_three_replicates_and_a_loss_of_one_half_have_the_worked_range(kitchen: Kitchen) -> None:
    # Check S92 and science reference 6.2: 12, CV 15 % of 3, loss exponent 0.5: 3.53, 7.28, 9.97
    value = {"amount": 12, "replicates": 3, "cv_percent": 15}
    lot = herring(kitchen, for_days(60, -18.0), VITAMIN_E | value)
    at = SAMPLED + timedelta(days=0.5 / 0.0102)
    row = left(kitchen, lot, "VITE", at=str(at))
    assert [row["range"][0], row["amount"], row["range"][1]] == pytest.approx(
        [3.53, 7.28, 9.97], abs=0.01
    )


def test_fresh_herring_s_vitamin_e_in_units_and_what_180_days_leave_of_it(
    kitchen: Kitchen,
) -> None:
    # Checks T12 and T13: 1.07 mg/100 g are 15.9 IU/kg; 180 d at -18 °C leave 2.5
    said = {"nutrient": "VITE", "amount": 1.07, "unit": "mg/100g"}
    lot = herring(kitchen, [*for_days(180, -18.0), -18.0], said)
    assert left(kitchen, lot, "VITE", at=str(SAMPLED))["amount"] == pytest.approx(15.9, abs=0.1)
    at = str(SAMPLED + timedelta(days=180))
    assert left(kitchen, lot, "VITE", at=at)["amount"] == pytest.approx(2.5, abs=0.1)


def test_protein_salt_and_minerals_are_not_lost(kitchen: Kitchen) -> None:
    values = [
        {"nutrient": tag, "amount": 5, "unit": unit}
        for tag, unit in (("PROCNT", "g/100g"), ("NACL", "g/kg"), ("CA", "g/kg"), ("P", "g/kg"))
    ]
    lot = herring(kitchen, for_days(30, -10.0), *values)
    for tag in ("PROCNT", "NACL", "CA", "P"):
        row = left(kitchen, lot, tag)
        assert (row["share_left"], row["share_left_range"]) == (1, [1, 1])


def test_a_swinging_temperature_leaves_what_an_integrator_says(kitchen: Kitchen) -> None:
    """dC/dt = -k · exp(E/R · (1/255.15 - 1/T)) · C by SciPy, E 60 kJ/mol, R CODATA."""
    hours = np.arange(24 * 40 + 1)
    swing = np.round(-17.0 + 5.0 * np.sin(2 * pi * hours / 31), 2)
    lot = herring(kitchen, swing.tolist(), VITAMIN_E)

    def fall(at_d: float, content: Any) -> Any:
        kelvin = np.interp(at_d * 24, hours, swing) + 273.15
        return -0.0102 * np.exp(60_000 / 8.314462618 * (1 / 255.15 - 1 / kelvin)) * content

    solved = solve_ivp(fall, (0, 40), [20.0], rtol=1e-8, max_step=1 / 24)
    row = left(kitchen, lot, "VITE", at=str(SAMPLED + timedelta(days=40)))
    assert row["amount"] == pytest.approx(float(solved.y[0, -1]), rel=5e-4)


@pytest.mark.parametrize("elapsed", [10, 49, 120])
def test_the_range_is_that_of_a_million_simulated_lots(elapsed: float) -> None:
    """Content and rate both log-normal, NumPy; adding spreads in logarithm is near to it."""
    dice = np.random.default_rng(8)
    amount = 12 * np.exp(0.15 * dice.standard_normal(1_000_000))
    rate = 0.0102 * 2.0 ** dice.standard_normal(1_000_000)
    low, high = np.quantile(amount * np.exp(-rate * elapsed), [0.1, 0.9])
    ours = content_left(Start(12, 0.15), LossRate(0.0102, 2.0), exactly(elapsed)).only
    assert ours[0] == pytest.approx(low, rel=0.05)
    assert ours[2] == pytest.approx(high, rel=0.05)
