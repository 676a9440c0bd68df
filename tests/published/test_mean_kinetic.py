"""Mean kinetic temperature, pharmacopoeial convention ΔH/R = 10 000 K (memory, high)."""

import pytest

from service.science.kinetics import mean_kinetic_temperature_c


@pytest.mark.parametrize(
    ("temperatures", "weights", "expected"),
    [
        ([20, 30], None, 26.25989),
        ([15, 20, 25, 30], None, 24.10405),
        ([25, 40], [29, 1], 26.11303),
        ([-20, 0], [364, 1], -19.7073),
    ],
)
def test_the_mean_kinetic_temperature_of_the_check_table(
    temperatures: list[float], weights: list[float] | None, expected: float
) -> None:
    """science_checks.csv S72 to S75."""
    assert mean_kinetic_temperature_c(temperatures, weights) == pytest.approx(expected, abs=1e-4)


def test_no_history_has_no_mean() -> None:
    with pytest.raises(ValueError, match="temperature_c"):
        mean_kinetic_temperature_c([])
