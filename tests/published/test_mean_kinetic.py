"""Mean kinetic temperature, pharmacopoeial convention ΔH/R = 10 000 K (memory, high)."""

import pytest

from service.science.kinetics import mean_kinetic_temperature_c


def test_no_history_has_no_mean() -> None:
    with pytest.raises(ValueError, match="temperature_c"):
        mean_kinetic_temperature_c([])
