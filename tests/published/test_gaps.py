"""How warm a freezer may have been while nobody measured: the worked envelope.

Exponential warming to the ambient and linear pull-down (science of the place:
lumped capacity, textbook); time constants from memory (low), on the safe side.
"""

import numpy as np
import pytest

from service.science.exposure import gap_bound

HOUR = 3600.0


def test_the_way_back_down_bounds_the_end_of_the_gap() -> None:
    bound = gap_bound(0, 4 * HOUR, -20, -18)
    late = float(np.interp(3.8 * HOUR, bound.at_s, bound.envelope_c))
    # ten kelvin an hour, twelve minutes before the reading of -18
    assert late == pytest.approx(-18 + 10 * 0.2, abs=1e-6)
